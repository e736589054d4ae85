"""A bent board in rendered pictures: flagged, and the baseline kept, where the plain recipe loses it."""

import cv2
import numpy as np
import pytest
from synthetic import BOARD, board_poses, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.calibration.quantities import quantities
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, run_checks
from rigcheck.demo import RenderOptions, Sensor, board_in_space, render_view
from rigcheck.model import FrameRef, Observation, Provenance, RigidTransform
from rigcheck.target import BoardDetector

RIG = reference_rig()
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (RIG.camera1, RIG.camera2)]
PROVENANCE = Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate")
LENS = [LENSES["brown4"]]
BOW_MM = 0.15
HALF_MM = np.array([40.5, 54.0])


SHAPES = {
    "bow": lambda u, v: u**2 + v**2,  # the middles of the edges stand over the centre
    "saddle": lambda u, v: u * v,
    "fold": lambda u, v: np.abs(v),
    "dent": lambda u, v: np.exp(-(((u - 0.5) / 0.6) ** 2) - ((v + 0.4) / 0.6) ** 2),
}


def bent_by(name, height_mm):
    """A surface over the board; beyond its plate, where rays pass by, it goes on level."""

    def shape(x, y):
        u, v = ((np.clip(p, -60.0, 170.0) - half) / half for p, half in zip((x, y), HALF_MM, strict=True))
        return height_mm * SHAPES[name](u, v)

    return shape


def filmed(name, height_mm, *, count, seed):
    """Pictures of both cameras at hand-held poses: a list of pairs."""
    board = board_in_space(BOARD, shape=bent_by(name, height_mm), texels_per_mm=12.0)
    options = RenderOptions(
        blur_px=0.7, sensor=Sensor(read_noise_dn=1.2, dn_per_electron=0.05), samples=2, grid_step_px=4
    )
    rng = np.random.default_rng([66, seed])
    second = RIG.camera2_from_camera1
    out = []
    for pose in board_poses(rng, count):
        lower = RigidTransform(
            rotation=second.rotation @ pose.rotation, translation_mm=second.apply(pose.translation_mm)
        )
        out.append(
            tuple(
                render_view(camera, (seen,), board=board, options=options, rng=rng)
                for camera, seen in ((RIG.camera1, pose), (RIG.camera2, lower))
            )
        )
    return out


def detected(pictures):
    detector, views = BoardDetector(BOARD), []
    for number, pair in enumerate(pictures):
        sides = [
            detector.detect(image, FrameRef(camera=setup.name, frame_idx=number, origin="rendered"))
            for image, setup in zip(pair, SETUPS, strict=True)
        ]
        views.append(tuple(side if isinstance(side, Observation) else None for side in sides))
    return [view for view in views if any(side is not None for side in view)]


def recipe(pictures):
    """Plain use of OpenCV: its own board detector, both cameras, then the pair with intrinsics fixed.

    Returns the baseline, mm, and the RMS that it reports, px.
    """
    board = cv2.aruco.CharucoBoard(
        BOARD.squares,
        BOARD.square_mm,
        BOARD.marker_mm,
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100),
    )
    finder = cv2.aruco.CharucoDetector(board)
    seen = [[], []]
    for pair in pictures:
        for camera, image in enumerate(pair):
            corners, ids, *_ = finder.detectBoard(image)
            kept = ids is not None and len(ids) >= 12
            found = (ids.reshape(-1), np.asarray(corners, np.float32).reshape(-1, 2)) if kept else None
            seen[camera].append(found)
    plane = BOARD.corners_mm.astype(np.float32)
    alone = []
    for found in seen:
        ids, corners = zip(*[one for one in found if one is not None], strict=True)
        objects, images = [plane[i] for i in ids], [c.reshape(-1, 1, 2) for c in corners]
        alone.append(
            cv2.calibrateCamera(
                objects, images, RIG.camera1.image_size_px, None, None, flags=cv2.CALIB_FIX_K3
            )
        )
    objects, first, second = [], [], []
    for one, other in zip(*seen, strict=True):
        if one is not None and other is not None:
            ids, i, j = np.intersect1d(one[0], other[0], return_indices=True)
            objects.append(plane[ids])
            first.append(one[1][i].reshape(-1, 1, 2))
            second.append(other[1][j].reshape(-1, 1, 2))
    (rms, k1, d1, *_), (_, k2, d2, *_) = alone
    pair = cv2.stereoCalibrate(
        objects, first, second, k1, d1, k2, d2, RIG.camera1.image_size_px, flags=cv2.CALIB_FIX_INTRINSIC
    )
    return float(np.linalg.norm(pair[6])), float(rms)


def checked(solution):
    run = calibration_run(solution, provenance=PROVENANCE)
    return {r.code: r for r in run_checks(CALIBRATION_CHECKS, run, Limits(effective_limits()))}


@pytest.mark.slow
def test_a_rendered_bow_is_flagged_and_kept_out_of_the_baseline():
    """Handbook section 9, test 3, on pictures; 0.012 mm and ten times nearer are what is asked of it."""
    pictures = filmed("bow", BOW_MM, count=12, seed=0)
    views = detected(pictures)
    solution = solve(views, BOARD, SETUPS, lenses=LENS)
    baseline = quantities(solution)["stereo.baseline_mm"].value
    plain, rms = recipe(pictures)
    assert 0.14 < rms < 0.2  # handbook 11: 0.15-0.18 px, within usual limits: what RMS cannot see
    assert abs(baseline - RIG.baseline_mm) < 0.012
    assert abs(baseline - RIG.baseline_mm) * 10 < abs(plain - RIG.baseline_mm)
    bow = quantities(solution)["board.bow_mm"]
    assert bow.value == pytest.approx(BOW_MM, abs=0.001)  # four of its sigmas of 0.00025 mm
    found = checked(solution)
    assert found["CAL12"].status == "caution"
    assert found["CAL03"].status == "pass"
    taken_as_flat = checked(solve(views, BOARD, SETUPS, lenses=LENS, flat_board=True))
    assert taken_as_flat["CAL20"].status == "caution"
    assert taken_as_flat["CAL20"].estimate.value > 0.65  # handbook 2.4: 0.65 for 0.1 mm
