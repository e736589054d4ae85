"""How the board maps to the picture near each corner, judged from that corner's neighbours.

One homography over the whole board is wrong under lens distortion, but what it leaves is smooth:
near each corner it is a quadratic in board coordinates. Each corner is predicted from its
neighbours alone (itself left out); a corner that is not where they say is wrong.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

__all__ = ["LocalMap", "homography", "local_map", "misplaced"]

REACH_SQUARES = 2.2
LINEAR_PRIOR_PX = 20.0
QUADRATIC_PRIOR_PX = 0.3
ASSUMED_NOISE_PX = 0.1
NOISE_FLOOR_PX = 0.1
NOISE_CEILING_PX = 0.3
REJECT_SIGMAS = 6.0
MAX_LEVERAGE = 60.0


@dataclass(frozen=True, kw_only=True, eq=False)
class LocalMap:
    """The map from board to picture at chosen board points, from their neighbours.

    Parameters
    ----------
    points_px : (M, 2) float64
        Predicted places.
    steps_px : (M, 2, 2) float64
        Displacement for one square along the board's x ([..., 0]) and y ([..., 1]).
    curvature_per_px : (M, 2) float64
        Curvature of the board's lines along x and y as they appear in the picture; positive
        towards the direction turned by +90 degrees (x to y).
    leverage : (M,) float64
        Variance of the prediction in units of one corner's variance; large where neighbours are
        few or to one side.
    """

    points_px: FloatArray
    steps_px: FloatArray
    curvature_per_px: FloatArray
    leverage: FloatArray


def homography(board: FloatArray, points_px: FloatArray, weights: FloatArray | None = None) -> FloatArray:
    """Least-squares homography (algebraic distance, normalised), (..., 3, 3) float64.

    Parameters
    ----------
    board : (..., N, 2) float64
        Board coordinates, squares.
    points_px : (..., N, 2) float64
    weights : (..., N) float64, optional
        0 leaves a point out. At least four points in general position are needed; with fewer the
        smallest correction to a similarity about the points' centres is returned.
    """
    w = np.ones(board.shape[:-1]) if weights is None else weights
    total = np.maximum(w.sum(axis=-1), 1e-9)[..., None]
    centre_b = (w[..., None] * board).sum(axis=-2) / total
    centre_p = (w[..., None] * points_px).sum(axis=-2) / total
    b, p = board - centre_b[..., None, :], points_px - centre_p[..., None, :]
    size_b = np.sqrt((w[..., None] * b * b).sum(axis=(-2, -1)) / total[..., 0]) + 1e-12
    size_p = np.sqrt((w[..., None] * p * p).sum(axis=(-2, -1)) / total[..., 0]) + 1e-12
    b, p = b / size_b[..., None, None], p / size_p[..., None, None]
    rows = np.zeros((*b.shape[:-1], 2, 8))
    rows[..., 0, 0:2], rows[..., 0, 2] = b, 1.0
    rows[..., 1, 3:5], rows[..., 1, 5] = b, 1.0
    rows[..., 6:8] = -p[..., :, None] * b[..., None, :]
    design = rows.reshape(*b.shape[:-2], -1, 8)
    seen = np.repeat(w, 2, axis=-1)[..., None]
    flipped = np.swapaxes(design * seen, -1, -2)
    normal = flipped @ design + 1e-9 * np.eye(8)
    h = np.linalg.solve(normal, flipped @ p.reshape(*p.shape[:-2], -1, 1))[..., 0]
    core = np.concatenate([h, np.ones((*h.shape[:-1], 1))], axis=-1).reshape(*h.shape[:-1], 3, 3)
    return _denormalised(core, centre_b, size_b, centre_p, size_p)


def _denormalised(
    core: FloatArray, centre_b: FloatArray, size_b: FloatArray, centre_p: FloatArray, size_p: FloatArray
) -> FloatArray:
    into = np.zeros_like(core)
    into[..., 0, 0] = into[..., 1, 1] = 1.0 / size_b
    into[..., :2, 2] = -centre_b / size_b[..., None]
    into[..., 2, 2] = 1.0
    out = np.zeros_like(core)
    out[..., 0, 0] = out[..., 1, 1] = size_p
    out[..., :2, 2] = centre_p
    out[..., 2, 2] = 1.0
    return np.asarray(out @ core @ into, dtype=np.float64)


def mapped(h: FloatArray, board: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Map board points (M, 2) by homographies (M, 3, 3) or (3, 3).

    Returns
    -------
    points_px : (M, 2) float64
    steps_px : (M, 2, 2) float64
        Derivatives; [..., 0] along the board's x.
    """
    homogeneous = np.concatenate([board, np.ones((len(board), 1))], axis=1)
    image = (h @ homogeneous[:, :, None])[..., 0]
    depth = image[:, 2:]
    points = image[:, :2] / depth
    tops, bottoms = h[..., :2, :2], h[..., 2:, :2]
    steps = (tops - points[:, :, None] * bottoms) / depth[:, :, None]
    return points, steps


def local_map(targets: FloatArray, board: FloatArray, points_px: FloatArray) -> LocalMap:
    """Predict the map at `targets` from found corners, each target itself left out.

    Parameters
    ----------
    targets : (M, 2) float64
        Board coordinates, squares.
    board, points_px : (N, 2) float64
        Found corners in board coordinates (squares) and in the picture (px); N >= 4, not in line.

    Returns
    -------
    LocalMap

    Notes
    -----
    The quadratic is held down by a prior of 0.3 px a square squared, so that with few neighbours
    it fades into a plane instead of running away; `leverage` then says how little is known.
    """
    whole = homography(board, points_px)
    base, base_steps = mapped(whole, targets)
    left_over = points_px - mapped(whole, board)[0]
    away = board[None, :, :] - targets[:, None, :]
    distance = np.abs(away).max(axis=2)
    near = ((distance < REACH_SQUARES) & (distance > 0.01)).astype(np.float64)
    x, y = away[..., 0], away[..., 1]
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    prior = np.array([LINEAR_PRIOR_PX] * 3 + [QUADRATIC_PRIOR_PX] * 3)
    weighted = design * near[..., None]
    normal = weighted.transpose(0, 2, 1) @ design + np.diag((ASSUMED_NOISE_PX / prior) ** 2)
    inverse = np.linalg.inv(normal)
    terms = inverse @ (weighted.transpose(0, 2, 1) @ left_over)
    steps = base_steps + terms[:, 1:3].transpose(0, 2, 1)
    bends = 2.0 * terms[:, [3, 5]].transpose(0, 2, 1)
    return LocalMap(
        points_px=base + terms[:, 0],
        steps_px=steps,
        curvature_per_px=_curvature(steps, bends),
        leverage=inverse[:, 0, 0],
    )


def _curvature(steps: FloatArray, bends: FloatArray) -> FloatArray:
    """Curvature of the two board lines; a homography keeps lines straight, so only the rest bends them."""
    length = np.linalg.norm(steps, axis=1)
    across = steps[:, 0] * bends[:, 1] - steps[:, 1] * bends[:, 0]
    return np.asarray(across / np.maximum(length, 1e-9) ** 3, dtype=np.float64)


def misplaced(board: FloatArray, points_px: FloatArray) -> BoolArray:
    """Find corners that are not where their neighbours say.

    Parameters
    ----------
    board, points_px : (N, 2) float64
        Board coordinates (squares) and places in the picture (px).

    Returns
    -------
    (N,) bool
        True for corners to be left out: too far from the prediction, or with too few neighbours
        to be checked at all.

    Notes
    -----
    The worst corner is taken out first and its neighbours are judged again without it. The
    tolerance is six robust standard deviations of all corners' deviations, each of these
    scaled by what its prediction is worth; the deviation's own scale is kept between
    0.1 px (a print is not perfect, and that is for the calibration to weigh) and 0.3 px, so that a
    picture full of errors does not excuse itself.
    """
    kept = np.ones(len(board), dtype=bool)
    while kept.sum() >= 4:
        index = np.flatnonzero(kept)
        predicted = local_map(board[index], board[index], points_px[index])
        unsure = predicted.leverage > MAX_LEVERAGE
        scale = np.sqrt(1.0 + predicted.leverage)
        deviation = np.linalg.norm(points_px[index] - predicted.points_px, axis=1) / scale
        # The length of a two-dimensional Gaussian error has its median at 1.177 sigma.
        noise = np.clip(np.median(deviation) / 1.177, NOISE_FLOOR_PX, NOISE_CEILING_PX)
        excess = np.where(unsure, np.inf, deviation / noise)
        worst = int(np.argmax(excess))
        if excess[worst] <= REJECT_SIGMAS:
            return ~kept
        kept[index[unsure] if unsure.any() else index[worst]] = False
    return np.ones(len(board), dtype=bool)
