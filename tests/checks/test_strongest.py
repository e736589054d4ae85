"""Handbook section 9, tests 3, 4, 5 and 9, from projected corners to the verdict: each fails on its planted fault,
while RMS and epipolar error stay within their limits, and passes without.
"""

from dataclasses import replace

import numpy as np
import pytest
from hand_motion import corners_at, wave
from synthetic import BOARD, Noise, board_poses, observe, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.calibration.synchrony import synchrony_measurements
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, run_checks
from rigcheck.model import BoardMeasurement, FrameRef, Observation, Provenance, RigidTransform

WHOLE = reference_rig()
# Square pixels: the reference rig's own focal lengths differ by 0.06 %.
RIG = replace(
    WHOLE,
    camera1=replace(WHOLE.camera1, focal_px=(1420.0, 1420.0)),
    camera2=replace(WHOLE.camera2, focal_px=(1411.0, 1411.0)),
)
CAMERAS = (RIG.camera1, RIG.camera2)
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in CAMERAS]
PROVENANCE = Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate")
# The first inner corner to the last, as calipers found it on the print.
DIAGONAL_MM = float(np.hypot(7 * 9.0, 10 * 9.0))
DESCRIBED = replace(BOARD, held_out_length_mm=DIAGONAL_MM)
MEASURED = BoardMeasurement(across_mm=81.0, across_squares=9, down_mm=108.0, down_squares=12, u_mm=0.01)


def solution_of(points_mm, described=DESCRIBED, *, flat_board=False, seed=0):
    """Twelve hand-held pairs of a board whose corners really are where `points_mm` says; 0.05 px of noise."""
    rng, views, second = np.random.default_rng([97, seed]), [], RIG.camera2_from_camera1
    for number, pose in enumerate(board_poses(rng, 12)):
        lower = RigidTransform(
            rotation=second.rotation @ pose.rotation, translation_mm=second.apply(pose.translation_mm)
        )
        views.append(
            tuple(
                observe(camera, points_mm, seen, rng, noise=Noise(sigma_px=0.05), frame_idx=number)
                for camera, seen in zip(CAMERAS, (pose, lower), strict=True)
            )
        )
    return solve(views, described, SETUPS, lenses=[LENSES["brown4"]], flat_board=flat_board)


def judged(solution, more=None):
    run = calibration_run(solution, provenance=PROVENANCE, working_distance_mm=195.0)
    run = replace(run, measurements=run.measurements | (more or {}))
    return {found.code: found for found in run_checks(CALIBRATION_CHECKS, run, Limits(effective_limits()))}


def bowed(height_mm):
    points = BOARD.corners_mm.copy()
    u, v = ((points[:, :2] - [40.5, 54.0]) / [40.5, 54.0]).T
    points[:, 2] = height_mm * (u**2 + v**2)
    return points


def blind(found):
    """What a plain report would show says nothing."""
    return found["CAL03"].status == found["CAL04"].status == "pass"


def test_3_a_bow_of_a_tenth_of_a_millimetre():
    """RMS passes, the ratio of noise to bias must flag (board taken as flat), and so must the height solved for."""
    for height_mm, status in ((0.1, "caution"), (0.0, "pass")):
        taken_as_flat = judged(solution_of(bowed(height_mm), flat_board=True))
        assert blind(taken_as_flat)
        assert taken_as_flat["CAL20"].status == status
        assert judged(solution_of(bowed(height_mm)))["CAL12"].status == status


def test_4_a_print_one_per_cent_too_large():
    """RMS is blind, the known length must flag."""
    for scale, status in ((1.01, "fail"), (1.0, "pass")):
        board = replace(DESCRIBED, measured=MEASURED, held_out_length_mm=scale * DIAGONAL_MM)
        found = judged(solution_of(scale * BOARD.corners_mm, board))
        assert blind(found)
        assert found["CAL23"].status == status


def test_5_a_print_stretched_by_half_a_per_cent():
    """fx / fy comes out as 1.0049."""
    for stretch, status in ((1.005, "caution"), (1.0, "pass")):
        solution = solution_of(BOARD.corners_mm * [stretch, 1.0, 1.0])
        found = judged(solution)
        assert blind(found)
        assert found["CAL21"].status == status
        fx, fy = solution.adjustment.state.intrinsics[0][:2]
        assert fx / fy == pytest.approx(1.0049 if stretch > 1 else 1.0, abs=6e-4)  # poses and noise: 2e-4


@pytest.fixture(scope="module")
def still():
    return solution_of(BOARD.corners_mm)


def moving_runs(offset_s, *, rate_hz=60.0, length=8):
    """Seventeen runs of pictures of a waved board over ten seconds, camera 2 late."""
    rng, runs = np.random.default_rng([98, 0]), []
    motion = wave(rng, 80.0)
    for start in np.linspace(0, 10 * rate_hz - length, 17).round().astype(int):
        run = []
        for frame_idx in range(int(start), int(start) + length):
            sides = []
            for number, camera in enumerate(CAMERAS):
                seen = corners_at(RIG, motion, number, frame_idx / rate_hz + number * offset_s)
                kept = np.flatnonzero(np.isfinite(seen).all(1))
                ref = FrameRef(
                    camera=camera.name, frame_idx=frame_idx, origin="synthetic", time_s=frame_idx / rate_hz
                )
                sides.append(
                    Observation(
                        ref=ref,
                        corner_ids=kept,
                        corners_px=seen[kept] + rng.normal(0, 0.07, (len(kept), 2)),
                        sigma_px=np.full(len(kept), 0.07),
                    )
                )
            run.append(tuple(sides))
        runs.append(run)
    return runs


@pytest.mark.parametrize(("offset_ms", "status"), [(-2.0, "fail"), (0.6, "caution"), (0.0, "pass")])
def test_9_the_slope_of_the_epipolar_residual_on_speed_is_the_delay(still, offset_ms, status):
    timing = synchrony_measurements(moving_runs(offset_ms / 1e3), still, offset_frames=0)
    assert timing["stereo.time_offset_ms"].value == pytest.approx(offset_ms, abs=0.05 + 0.03 * abs(offset_ms))
    found = judged(still, timing)
    assert blind(found)  # still views of the same rig show nothing of it
    assert found["CAL30"].status == status
