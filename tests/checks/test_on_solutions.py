"""The checks on real solutions of simulated footage: from corners to verdict, and to the file and back."""

import re

import numpy as np
import pytest

from rigcheck.calibration import CameraSetup, calibration_run, solve
from rigcheck.calibration.start import LENSES
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, overall_verdict, run_checks
from rigcheck.model import BoardMeasurement, BoardSpec, FrameRef, Observation
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text, make_provenance, read_calibration

SIZE_PX = (1080, 1440)
NOISE_PX = 0.08
K = np.array([[1420.0, 0.0, 539.5], [0.0, 1420.0, 719.5], [0.0, 0.0, 1.0]])
DISTORTION = np.array([-0.08, 0.05, 0.0, 0.0])
TOE_IN = cv2.Rodrigues(np.array([0.0, np.deg2rad(21.0), 0.0]))[0]
BOARD = BoardSpec(
    name="simulated",
    kind="charuco",
    squares=(9, 12),
    square_mm=9.0,
    marker_mm=6.75,
    dictionary="DICT_5X5_100",
    measured=BoardMeasurement(across_mm=81.0, across_squares=9, down_mm=108.0, down_squares=12, u_mm=0.01),
)
SETUPS = [CameraSetup(name=name, image_size_px=SIZE_PX, frame_rate_hz=60.0) for name in ("upper", "lower")]


def view(number, tilt_deg, rng):
    """One pair of pictures of the board, near the middle of both, tilted in a random direction."""
    direction = rng.uniform(0, 2 * np.pi)
    facing = cv2.Rodrigues(np.array([0.0, np.deg2rad(10.5), 0.0]))[0].T
    tilt = cv2.Rodrigues(np.deg2rad(tilt_deg) * np.array([np.cos(direction), np.sin(direction), 0.0]))[0]
    rotation = facing @ tilt @ cv2.Rodrigues(np.array([0.0, 0.0, rng.uniform(-0.3, 0.3)]))[0]
    middle = np.array([rng.uniform(-20, 20), rng.uniform(-20, 20), rng.uniform(165, 235)])
    points = (BOARD.corners_mm - BOARD.corners_mm.mean(0)) @ rotation.T + middle
    centre2 = np.array([72.0 * np.cos(np.deg2rad(10.5)), 0.0, 72.0 * np.sin(np.deg2rad(10.5))])
    sides = []
    for setup, seen in zip(SETUPS, (points, (points - centre2) @ TOE_IN.T), strict=True):
        exact = cv2.projectPoints(seen, np.zeros(3), np.zeros(3), K, DISTORTION)[0].reshape(-1, 2)
        pixels = exact + rng.normal(scale=NOISE_PX, size=exact.shape)
        inside = ((pixels > 10) & (pixels < np.array(SIZE_PX) - 10)).all(1)
        sides.append(
            Observation(
                ref=FrameRef(camera=setup.name, frame_idx=number, origin="simulated"),
                corner_ids=np.flatnonzero(inside),
                corners_px=pixels[inside],
                sigma_px=np.full(inside.sum(), NOISE_PX),
            )
        )
    return tuple(sides)


def judged(tilts_deg, seed, cameras=2):
    rng = np.random.default_rng([4, seed])
    views = [view(number, tilt, rng)[:cameras] for number, tilt in enumerate(tilts_deg)]
    solution = solve(views, BOARD, SETUPS[:cameras], lenses=[LENSES["brown2"]])
    provenance = make_provenance("calibrate", inputs={}, options={})
    run = calibration_run(solution, provenance=provenance, working_distance_mm=200.0)
    results = run_checks(CALIBRATION_CHECKS, run, Limits(effective_limits()))
    return run, {found.code: found for found in results}, overall_verdict(results)


def test_good_footage_passes(tmp_path):
    run, results, verdict = judged([10, 25, 40] * 8, 0)
    assert {code: found.status for code, found in results.items() if found.status == "fail"} == {}
    assert {results[code].status for code in ("CAL01", "CAL02", "CAL03", "CAL04", "CAL06")} == {"pass"}
    assert verdict in ("pass", "caution")
    path = tmp_path / "calibration.yaml"
    path.write_text(calibration_text(run.calibration), encoding="utf-8")
    np.testing.assert_array_equal(read_calibration(path).covariance, run.calibration.covariance)


def test_four_well_tilted_pairs_are_enough():
    assert judged([30, 35, 40, 45], 1)[1]["CAL01"].status == "pass"


@pytest.mark.parametrize("cameras", [1, 2])
def test_many_flat_on_pictures_are_not(cameras):
    _, results, verdict = judged([1.0] * 16, 2, cameras)
    assert verdict == "fail"
    assert results["CAL06"].status == "fail"
    assert results["CAL01"].status in ("caution", "fail")
    assert re.search(r"tilted \d\d degrees", results["CAL01"].action)
