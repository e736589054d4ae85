"""Checks of what the solver takes for granted: each passes, finds its planted fault and names it, and skips."""

import pytest

from rigcheck.checks import CALIBRATION_CHECKS, run_checks
from rigcheck.model import Estimate

# Code, measurements planted, status, words of the message, words of the advice.
FAULTS = [
    (
        "CAL50",
        {"lower.wander_px": (6.0, 0.9), "lower.wander_ratio": (6.5, 0.9), "lower.wander_share": 0.8},
        "fail",
        "80 % of lower's residuals",
        "stabilisation in lower",
    ),
    (
        "CAL50",
        {"upper.wander_px": (1.3, 0.3), "upper.wander_ratio": (1.9, 0.2), "upper.wander_share": 0.1},
        "caution",
        "wanders",
        "bends in the hand",
    ),
    (
        "CAL51",
        {"stereo.together_ratio": 600.0, "stereo.better_shift": 2.0, "stereo.better_offset_frames": 5.0},
        "fail",
        "lower's 2 pictures after",
        "--offset-frames 5.",
    ),
    ("CAL51", {"stereo.together_ratio": 30.0}, "fail", "30.0 times", "Check the pairing first"),
    (
        "CAL51",
        {
            "stereo.together_ratio": 30.0,
            "upper.wander_px": (6.0, 0.9),
            "upper.wander_ratio": (6.5, 0.9),
        },
        "fail",
        "30.0 times",
        "CAL50",
    ),
    ("CAL51", {"stereo.together_ratio": 2.5}, "caution", "2.5 times", "one trigger"),
    (
        "CAL52",
        {"upper.fields_apart_px": (1.2, 0.2), "upper.stated_interlaced": 1.0},
        "fail",
        "interlaced: upper",
        "progressive",
    ),
    (
        "CAL52",
        {"upper.fields_apart_px": (0.2, 0.02)},
        "caution",
        "upper 0.200 ± 0.020",
        "upper records fields",
    ),
    ("CAL53", {"upper.focal_ratio": (0.75, 0.0002)}, "caution", "0.7500", "squeezed"),
    (
        "CAL53",
        {"upper.focal_ratio": (0.75, 0.0002), "upper.stated_pixel_aspect": 4 / 3},
        "caution",
        "0.7500 is to be expected",
        "converted copy",
    ),
    (
        "CAL54",
        {"prior.baseline_turned_deg": 159.0, "prior.exchanged_turned_deg": 0.3},
        "fail",
        "With the clips exchanged",
        "The cameras are swapped",
    ),
    ("CAL54", {"prior.baseline_turned_deg": 80.0}, "fail", "80.0 degrees", "rebuilt"),
    (
        "CAL55",
        {"board.size_factor": 10.0, "board.size_ratio": 0.1, "stereo.axes_meet_mm": 20.0},
        "fail",
        "meet at 20 mm",
        "about 80 mm",
    ),
    ("CAL55", {"board.size_factor": 2.0, "board.size_ratio": 2.0}, "caution", "2.00 times", "about 4 mm"),
]


def judged(run, limits, code):
    return {found.code: found for found in run_checks(CALIBRATION_CHECKS, run, limits)}[code]


def estimate(planted):
    value, sigma = planted if isinstance(planted, tuple) else (planted, None)
    return Estimate(value=value, sigma=sigma)


@pytest.mark.parametrize(("code", "faults", "status", "words", "advice"), FAULTS)
def test_planted_fault_is_found_and_named(pair_run, planted, limits, code, faults, status, words, advice):
    assert judged(pair_run, limits, code).status == "pass"
    found = judged(planted(pair_run, {name: estimate(value) for name, value in faults.items()}), limits, code)
    assert found.status == status
    assert words in found.message
    assert advice in found.action


def test_a_wander_that_chance_explains_passes(pair_run, planted, limits):
    run = planted(
        pair_run,
        {
            "upper.wander_px": Estimate(value=1.4, sigma=0.9),
            "upper.wander_ratio": Estimate(value=1.3, sigma=0.2),
        },
    )
    assert judged(run, limits, "CAL50").status == "pass"


def test_the_camera_whose_wander_is_sure_speaks(pair_run, planted, limits):
    run = planted(
        pair_run,
        {
            "upper.wander_px": Estimate(value=3.0, sigma=2.0),
            "upper.wander_ratio": Estimate(value=1.3, sigma=0.2),
            "lower.wander_px": Estimate(value=2.9, sigma=0.3),
            "lower.wander_ratio": Estimate(value=3.0, sigma=0.4),
        },
    )
    assert "in lower" in judged(run, limits, "CAL50").action


def test_an_interlaced_file_without_torn_pictures_passes_and_says_so(pair_run, planted, limits):
    """Whole pictures are often kept in files that say interlaced."""
    found = judged(planted(pair_run, {"upper.stated_interlaced": 1.0}), limits, "CAL52")
    assert found.status == "pass"
    assert "interlaced: upper" in found.message
    assert "Nothing is torn here" in found.message


def test_pairing_and_swapped_clips_go_before_what_they_spoil(pair_run, planted, limits):
    run = planted(pair_run, {"stereo.together_ratio": 600.0})
    for code in ("CAL02", "CAL01", "CAL03"):
        found = judged(run, limits, code)
        assert (found.status, "CAL51" in found.message) == ("skipped", True)
    run = planted(pair_run, {"prior.baseline_turned_deg": 159.0})
    assert "CAL54" in judged(run, limits, "CAL13").message


def test_a_squeezed_picture_is_not_blamed_on_the_print(pair_run, planted, limits):
    run = planted(
        pair_run,
        {
            "upper.focal_ratio": Estimate(value=0.75, sigma=0.0002),
            "upper.pixel_aspect_error": Estimate(value=0.25, sigma=0.0002),
        },
    )
    action = judged(run, limits, "CAL21").action
    assert "CAL53" in action
    assert "calipers" not in action


@pytest.mark.parametrize(
    ("code", "names"),
    [
        ("CAL50", ("upper.wander_px", "lower.wander_px")),
        ("CAL51", ("stereo.together_ratio",)),
        ("CAL52", ("upper.fields_apart_px", "lower.fields_apart_px")),
        ("CAL53", ("upper.focal_ratio", "lower.focal_ratio")),
        ("CAL54", ("prior.baseline_turned_deg",)),
        ("CAL55", ("board.size_factor",)),
    ],
)
@pytest.mark.parametrize("how", ["absent", "without value"])
def test_what_was_not_measured_is_skipped(pair_run, planted, limits, code, names, how):
    missing = None if how == "absent" else Estimate(value=None, reason="the lamp was off")
    found = judged(planted(pair_run, dict.fromkeys(names, missing)), limits, code)
    assert found.status == "skipped"
    assert found.action
