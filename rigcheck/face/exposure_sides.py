"""Side against side of a face by cells that mirror each other across a straight middle line."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_light import Ceiling, LightCurve
from rigcheck.face.exposure_skin import MIRRORED, PLACES, SkinLayout
from rigcheck.model import Estimate, FaceLandmarks
from rigcheck.model._arrays import FloatArray

__all__ = ["mirrored_ratio"]

# In outer-eye distances: a cell, and from where to where beside the middle cells count. Nearer the middle both sides'
# lamps light the skin alike; further out the mesh's points slide on it as the head turns.
_CELL, _NEAREST, _FARTHEST = 0.045, 0.18, 0.54
_EVERY = 2  # coarse pixels from sample to sample
_LEAST_SAMPLES, _LEAST_CELLS = 5, 20
_NEAR_CEILING = 0.97
_LEAST_LIGHT = 1e-3  # darker than this nothing is told apart
_HUBER, _ROUNDS = 1.5, 4


def mirrored_ratio(
    grey: NDArray[Any], face: FaceLandmarks, layout: SkinLayout, curve: LightCurve, ceiling: Ceiling
) -> Estimate | None:
    """Light of the performer's left over that of the right, log2.

    Parameters
    ----------
    grey : (y1 - y0, x1 - x0), the face's crop in code values
    face : FaceLandmarks
        Of this picture, the whole mesh.
    layout : SkinLayout
    curve : LightCurve
    ceiling : Ceiling

    Returns
    -------
    Estimate or None
        Robust mean over cells that both sides show, each the geometric mean of its light; None without a curve, or
        where fewer than twenty cells are left. Sigma is that of the mean alone, and holds nothing of where the middle
        line lies. Cells at white are left out.

    Notes
    -----
    The picture is taken to mirror itself along an affine map: fitted to pairs of points of the mesh, half their
    distance across and their mean height. Single points that slide move it little; a turned head bends it.
    """
    if curve.light is None:
        return None
    at, (across, down) = _samples(face, layout, grey.shape)
    if not len(across):
        return None
    codes = grey[at].astype(np.float64)
    light = np.log2(np.maximum(curve.light[grey[at]], _LEAST_LIGHT))
    column, row = np.floor(np.abs(across) / _CELL).astype(int), np.floor(down / _CELL).astype(int)
    row -= row.min()
    # Cells of the right, then those of the left.
    shape = (2, column.max() + 1, row.max() + 1)
    number = np.ravel_multi_index(((across > 0).astype(int), column, row), shape)
    count, lights, sums = (
        np.bincount(number, weights=each, minlength=int(np.prod(shape))).reshape(2, -1)
        for each in (None, light, codes)
    )
    used = (count.min(axis=0) >= _LEAST_SAMPLES) & (sums < _NEAR_CEILING * ceiling.code * count).all(axis=0)
    if used.sum() < _LEAST_CELLS:
        return None
    right, left = lights[:, used] / count[:, used]
    return _robust_mean(left - right)


def _samples(
    face: FaceLandmarks, layout: SkinLayout, shape: tuple[int, ...]
) -> tuple[tuple[NDArray[np.int_], NDArray[np.int_]], FloatArray]:
    """Rows and columns in the crop of samples of skin, and how far across and down they lie in eye distances."""
    step = layout.step
    rows, columns = np.nonzero(_skin(layout)[::_EVERY, ::_EVERY])
    rows, columns = (each * _EVERY * step + step // 2 for each in (rows, columns))
    inside = (rows < shape[0]) & (columns < shape[1])
    rows, columns = rows[inside], columns[inside]
    middle, to_face = _face_map(face)
    points = (
        np.stack([columns + layout.x0, rows + layout.y0, np.ones(len(rows))])
        - np.append(middle, 0.0)[:, None]
    )
    place = to_face @ points
    kept = (np.abs(place[0]) > _NEAREST) & (np.abs(place[0]) < _FARTHEST)
    return (rows[kept], columns[kept]), place[:, kept]


def _skin(layout: SkinLayout) -> NDArray[np.bool_]:
    return (layout.places > 0) & (layout.places <= len(PLACES))


def _face_map(face: FaceLandmarks) -> tuple[FloatArray, FloatArray]:
    """Middle between the eyes, (2,) px, and the map (2, 3) of pixels from there to across and down the face."""
    right, left = (face.points_px[list(each)] for each in MIRRORED)
    outer = face.point("eye_outer_right"), face.point("eye_outer_left")
    middle, axis = (outer[0] + outer[1]) / 2.0, outer[1] - outer[0]
    eyes_px = float(np.linalg.norm(axis))
    axes = np.array([axis, [-axis[1], axis[0]]]) / eyes_px**2
    half, height = (left - right) @ axes[0] / 2.0, ((left + right) / 2.0 - middle) @ axes[1]
    design = np.column_stack([np.concatenate([right, left]) - middle, np.ones(2 * len(half))])
    want = np.column_stack([np.concatenate([-half, half]), np.concatenate([height, height])])
    known = np.isfinite(design).all(axis=1) & np.isfinite(want).all(axis=1)
    return middle, np.linalg.lstsq(design[known], want[known], rcond=None)[0].T


def _robust_mean(values: FloatArray) -> Estimate:
    """Huber's mean, and its own standard uncertainty."""
    weight = np.ones(len(values))
    for _ in range(_ROUNDS):
        mean = float(weight @ values / weight.sum())
        off = np.abs(values - mean)
        reach = _HUBER * max(1.4826 * float(np.median(off)), 1e-6)
        weight = reach / np.maximum(off, reach)
    spread = float(np.sqrt(weight @ off**2 / weight.sum()))
    return Estimate(value=mean, sigma=spread / float(np.sqrt(len(values))), unit="stops", n=len(values))
