"""The checks of what RMS hides: each passes, finds its planted fault, names it, and skips what was not measured."""

import dataclasses

import numpy as np
import pytest

from rigcheck.checks import CALIBRATION_CHECKS, overall_verdict, run_checks
from rigcheck.model import Estimate, RigidTransform

BLIND = ("CAL20", "CAL21", "CAL22", "CAL23", "CAL24")


def judged(run, limits, code):
    return {found.code: found for found in run_checks(CALIBRATION_CHECKS, run, limits)}[code]


@pytest.mark.parametrize("code", BLIND)
def test_sound_run_passes_with_a_number_and_a_limit(pair_run, single_run, limits, code):
    for run in (pair_run, single_run):
        found = judged(run, limits, code)
        assert (found.status, found.action) == ("pass", "")
        assert found.estimate.value is not None
        assert found.estimate.sigma is not None
        assert "≤" in found.limit


# Code, measurements planted, status, words of the message, words of the advice.
FAULTS = [
    # A bow of 0.1 mm by the handbook's section 2.4: bias ratio 0.65.
    (
        "CAL20",
        {"lower.bias_ratio": (0.65, 0.03)},
        "caution",
        "lower 0.65 ± 0.03",
        "straight edge on the board",
    ),
    ("CAL20", {"lower.bias_ratio": (0.19, 0.03)}, "caution", "noise", "lower's picture"),
    # A print stretched 0.5 % in x (sections 2.4 and 9, test 5): fx/fy 1.0049.
    (
        "CAL21",
        {"upper.pixel_aspect_error": (0.0049, 0.0002), "upper.focal_ratio": (1.0049, 0.0002)},
        "caution",
        "upper 1.00490 ± 0.00020",
        "0.49 % longer across than down",
    ),
    (
        "CAL21",
        {"upper.pixel_aspect_error": (0.0003, 0.0009)},
        "caution",
        "square",
        "do not tell the two apart",
    ),
    # Decentring left out, simulated: 0.025 px, twice what noise gives.
    (
        "CAL22",
        {"lower.pattern_px": (0.025, 0.003), "lower.pattern_ratio": (2.0, 0.19)},
        "caution",
        "lower left of lower's picture as recorded (x 100, y 1300 px): 0.070 ± 0.010 px, 0.010 mm",
        "lens model does not fit lower's lens",
    ),
    # A print 1 % too large (section 9, test 4).
    (
        "CAL23",
        {"board.length_error": (-0.0099, 0.0002)},
        "fail",
        "0.990 ± 0.020 % short, 1.980 mm",
        "calipers",
    ),
    ("CAL23", {"board.length_error": (0.0008, 0.0001)}, "caution", "long", "need not be filmed again"),
    ("CAL23", {"board.length_error": (0.0005, 0.002)}, "inconclusive", "long", "calipers"),
    (
        "CAL24",
        {
            "clip.drift_depth_mm": (0.45, 0.05),
            "clip.drift_ratio": (5.0, 0.32),
            "stereo.convergence_drift_deg": (0.05, 0.005),
        },
        "caution",
        "convergence 0.0500 ± 0.0050°",
        "warm up for 15 to 30 minutes",
    ),
]


@pytest.mark.parametrize(("code", "faults", "status", "said", "advised"), FAULTS)
def test_planted_fault(pair_run, planted, limits, code, faults, status, said, advised):
    run = planted(pair_run, {name: Estimate(value=v, sigma=s) for name, (v, s) in faults.items()})
    run = planted(
        run, {name: dataclasses.replace(run.measurements[name], unit=unit(name)) for name in faults}
    )
    found = judged(run, limits, code)
    assert found.status == status
    assert said in found.message
    assert advised in found.action
    expected = {"inconclusive": "caution"}.get(status, status)  # none of them is required
    assert overall_verdict(run_checks(CALIBRATION_CHECKS, run, limits)) == expected


def unit(name):
    return name.rpartition("_")[2] if name.rpartition("_")[2] in ("mm", "px", "deg") else ""


@pytest.mark.parametrize(
    ("code", "measurements"),
    [
        # Larger than the limit by chance: no clearer than noise.
        ("CAL22", {"lower.pattern_px": (0.03, 0.02), "lower.pattern_ratio": (1.3, 0.15)}),
        ("CAL24", {"clip.drift_depth_mm": (0.2, 0.1), "clip.drift_ratio": (1.6, 0.32)}),
        # Within both expanded uncertainties of usual calipers (ISO/IEC 17043, |E_n| <= 1; from memory).
        ("CAL23", {"board.length_error": (0.0006, 0.00035)}),
    ],
)
def test_what_chance_explains_is_no_fault(pair_run, planted, limits, code, measurements):
    run = planted(pair_run, {name: Estimate(value=v, sigma=s) for name, (v, s) in measurements.items()})
    assert judged(run, limits, code).status == "pass"


def test_a_clear_pattern_is_not_hidden_by_a_larger_doubtful_one(pair_run, planted, limits):
    run = planted(
        pair_run,
        {
            "upper.pattern_px": Estimate(value=0.03, sigma=0.004, unit="px"),
            "upper.pattern_ratio": Estimate(value=2.2, sigma=0.2),
            "lower.pattern_px": Estimate(value=0.05, sigma=0.04, unit="px"),
            "lower.pattern_ratio": Estimate(value=1.2, sigma=0.2),
        },
    )
    found = judged(run, limits, "CAL22")
    assert (found.status, found.estimate.value) == ("caution", 0.03)
    assert "does not fit upper's lens" in found.action


def test_stretch_is_named_along_the_board_as_it_was_held(pair_run, planted, limits):
    """A board held turned by 90 degrees: what is wide in the picture is its height; by 45, nothing is said."""
    measurements = {
        "upper.pixel_aspect_error": Estimate(value=0.005, sigma=0.0001),
        "upper.focal_ratio": Estimate(value=1.005, sigma=0.0001),
    }
    words = {0: "longer across than down", 90: "longer down than across", 45: "longer one way"}
    for degrees, said in words.items():
        turn = np.radians(degrees)
        rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
        pose = RigidTransform(rotation=rotation, translation_mm=np.array([0, 0, 200.0]))
        views = tuple(dataclasses.replace(view, camera1_from_board=pose) for view in pair_run.views)
        assert said in judged(planted(pair_run, measurements, views=views), limits, "CAL21").action
    narrower = measurements | {"upper.focal_ratio": Estimate(value=0.995, sigma=0.0001)}
    assert "longer down than across" in judged(planted(pair_run, narrower), limits, "CAL21").action


NAMES = {
    "CAL20": ("upper.bias_ratio", "lower.bias_ratio"),
    "CAL21": ("upper.pixel_aspect_error", "lower.pixel_aspect_error"),
    "CAL22": ("upper.pattern_px", "lower.pattern_px"),
    "CAL23": ("board.length_error",),
    "CAL24": ("clip.drift_depth_mm",),
}


@pytest.mark.parametrize("code", BLIND)
@pytest.mark.parametrize("how", ["absent", "reason"])
def test_what_was_not_measured_is_skipped_and_holds_up_nothing(pair_run, planted, limits, code, how):
    missing = None if how == "absent" else Estimate(value=None, reason="the lamp was off")
    run = planted(pair_run, dict.fromkeys(NAMES[code], missing))
    found = judged(run, limits, code)
    assert found.status == "skipped"
    assert found.action
    expected = (
        "not measured" if how == "absent" else "known length" if code == "CAL23" else "the lamp was off"
    )
    assert expected in found.message
    assert overall_verdict(run_checks(CALIBRATION_CHECKS, run, limits)) == "pass"


def test_known_length_not_given_says_how_to_give_it(pair_run, planted, limits):
    run = planted(pair_run, {"board.length_error": Estimate(value=None, reason="no known length")})
    assert "held_out_length_mm" in judged(run, limits, "CAL23").message


def test_bias_tells_what_a_flat_board_would_have_left(pair_run, planted, limits):
    run = planted(pair_run, {"upper.bias_ratio_flat": Estimate(value=0.7, sigma=0.03)})
    found = judged(run, limits, "CAL20")
    assert found.status == "pass"  # the shape was solved for: nothing is left to mend in this calibration
    assert "taken as flat: upper 0.70 ± 0.03" in found.message
