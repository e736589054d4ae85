"""Patches of one picture fitted to the other by an affine warp with gain and offset.

References
----------
Gruen, "Adaptive least squares correlation", South African Journal of Photogrammetry 14(3), 1985.
Baker & Matthews, "Lucas-Kanade 20 years on", IJCV 56(3), 2004 (inverse compositional algorithm).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rigcheck.model._arrays import BoolArray, FloatArray, IntArray
from rigcheck.opencv import cv2

__all__ = ["FittedPatches", "PatchShape", "PlacedPatches", "fit_patches", "place_patches", "read_at"]

Float32 = NDArray[np.float32]

_FOLD = 1024  # columns into which a list of places is folded: the reader wants a picture
_LONGEST_STEP_PX = 2.0  # gradients reach no further
_STILL_PX = 0.005  # a patch that moves less is done
_LEAST_AREA = 0.15  # of a patch in the other picture, over its own; and the other way round


@dataclass(frozen=True, kw_only=True)
class PatchShape:
    """What is compared: (2 radius + 1)² pixels, weighted by a Gaussian.

    `smoothed_px` is the sigma with which both pictures were smoothed before, needed for the noise that is left.
    """

    radius: int = 12
    weight_sigma: float = 0.5
    smoothed_px: float = 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedPatches:
    """N patches after the last step.

    `points_px` (N, 2) in the other picture, `slope` (N, 2, 2), `covariance_px2` (N, 2, 2), `score`, `gain`,
    `contrast_dn`, `noise_dn`, `last_step_px` (N,); `usable` (N,): inside, not singular, finite.
    """

    points_px: FloatArray
    slope: FloatArray
    covariance_px2: FloatArray
    score: FloatArray
    gain: FloatArray
    contrast_dn: FloatArray
    noise_dn: FloatArray
    last_step_px: FloatArray
    usable: BoolArray


@dataclass(frozen=True, kw_only=True, eq=False)
class PlacedPatches:
    """N patches found but not judged: `points_px` (N, 2), `slope` (N, 2, 2), `usable` (N,)."""

    points_px: FloatArray
    slope: FloatArray
    usable: BoolArray


@dataclass(frozen=True, kw_only=True, eq=False)
class _Templates:
    """Per patch: `design` J (N, 8, M), `solver` (J W J')⁻¹ J W (N, 8, M), `normal` (N, 8, 8)."""

    design: Float32
    solver: Float32
    normal: FloatArray
    usable: BoolArray


@dataclass
class _State:
    """Where the N patches stand while they are fitted; changed in place."""

    place: FloatArray
    turn: FloatArray
    step: FloatArray
    usable: BoolArray


def read_at(picture: Float32, places_px: FloatArray | Float32, *, linear: bool = False) -> Float32:
    """Read a picture (H, W) or map (H, W, 2) between its pixels at places (..., 2), px; edges are carried on."""
    flat = np.asarray(places_px, dtype=np.float32).reshape(-1, 2)
    count = len(flat)
    rows = max(-(-count // _FOLD), 1)
    folded = np.zeros((2, rows * _FOLD), dtype=np.float32)
    folded[:, :count] = flat.T
    maps = folded.reshape(2, rows, _FOLD)
    way = cv2.INTER_LINEAR if linear else cv2.INTER_CUBIC
    read = cv2.remap(picture, maps[0], maps[1], way, borderMode=cv2.BORDER_REPLICATE)
    channels = picture.shape[2:]
    return (
        np.asarray(read, dtype=np.float32)
        .reshape(-1, *channels)[:count]
        .reshape(*places_px.shape[:-1], *channels)
    )


@lru_cache(maxsize=8)
def _grid(shape: PatchShape) -> tuple[Float32, Float32]:
    """Offsets (M, 2) of a patch's pixels and their weights (M,), mean of weights 1."""
    line = np.arange(-shape.radius, shape.radius + 1, dtype=np.float32)
    x, y = np.meshgrid(line, line)
    offsets = np.stack([x.ravel(), y.ravel()], axis=1)
    weight = np.exp(-(offsets**2).sum(axis=1) / (2 * (shape.weight_sigma * shape.radius) ** 2))
    return offsets, np.asarray(weight / weight.mean(), dtype=np.float32)


@lru_cache(maxsize=8)
def _smoother(shape: PatchShape) -> FloatArray:
    """Matrix (P, P) that smooths one axis of a patch as the pictures were, beyond the patch zero."""
    line = np.arange(-shape.radius, shape.radius + 1)
    reach = np.arange(-8, 9)
    bell = np.exp(-(reach**2) / (2 * max(shape.smoothed_px, 1e-3) ** 2))
    bell /= bell.sum()
    away = line[:, None] - line[None, :]
    return np.where(np.abs(away) <= 8, bell[np.clip(away + 8, 0, 16)], 0.0)


def _templates(picture: Float32, centres: IntArray, shape: PatchShape) -> _Templates:
    """Read the patches around whole pixels; a patch over the picture's edge is not usable."""
    reach, side = shape.radius + 2, 2 * shape.radius + 1
    height, width = picture.shape
    inside = np.all((centres >= reach) & (centres < np.array([width, height]) - reach), axis=1)
    window = 2 * reach + 1
    short = max(window - min(height, width), 0)
    room = np.pad(picture, ((0, short), (0, short)), mode="edge") if short else picture
    corner = np.clip(centres - reach, 0, np.array(room.shape[::-1]) - window)
    patch = sliding_window_view(room, (window, window))[corner[:, 1], corner[:, 0]]
    x = (8 * (patch[:, 2:-2, 3:-1] - patch[:, 2:-2, 1:-3]) - patch[:, 2:-2, 4:] + patch[:, 2:-2, :-4]) / 12
    y = (8 * (patch[:, 3:-1, 2:-2] - patch[:, 1:-3, 2:-2]) - patch[:, 4:, 2:-2] + patch[:, :-4, 2:-2]) / 12
    offsets, weight = _grid(shape)
    u, v = (offsets / shape.radius).T
    count = len(centres)
    gx, gy, value = (part.reshape(count, side * side) for part in (x, y, patch[:, 2:-2, 2:-2]))
    level = value.mean(axis=1, keepdims=True)
    design = np.ones((count, 8, side * side), dtype=np.float32)
    design[:, 0], design[:, 1], design[:, 6] = gx, gy, value - level
    for row, (gradient, along) in enumerate(((gx, u), (gx, v), (gy, u), (gy, v)), start=2):
        np.multiply(gradient, along, out=design[:, row])
    weighted = design * weight
    normal = (weighted @ design.transpose(0, 2, 1)).astype(np.float64)
    scale = 1 / np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-6))
    unit = normal * scale[:, :, None] * scale[:, None, :]
    usable = inside & (np.linalg.eigvalsh(unit)[:, 0] > 1e-4)
    unit[~usable] = np.eye(8)
    inverse = np.linalg.inv(unit) * scale[:, :, None] * scale[:, None, :]
    solver = inverse.astype(np.float32) @ weighted
    return _Templates(design=design, solver=solver, normal=normal, usable=usable)


def fit_patches(
    picture: Float32,
    other: Float32,
    centres: IntArray,
    start_px: FloatArray,
    slope: FloatArray,
    *,
    shape: PatchShape,
    steps: int = 6,
) -> FittedPatches:
    """Find patches of one picture in the other.

    Parameters
    ----------
    picture, other : (H, W) float32
        Smoothed alike by `shape.smoothed_px`.
    centres : (N, 2) int, px, in `picture`
    start_px : (N, 2) float64, px, in `other`
    slope : (N, 2, 2) float64
        Start of the local map (see :class:`PatchMatches`).
    shape : PatchShape
    steps : int

    Notes
    -----
    The patch at its own whole pixels is the template, so its gradients are computed once. Each step solves
    other(W(u)) = gain T(u + D u + d) + offset for all eight unknowns and takes (D, d) off the warp W. The warp is
    affine: curvature of the surface over the patch moves the answer along the epipolar line, never off it.

    Sigma: what the fit leaves over gives the noise of a pixel, corrected for smoothing and the eight unknowns; the
    solver carries that noise, correlated as the smoothing left it, to the place.
    """
    templates = _templates(picture, centres, shape)
    state = _moved(templates, other, start_px, slope, shape, steps)
    values = _values(other, state.place, state.turn, _grid(shape)[0])
    return _judged(templates, values, _solved(templates.solver, values), shape, state)


def place_patches(
    picture: Float32,
    other: Float32,
    centres: IntArray,
    start_px: FloatArray,
    slope: FloatArray,
    *,
    shape: PatchShape,
    steps: int = 4,
) -> PlacedPatches:
    """Find patches as :func:`fit_patches` does, without judging them: for a start or a way back, in half the time."""
    templates = _templates(picture, centres, shape)
    state = _moved(templates, other, start_px, slope, shape, steps)
    return PlacedPatches(points_px=state.place, slope=state.turn, usable=state.usable)


def _moved(
    templates: _Templates,
    other: Float32,
    start_px: FloatArray,
    slope: FloatArray,
    shape: PatchShape,
    steps: int,
) -> _State:
    """Step after step until each patch stands still."""
    offsets, _ = _grid(shape)
    determinant = np.abs(_determinant(slope))
    usable = templates.usable & (determinant > _LEAST_AREA) & (determinant < 1 / _LEAST_AREA)
    state = _State(
        place=start_px.astype(np.float64),
        turn=np.where(usable[:, None, None], slope, np.eye(2)),
        step=np.full(len(start_px), np.inf),
        usable=usable,
    )
    for _ in range(steps):
        moving = np.flatnonzero(state.usable & (state.step > _STILL_PX))
        if len(moving) == 0:
            break
        values = _values(other, state.place[moving], state.turn[moving], offsets)
        solved = _solved(templates.solver[moving], values)
        _take_off(state, moving, solved, shape.radius, other.shape)
    return state


def _solved(solver: Float32, values: Float32) -> FloatArray:
    return np.asarray((solver @ values[..., None])[..., 0], dtype=np.float64)


def _values(other: Float32, place: FloatArray, turn: FloatArray, offsets: Float32) -> Float32:
    """Read `other` where the warp carries each patch's pixels, (N, M)."""
    if len(place) == 0:
        return np.zeros((0, len(offsets)), dtype=np.float32)
    x, y = (
        turn[:, axis].astype(np.float32) @ offsets.T + place[:, axis : axis + 1].astype(np.float32)
        for axis in (0, 1)
    )
    read = cv2.remap(other, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(read, dtype=np.float32).reshape(x.shape)


def _take_off(
    state: _State, moving: IntArray, solved: FloatArray, radius: int, shape: tuple[int, ...]
) -> None:
    """Take the found change of the template off the warp: W after (I + D, d)⁻¹."""
    gain = solved[:, 6]
    ok = np.isfinite(solved).all(axis=1) & (gain > 0.2) & (gain < 5.0)
    change = np.where(ok[:, None], solved[:, :6], 0.0) / np.where(ok, gain, 1.0)[:, None]
    length = np.hypot(change[:, 0], change[:, 1])
    change *= np.minimum(1.0, _LONGEST_STEP_PX / np.maximum(length, 1e-9))[:, None]
    linear = change[:, 2:].reshape(-1, 2, 2) / radius + np.eye(2)
    determinant = _determinant(linear)
    ok &= (determinant > 0.3) & (determinant < 3.0)
    linear[~ok], determinant[~ok] = np.eye(2), 1.0
    # Written out: for matrices this small the library's calls cost more than the work.
    adjugate = linear[:, ::-1, ::-1].transpose(0, 2, 1) * np.array([[1.0, -1.0], [-1.0, 1.0]])
    turn = state.turn[moving] @ (adjugate / determinant[:, None, None])
    move = (turn @ change[:, :2, None])[..., 0]
    place = state.place[moving] - move
    area = np.abs(_determinant(turn))
    ok &= (area > _LEAST_AREA) & (area < 1 / _LEAST_AREA)
    ok &= ((place > 0) & (place < np.array(shape[::-1]) - 1)).all(axis=1)
    state.usable[moving] = ok
    kept = moving[ok]
    state.place[kept], state.turn[kept] = place[ok], turn[ok]
    state.step[kept] = np.hypot(move[ok, 0], move[ok, 1])


def _determinant(matrices: FloatArray) -> FloatArray:
    """Determinants (N,) of matrices (N, 2, 2)."""
    return np.asarray(matrices[:, 0, 0] * matrices[:, 1, 1] - matrices[:, 0, 1] * matrices[:, 1, 0])


def _judged(
    templates: _Templates,
    values: Float32,
    solved: FloatArray,
    shape: PatchShape,
    state: _State,
) -> FittedPatches:
    turn, usable = state.turn, state.usable
    _, weight = _grid(shape)
    count, side = len(turn), 2 * shape.radius + 1
    template = templates.design[:, 6]
    explained = (solved[:, None].astype(np.float32) @ templates.design)[:, 0]
    left = (weight * (values - explained) ** 2).sum(axis=1)
    whole = weight.sum()
    middle = (weight * values).sum(axis=1, keepdims=True) / whole
    spread = (weight * (values - middle) ** 2).sum(axis=1)
    own = (weight * (template - (weight * template).sum(axis=1, keepdims=True) / whole) ** 2).sum(axis=1)
    smoother = _smoother(shape).astype(np.float32)
    squares = templates.solver.reshape(count, 8, side, side)
    # All patches at once where one matrix stands behind them: many small products take longer.
    across = (squares.reshape(-1, side) @ smoother).reshape(squares.shape)
    rows = (smoother @ across).reshape(count, 8, side * side)
    noise_form = (rows @ rows.transpose(0, 2, 1)).astype(np.float64)
    kept = float((_smoother(shape)[shape.radius] ** 2).sum() ** 2)
    freedom = kept * whole - np.einsum("nij,nji->n", templates.normal, noise_form)
    variance = left / np.maximum(freedom, 0.05 * kept * whole)
    gain = np.where(usable, solved[:, 6], 1.0)
    found = noise_form[:, :2, :2] * (variance / gain**2)[:, None, None]
    return FittedPatches(
        points_px=state.place,
        slope=turn,
        covariance_px2=turn @ found @ turn.transpose(0, 2, 1),
        score=np.sqrt(np.clip(1 - left / np.maximum(spread, 1e-6), 0, 1)) * np.sign(gain),
        gain=gain,
        contrast_dn=np.sqrt(own / whole),
        noise_dn=np.sqrt(variance),
        last_step_px=state.step,
        usable=usable & np.isfinite(found).all(axis=(1, 2)),
    )
