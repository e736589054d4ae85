"""Every focus check on its planted fault, without it, and where nothing can be told; and the drawing of it."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.checks import Limits, effective_limits, run_checks
from rigcheck.checks.focus import CHECKS
from rigcheck.face.focus_moment import FocusMoment
from rigcheck.face.focus_regions import FOCUS_REGIONS
from rigcheck.face.focus_run import CameraFocused, FocusRun, focus_run
from rigcheck.geometry.optics import ThinLens, depth_limits_mm
from rigcheck.model import CameraDescription, Estimate, FrameRef
from rigcheck.report.focus_pictures import focus_figures

LIMITS = Limits(effective_limits())
CODES = [check.code for check in CHECKS]
_BOX = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]])


def _moment(camera, regions, smear=0.5):
    outlines = {
        name: (_BOX + np.array([200 + 70 * k, 300 + 50 * k]),) for k, name in enumerate(FOCUS_REGIONS)
    }
    return FocusMoment(
        ref=FrameRef(camera=camera, frame_idx=3, origin=f"{camera}.png"),
        size_px=(1080, 1440),
        regions=regions,
        outlines=outlines,
        smear=Estimate(value=smear, sigma=0.3, unit="px", n=60),
    )


def _good(**changed):
    values = {"eyes": 0.15, "cheeks": 0.24, "lips": 0.28, "nose_tip": 0.26, "sides": 0.23} | changed
    return {name: Estimate(value=value, sigma=0.008, n=40) for name, value in values.items()}


def _depths(plane, *, eye=205.0, cheek=200.0, chin=214.0, sigma=3.5, aperture=1.71):
    reach = 1420 * aperture
    numbers = {
        "plane_depth_mm": Estimate(value=plane, sigma=sigma, unit="mm", n=300),
        "near_mm": Estimate(value=1 / (1 / plane + 2 / reach), unit="mm"),
        "far_mm": Estimate(value=1 / (1 / plane - 2 / reach), unit="mm"),
        "plane_from_lens_mm": Estimate(value=plane - 202.0, sigma=sigma, unit="mm"),
        "lens_near_mm": Estimate(value=176.0, unit="mm"),
        "lens_far_mm": Estimate(value=240.0, unit="mm"),
    }
    for part, depth in (("eye", eye), ("cheek", cheek), ("chin", chin)):
        numbers[f"{part}_depth_mm"] = Estimate(value=depth, sigma=1.0, unit="mm", n=4)
        numbers[f"plane_from_{part}_mm"] = Estimate(value=plane - depth, sigma=sigma, unit="mm")
        disc = reach * abs(1 / depth - 1 / plane)
        numbers[f"{part}_disc_px"] = Estimate(value=disc, sigma=reach * sigma / plane**2, unit="px")
    return numbers


def _run(regions=None, *, smear=0.5, depths=None, calibrated=True):
    """Upper as given, lower good."""
    seen = [("upper", regions or _good(), smear), ("lower", _good(), 0.5)]
    made = focus_run([CameraFocused(name=name, moments=(_moment(name, each, s),)) for name, each, s in seen])
    numbers = dict(made.measurements)
    for name, found in (("upper", depths or _depths(202.0)), ("lower", _depths(203.0))):
        numbers |= {f"focus.{name}.{key}": value for key, value in found.items()}
    return FocusRun(cameras=made.cameras, measurements=numbers, calibrated=calibrated)


def _results(run):
    return {result.code: result for result in run_checks(CHECKS, run, LIMITS)}


def test_a_good_clip_passes_every_check():
    assert {result.code: result.status for result in _results(_run()).values()} == dict.fromkeys(
        CODES, "pass"
    )


SOFT = {"cheeks": 0.06, "lips": 0.07, "nose_tip": 0.06, "sides": 0.06}
FAULTS = {
    "FOC01": (_run(_good(eyes=0.03)), "fail"),
    "FOC02": (_run(_good(**SOFT)), "fail"),
    "FOC03": (_run(smear=6.0), "fail"),
    "FOC04": (_run(_good(**SOFT)), "caution"),
    "FOC05": (_run(depths=_depths(140.0)), "fail"),
    "FOC06": (_run(depths=_depths(345.0)), "fail"),
    "FOC07": (_run(depths=_depths(202.0, chin=330.0)), "caution"),
    "FOC08": (_run(depths=_depths(240.0)), "caution"),
}


@pytest.mark.parametrize("code", CODES)
def test_each_check_sees_its_planted_fault(code):
    run, status = FAULTS[code]
    result = _results(run)[code]
    assert result.status == status
    assert "upper" in result.action


def test_advice_says_which_way_how_far_and_what_it_costs():
    nearer, farther = (_results(_run(depths=_depths(plane)))["FOC05"].action for plane in (270.0, 150.0))
    assert "68 mm nearer" in nearer  # from 270 to midway between 205 and 200
    assert "52 mm farther" in farther
    for action in (nearer, farther):
        assert "voids the calibration" in action


def test_plain_skin_is_inconclusive_and_not_soft():
    plain = dict.fromkeys(
        FOCUS_REGIONS, Estimate(value=None, n=9, reason="too little contrast to tell soft from plain")
    )
    found = _results(_run(plain))
    for code in ("FOC01", "FOC02", "FOC04"):
        assert found[code].status == "inconclusive"
        assert "contrast" in found[code].message


def test_small_aperture_is_not_judged_and_no_calibration_does_not_apply():
    missing = Estimate(
        value=None, unit="mm", reason="the blur disc grows by 0.03 px/mm only (small aperture)"
    )
    slow = dict.fromkeys(_depths(200.0), missing)
    found = _results(_run(depths=slow))
    assert found["FOC05"].status == "skipped"
    assert "small aperture" in found["FOC05"].message
    assert found["FOC05"].action.startswith("Nothing to turn")
    assert _results(_run(calibrated=False))["FOC05"].status == "skipped"


def test_motion_is_not_called_defocus():
    found = _results(_run(_good(**SOFT), smear=6.0))["FOC02"]
    assert "motion" in found.action
    assert "Turn" not in found.action


@pytest.mark.parametrize(
    ("focal_mm", "f_number", "near_mm", "far_mm"),
    [(6, 2.8, 181.1, 223.2), (6, 4, 174.1, 234.9), (8, 4, 184.7, 218.1), (4, 5.6, 135.7, 379.8)],
)
def test_computed_depth_of_field_is_the_published_table(focal_mm, f_number, near_mm, far_mm):
    """Handbook, section 3: exact thin-lens limits at 200 mm for a disc of 2 pixels of 3.45 um."""
    described = CameraDescription(
        name="a",
        focal_length_mm=focal_mm,
        f_number=f_number,
        focused_at_mm=200.0,
        pixel_pitch_um=3.45,
    )
    run = focus_run([CameraFocused(name="a", moments=(), described=described)])
    assert run.number("a", "lens_near_mm").value == pytest.approx(near_mm, abs=0.05)  # digits printed
    assert run.number("a", "lens_far_mm").value == pytest.approx(far_mm, abs=0.05)
    lens = ThinLens(focal_length_mm=focal_mm, f_number=f_number, focused_at_mm=200.0)
    assert depth_limits_mm(lens, 0.0069)[0] == pytest.approx(near_mm, abs=0.05)


def test_the_drawing_says_without_colour_what_is_sharp():
    run = _run(_good(eyes=0.03))
    pictures = {"upper": np.full((1440, 1080), 120, dtype=np.uint8)}
    upper, lower = focus_figures(run, LIMITS, pictures)
    assert upper.shown
    assert not lower.shown
    assert "very soft: eyes" in upper.caption
    assert "very soft" not in lower.caption.partition("Here")[2]
    assert "focus 202" in upper.svg
    assert "url(#focus0verysoft)" in upper.svg
    assert "http" not in upper.svg


def test_no_judged_moment_draws_nothing_and_judges_nothing():
    reason = "points of eyes are needed"
    moment = FocusMoment(ref=FrameRef(camera="a", frame_idx=0, origin="a"), size_px=(64, 64), reason=reason)
    run = focus_run([CameraFocused(name="a", moments=(moment,))])
    assert run.camera("a").shown is None
    assert focus_figures(run, LIMITS, {}) == ()
    assert {result.status for result in _results(run).values()} <= {"inconclusive", "skipped"}


def test_a_face_that_hardly_moves_is_not_smeared():
    moment = _moment("a", _good(), smear=6.0)
    still, moving = (
        focus_run([CameraFocused(name="a", moments=(replace(moment, moved_px=moved),))]).number(
            "a", "smear_px"
        )
        for moved in (0.2, 12.0)
    )
    assert still.value == pytest.approx(1.2)  # what it moved, and a pixel
    assert moving.value == 6.0
