"""Checks of focus: each passes, is shown to find its fault, skips when unmeasured; sources recomputed."""

import pytest

from rigcheck.calibration.focus import USABLE_DISC_PX
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, overall_verdict, run_checks
from rigcheck.geometry.optics import GAUSSIAN_MTF50, ThinLens, blur_disc_mm, depth_limits_mm
from rigcheck.model import Estimate

CODES = ("CAL40", "CAL41", "CAL42", "CAL43", "CAL44")
# Code, measurement, just good, cautioned, failed (None where there is no such limit).
LADDER = [
    ("CAL40", "focus_from_face_mm", 9.9, 10.1, 25.1),
    ("CAL40", "focus_from_face_mm", -9.9, -10.1, -25.1),
    ("CAL41", "face_depth_covered", 0.71, 0.69, 0.39),
    ("CAL42", "mtf50_cy_px", 0.151, 0.149, 0.079),
    ("CAL43", "mtf50_evenness", 0.61, 0.59, None),
    ("CAL44", "focus_from_lens_data_mm", -19.0, -21.0, None),
]
PIXEL_MM = 0.00345


def judged(run, limits, code):
    return {found.code: found for found in run_checks(CALIBRATION_CHECKS, run, limits)}[code]


@pytest.mark.parametrize("camera", ["upper", "lower"])
@pytest.mark.parametrize(("code", "name", "good", "worse", "bad"), LADDER)
def test_ladder(pair_run, planted, limits, camera, code, name, good, worse, bad):
    for value, status in ((good, "pass"), (worse, "caution"), (bad, "fail")):
        if value is None:
            continue
        found = judged(planted(pair_run, {f"{camera}.{name}": Estimate(value=value)}), limits, code)
        assert found.status == status
        assert bool(found.action) == (status != "pass")
        if status != "pass":
            assert camera in found.action


def test_uncertain_plane_across_the_fail_limit_is_inconclusive(pair_run, planted, limits):
    run = planted(pair_run, {"upper.focus_from_face_mm": Estimate(value=22.0, sigma=3.0, unit="mm")})
    found = judged(run, limits, "CAL40")
    assert found.status == "inconclusive"
    # Not required: it costs no more than a caution.
    assert overall_verdict(run_checks(CALIBRATION_CHECKS, run, limits)) == "caution"


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("how", ["never", "reason"])
def test_unmeasured_is_skipped_with_the_reason(pair_run, planted, limits, code, how):
    names = {row[1] for row in LADDER if row[0] == code}
    missing = None if how == "never" else Estimate(value=None, reason="the lamp was off")
    run = planted(pair_run, {f"{camera}.{name}": missing for camera in ("upper", "lower") for name in names})
    found = judged(run, limits, code)
    assert found.status == "skipped"
    assert not found.required
    assert ("the lamp was off" if how == "reason" else "was not measured") in found.message


@pytest.mark.parametrize(
    ("off_mm", "words"),
    [
        (14.0, "14 mm nearer, away from the infinity mark"),
        (-14.0, "14 mm farther, towards the infinity mark"),
    ],
)
def test_advice_says_which_way_and_that_refocusing_voids(pair_run, planted, limits, off_mm, words):
    run = planted(
        pair_run,
        {
            "upper.focus_from_face_mm": Estimate(value=off_mm, sigma=1.0, unit="mm"),
            "upper.focus_depth_mm": Estimate(value=200.0 + off_mm, sigma=1.0, unit="mm"),
        },
    )
    action = judged(run, limits, "CAL40").action
    assert words in action
    assert f"from {200 + off_mm:.0f} to 200 mm" in action
    assert "Refocusing voids this calibration" in action


def test_shallow_depth_is_mended_by_focus_first_then_iris(pair_run, planted, limits):
    shallow = {"upper.face_depth_covered": Estimate(value=0.5)}
    assert "Close upper's iris" in judged(planted(pair_run, shallow), limits, "CAL41").action
    off = shallow | {"upper.focus_from_face_mm": Estimate(value=15.0)}
    assert "First bring the plane of focus" in judged(planted(pair_run, off), limits, "CAL41").action


def test_measured_and_lens_data_are_both_shown(pair_run, limits):
    assert "203 ± 1 mm" in judged(pair_run, limits, "CAL40").message
    assert "From lens data: upper 199 mm" in judged(pair_run, limits, "CAL40").message
    assert (
        "upper 168 to 248 mm measured, not known from lens data" in judged(pair_run, limits, "CAL41").message
    )


def test_softest_part_is_named(pair_run, planted, limits):
    run = planted(
        pair_run,
        {
            "lower.mtf50_evenness": Estimate(value=0.4),
            "lower.mtf50_middle_cy_px": Estimate(value=0.3),
            "lower.mtf50_upper_right_cy_px": Estimate(value=0.12),
        },
    )
    assert "lower is soft in the upper right of its picture" in judged(run, limits, "CAL43").action


def lens(f_number):
    return ThinLens(focal_length_mm=6.0, f_number=f_number, focused_at_mm=200.0)


def test_sources_of_the_focus_limits():
    """What the limits quote, from the thin-lens formulas (handbook section 3)."""
    found = [blur_disc_mm(lens(2.8), 210.5), blur_disc_mm(lens(4.0), 216.1), blur_disc_mm(lens(2.8), 223.2)]
    assert [float(each) / PIXEL_MM for each in found] == pytest.approx([1.0, 1.0, 2.0], rel=0.06)  # whole mm
    for f_number, share in ((2.8, 0.53), (4.0, 0.76), (5.6, 0.93)):
        near, far = depth_limits_mm(lens(f_number), USABLE_DISC_PX * PIXEL_MM)
        covered = (min(far, 240.0) - max(near, 160.0)) / 80.0
        assert covered == pytest.approx(share, abs=0.005)  # two digits
    limits = Limits(effective_limits())
    assert pytest.approx(limits["sharpness.mtf50_cy_px.caution"].value, rel=0.01) == GAUSSIAN_MTF50 / 1.25
    assert pytest.approx(limits["sharpness.mtf50_cy_px.fail"].value, rel=0.03) == GAUSSIAN_MTF50 / 2.3
