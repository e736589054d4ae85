"""Checks of the time between cameras: each passes, finds its planted fault, and skips with a reason."""

import dataclasses

import pytest

from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, overall_verdict, run_checks
from rigcheck.checks.calibration_sync import SKIN_SPEED_MM_S
from rigcheck.model import Estimate


def judged(run, limits, code):
    return {found.code: found for found in run_checks(CALIBRATION_CHECKS, run, limits)}[code]


def offset(value, sigma=0.01):
    return {"stereo.time_offset_ms": Estimate(value=value, sigma=sigma, unit="ms", n=100)}


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("size_ms", "status"),
    [(0.0, "pass"), (0.37, "pass"), (0.5, "caution"), (0.99, "inconclusive"), (1.1, "fail")],
)
def test_a_delay_is_judged_either_way(pair_run, planted, limits, size_ms, status, sign):
    found = judged(planted(pair_run, offset(sign * size_ms)), limits, "CAL30")
    assert found.status == status
    assert found.estimate.value == size_ms
    if size_ms:
        late, early = ("lower", "upper") if sign > 0 else ("upper", "lower")
        assert f"{late}'s pictures are taken {size_ms:.3f} ± 0.010 ms later than {early}'s" in found.message
        assert bool(found.action) == (status != "pass")
        if found.action:
            assert f"let {late} start {size_ms:.2f} ms earlier" in found.action


def test_a_failed_delay_fails_the_whole(pair_run, planted, limits):
    results = run_checks(CALIBRATION_CHECKS, planted(pair_run, offset(1.5)), limits)
    assert overall_verdict(results) == "fail"


def test_harm_is_that_of_the_handbook(pair_run, planted, limits):
    # Handbook of the field, 2.10: 100 mm/s, 1 ms: 0.25 mm (Z 200 mm, B 80 mm). The rig here has B 72 mm and
    # the face at 200 mm: 0.25 * 80 / 72.
    message = judged(planted(pair_run, offset(1.0)), limits, "CAL30").message
    assert f"{0.25 * 80 / 72:.2f} mm in depth" in message
    assert SKIN_SPEED_MM_S == 100.0


def test_limits_are_what_their_source_says():
    band = Limits(effective_limits()).band("sync.offset_ms")
    harm = Limits(effective_limits()).band("harm.depth_mm")
    depth_of_a_ms = 200.0 * SKIN_SPEED_MM_S * 1e-3 / 80.0
    assert band.caution * depth_of_a_ms == pytest.approx(harm.caution)
    assert band.fail * depth_of_a_ms == pytest.approx(harm.fail)
    # Of a whole frame at 60 frames/s, and of two crystals after a minute.
    assert 1e3 / 60 * depth_of_a_ms == pytest.approx(4.2, abs=0.05)
    minute_ms = 60e3
    assert minute_ms * 20e-6 == pytest.approx(1.2)


@pytest.mark.parametrize(("sigma", "status"), [(0.3, "caution"), (0.8, "inconclusive")])
def test_a_board_that_hardly_moved_is_asked_to_move(pair_run, planted, limits, sigma, status):
    found = judged(planted(pair_run, offset(0.1, sigma)), limits, "CAL30")
    assert found.status == status
    assert f"not known well enough (± {2 * sigma:.2f} ms)" in found.action
    assert "to and fro" in found.action
    assert "earlier" not in found.action


@pytest.mark.parametrize(
    ("shift", "words"), [(1, "1 frame after"), (-1, "1 frame before"), (3, "3 frames after")]
)
def test_whole_frames_are_named_with_the_option_that_mends_them(pair_run, planted, limits, shift, words):
    measurements = {
        "stereo.frame_shift": Estimate(value=float(shift), n=100),
        "stereo.offset_frames": Estimate(value=float(shift + 2), n=100),
    }
    found = judged(planted(pair_run, measurements), limits, "CAL31")
    assert found.status == "fail"
    assert words in found.message
    assert f"--offset-frames {shift + 2}." in found.action
    measurements["stereo.offset_frames"] = Estimate(value=None, reason="paired part by part")
    found = judged(planted(pair_run, measurements), limits, "CAL31")
    assert found.status == "fail"
    assert "timecode" in found.action


def test_free_running_cameras_are_pointed_out(pair_run, planted, limits):
    run = planted(pair_run, {"stereo.free_running": Estimate(value=1.0)})
    found = judged(run, limits, "CAL32")
    assert found.status == "caution"
    assert "this clip only" in found.message
    assert "one trigger" in found.action


@pytest.mark.parametrize(
    ("code", "name"), [("CAL30", "stereo.time_offset_ms"), ("CAL31", "stereo.frame_shift")]
)
def test_what_was_not_measured_is_skipped_and_holds_nothing_up(pair_run, planted, limits, code, name):
    run = planted(pair_run, {name: Estimate(value=None, reason="the clips are picture folders")})
    found = judged(run, limits, code)
    assert (found.status, found.required) == ("skipped", False)
    assert "the clips are picture folders" in found.message
    assert "to and fro" in found.action
    absent = judged(planted(pair_run, {name: None}), limits, code)
    assert absent.status == "skipped"
    assert overall_verdict(run_checks(CALIBRATION_CHECKS, planted(pair_run, {name: None}), limits)) == "pass"


def test_a_rig_file_that_says_nothing_is_no_matter(pair_run, planted, limits):
    found = judged(planted(pair_run, {"stereo.free_running": None}), limits, "CAL32")
    assert (found.status, found.required) == ("skipped", False)


def test_one_camera_has_no_time_between_cameras(single_run, limits):
    for code in ("CAL30", "CAL31", "CAL32"):
        assert "one camera only" in judged(single_run, limits, code).message


def test_a_delay_costs_more_on_a_shorter_baseline(pair_run, planted, limits):
    pose = pair_run.calibration.stereo.camera2_from_camera1
    short = dataclasses.replace(pose, translation_mm=pose.translation_mm / 2)
    stereo = dataclasses.replace(pair_run.calibration.stereo, camera2_from_camera1=short)
    calibration = dataclasses.replace(pair_run.calibration, stereo=stereo)
    run = planted(pair_run, offset(0.9), calibration=calibration)
    assert f"{2 * 0.25 * 80 / 72 * 0.9:.2f} mm in depth" in judged(run, limits, "CAL30").message


def test_a_wrong_pairing_is_named_before_the_solution_it_spoils(pair_run, planted, limits):
    """Pictures a frame apart give no solution: the remedy is the pairing, not more footage."""
    run = planted(pair_run, {"stereo.frame_shift": Estimate(value=-1.0, unit="frames", n=100)})
    results = {found.code: found for found in run_checks(CALIBRATION_CHECKS, run, limits)}
    assert results["CAL31"].status == "fail"
    assert "--offset-frames" in results["CAL31"].action
    assert results["CAL02"].status == "skipped"
    assert "CAL31" in results["CAL02"].message
    assert overall_verdict(results.values()) == "fail"
