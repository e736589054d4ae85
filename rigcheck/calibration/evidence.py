"""What a solution rests on: the views, the covered area, the spread of tilts."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.solve import Solution
from rigcheck.geometry.pair import sampson_distance_px
from rigcheck.geometry.robust import OUTLIER_WEIGHT
from rigcheck.model import Observation, RigidTransform, ViewResult, ViewSide
from rigcheck.opencv import cv2

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Cells along the longer side of a coverage map.
_COVERAGE_CELLS = 32

__all__ = [
    "camera_rms_px",
    "corner_ids",
    "coverage_map",
    "epipolar_rms_px",
    "outlier_share",
    "tilt_spread_deg",
    "view_results",
]


def _rows(solution: Solution, camera: int) -> NDArray[np.bool_]:
    return np.asarray(solution.adjustment.observations.camera_idx == camera)


def camera_rms_px(solution: Solution, camera: int | None = None) -> float:
    """Per-point RMS of the corners that the robust fit kept, px; of both cameras when none is named."""
    adjustment = solution.adjustment
    kept = adjustment.weights >= OUTLIER_WEIGHT
    if camera is not None:
        kept &= _rows(solution, camera)
    squares = (adjustment.prediction.residuals[kept] ** 2).sum()
    return float(np.sqrt(squares / max(int(kept.sum()), 1)))


def outlier_share(solution: Solution, camera: int) -> float:
    """Share of a camera's corners that the robust fit left out."""
    mine = _rows(solution, camera)
    return float((solution.adjustment.weights[mine] < OUTLIER_WEIGHT).mean())


def view_results(solution: Solution) -> tuple[ViewResult, ...]:
    """Each view with its residuals, pose, tilt and distance.

    Notes
    -----
    Tilt is the angle between the board's normal and camera 1's optical axis; distance is Z of the
    board's middle in camera 1.
    """
    adjustment, board = solution.adjustment, solution.board
    o, state = adjustment.observations, adjustment.state
    middle = board.corners_mm.mean(0)
    out = []
    for number, view in enumerate(solution.views):
        sides = []
        for camera, observation in enumerate(view):
            rows = np.flatnonzero((o.view_idx == number) & (o.camera_idx == camera))
            sides.append(None if observation is None else _side(solution, observation, rows))
        pose = RigidTransform(
            rotation=state.board_rotations[number], translation_mm=state.board_translations[number]
        )
        out.append(
            ViewResult(
                view_idx=number,
                sides=tuple(sides),
                camera1_from_board=pose,
                tilt_deg=float(np.degrees(np.arccos(np.clip(abs(pose.rotation[2, 2]), 0, 1)))),
                distance_mm=float(pose.apply(middle)[2]),
            )
        )
    return tuple(out)


def _side(solution: Solution, observation: Observation, rows: IntArray) -> ViewSide:
    residuals = solution.adjustment.prediction.residuals[rows]
    weights = solution.adjustment.weights[rows]
    kept = weights >= OUTLIER_WEIGHT
    rms = float(np.sqrt((residuals[kept] ** 2).sum() / max(int(kept.sum()), 1)))
    return ViewSide(observation=observation, residuals_px=residuals, weights=weights, rms_px=rms)


def coverage_map(solution: Solution, camera: int) -> IntArray:
    """In how many views each cell of the picture lay within the seen part of the board, (rows, columns)."""
    width, height = solution.setups[camera].image_size_px
    cell = max(width, height) / _COVERAGE_CELLS
    shape = max(1, round(height / cell)), max(1, round(width / cell))
    out = np.zeros(shape, dtype=np.int64)
    scale = np.array([shape[1] / width, shape[0] / height])
    for view in solution.views:
        side = view[camera]
        if side is None:
            continue
        # Cell (0, 0)'s centre stands at half a cell; OpenCV fills by pixel centres.
        corners = ((side.corners_px + 0.5) * scale - 0.5).astype(np.float32)
        hull = np.rint(cv2.convexHull(corners).reshape(-1, 2) * 256).astype(np.int32)
        mask = np.zeros(shape, dtype=np.uint8)
        cv2.fillConvexPoly(mask, hull.reshape(-1, 1, 2), 1, shift=8)
        out += mask
    return out


def tilt_spread_deg(solution: Solution, camera: int) -> float:
    """Spread of board orientations in the direction in which they spread least, degrees.

    Notes
    -----
    Standard deviation of the board normal's slope angles about the camera's x and y, smallest over all
    directions. Near zero for flat-on sets, however many pictures: parallel planes add nothing (Zhang 2000).
    Boards all tilted about one axis give zero too, since the focal length across it stays weak.
    """
    state = solution.adjustment.state
    normals = [
        (state.rotation if camera == 1 else np.eye(3)) @ state.board_rotations[number][:, 2]
        for number, view in enumerate(solution.views)
        if view[camera] is not None
    ]
    n = np.array(normals)
    n = n * np.sign(n[:, 2:])
    slopes = np.degrees(np.arctan2(n[:, :2], n[:, 2:]))
    if len(slopes) < 2:
        return 0.0
    return float(np.sqrt(max(float(np.linalg.eigvalsh(np.cov(slopes.T))[0]), 0.0)))


def epipolar_rms_px(solution: Solution) -> tuple[float, int]:
    """RMS Sampson distance over corners that both cameras saw and the fit kept, px; and their number."""
    adjustment, state = solution.adjustment, solution.adjustment.state
    o = adjustment.observations
    key = o.view_idx * 100_000 + corner_ids(solution)
    kept = adjustment.weights >= OUTLIER_WEIGHT
    first, second = ((o.camera_idx == camera) & kept for camera in (0, 1))
    _, rows1, rows2 = np.intersect1d(key[first], key[second], return_indices=True)
    distances = sampson_distance_px(
        o.pixels[first][rows1],
        o.pixels[second][rows2],
        (state.intrinsics[0], state.intrinsics[1]),
        (adjustment.layout.models[0], adjustment.layout.models[1]),
        rotation=state.rotation,
        translation=state.translation,
    )
    distances = distances[np.isfinite(distances)]
    return float(np.sqrt((distances**2).mean())) if len(distances) else 0.0, len(distances)


def corner_ids(solution: Solution) -> IntArray:
    """Id of every corner of the adjustment, in its order."""
    sides = [side for view in solution.views for side in view if side is not None]
    return np.concatenate([side.corner_ids for side in sides])
