"""The chin followed through an opening of the mouth, from a picture with the lips closed to the next one.

The face mesh lags behind a jaw that drops far, or is lost; the skin of the chin stays in view and is followed by its
own texture and shading, from picture to picture.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.framing_points import UprightFace
from rigcheck.landmarks.flow import follow, normalised
from rigcheck.model import FrameRef
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["FollowedChin", "Opening", "followed_chin"]

# Of the mesh: middle of the lower lip's lower edge. The patch followed: from there down, shares of the way to the
# chin, and across in outer-eye distances.
_UNDER_LIP = 17
_DOWN, _ACROSS = np.linspace(0.12, 0.95, 6), np.linspace(-0.22, 0.22, 7)
_FEWEST_POINTS = 12
# Points that do not move with the patch lie further off than this many spreads, and further than this, px.
_OFF_SPREADS, _OFF_PX = 3.0, 0.6
# Both ways must meet: at the widest and at the ends, in outer-eye distances.
_MOST_APART = 0.10
# A chin is not stretched more than so: lengths across and along over those at rest.
_STRETCH = (0.2, 1.7)
# Standard uncertainty of following, as a share of the drop and in outer-eye distances.
_OF_DROP, _LEAST = 0.03, 0.02


@dataclass(frozen=True, kw_only=True, eq=False)
class FollowedChin:
    """The chin in the picture of the widest opening.

    `drop_px` is how much lower it lies in the upright picture than with the lips closed, `sigma_px` the standard
    uncertainty of following it. `shrink` is how much shorter the chin's skin looks there from top to bottom than at
    rest: what the chin's place at rest is off by counts that much less.
    """

    ref: FrameRef
    drop_px: float
    sigma_px: float
    shrink: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Opening:
    """Where a clip shows the mouth open widest: pictures with the lips closed before and after, and the chin between.

    `chin` is None where it could not be followed.
    """

    before: FrameRef
    after: FrameRef
    chin: FollowedChin | None


def followed_chin(
    pictures: Sequence[NDArray[np.float32]],
    refs: Sequence[FrameRef],
    *,
    before: UprightFace,
    after: UprightFace,
) -> FollowedChin | None:
    """Follow the chin through an opening, forward from the first picture and backward from the last.

    Parameters
    ----------
    pictures : sequence of (H, W) float32
        From `work_picture`, in the order of time; the more of them, the surer.
    refs : sequence of FrameRef
        Theirs.
    before, after : UprightFace
        In the first and in the last picture: lips closed, found by the mesh.

    Returns
    -------
    FollowedChin or None
        None where the patch is lost, or the two ways do not meet.

    Notes
    -----
    A grid of points on the chin is followed by pyramidal Lucas-Kanade with its way back; one affine map a step, by
    least median of squares and then least squares of what fits, carries the whole grid, so that no point slips alone.
    """
    if len(pictures) < 3 or not (before.is_whole_mesh and after.is_whole_mesh):
        return None
    scale = pictures[0].shape[1] / before.size_px[0]
    plain = [normalised(picture.clip(0, 255).astype(np.uint8)) for picture in pictures]
    forward = _chain(plain, before, scale)
    backward = _chain(plain[::-1], after, scale)
    if forward is None or backward is None:
        return None
    heights = np.array([forward.heights_px, backward.heights_px[::-1]])
    share = np.linspace(0.0, 1.0, len(pictures))
    rest = (1.0 - share) * heights[0, 0] + share * heights[1, -1]
    drops = heights - rest
    widest = int(np.argmax(drops.mean(axis=0)))
    apart = np.abs(heights[0] - heights[1])
    eyes = before.eye_distance_px
    if max(apart[0], apart[widest], apart[-1]) > _MOST_APART * eyes:
        return None
    drop = float(drops[:, widest].mean())
    sigma = float(np.hypot(np.hypot(_OF_DROP * drop, _LEAST * eyes), apart[widest] / 2.0))
    shrink = float(np.mean([forward.shrinks[widest], backward.shrinks[::-1][widest]]))
    return FollowedChin(ref=refs[widest], drop_px=drop, sigma_px=sigma, shrink=shrink)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Way:
    """Height of the chin in each picture, px of the full one, and how much its skin shrinks downwards; each (N,)."""

    heights_px: FloatArray
    shrinks: FloatArray


def _down(face: UprightFace) -> FloatArray:
    """Unit vector down the face."""
    across = face.point("eye_outer_left") - face.point("eye_outer_right")
    return np.array([-across[1], across[0]]) / float(np.linalg.norm(across))


def _patch(face: UprightFace) -> FloatArray:
    """Grid on the chin below the lower lip, (N, 2) px of the full picture."""
    down = _down(face)
    lip = face.points_px[_UNDER_LIP]
    height = float((face.chin_px - lip) @ down)
    steps = np.array([(y * height, x * face.eye_distance_px) for y in _DOWN for x in _ACROSS])
    return np.asarray(lip + steps[:, :1] * down + steps[:, 1:] * np.array([down[1], -down[0]]))


def _chain(plain: Sequence[NDArray[np.uint8]], face: UprightFace, scale: float) -> _Way | None:
    """Follow the chin from the first picture to the last; None where the patch is lost."""
    start = (_patch(face) + 0.5) * scale - 0.5
    chin = (face.chin_px + 0.5) * scale - 0.5
    points, out, shrinks = start, [chin], [1.0]
    for earlier, later in pairwise(plain):
        flow = follow(earlier, later, points)
        if flow.trusted.sum() < _FEWEST_POINTS:
            return None
        step = _affine(points[flow.trusted], flow.points_px[flow.trusted])
        if step is None:
            return None
        points, chin = _moved(step, points), _moved(step, chin)
        whole = _fitted(start, points)
        stretch = np.linalg.norm(whole[:, :2], axis=0)
        if not (_STRETCH[0] < stretch.min() and stretch.max() < _STRETCH[1]):
            return None
        out.append(chin)
        shrinks.append(float(whole[1, 1]))
    return _Way(heights_px=(np.array(out)[:, 1] + 0.5) / scale - 0.5, shrinks=np.array(shrinks))


def _affine(start: FloatArray, end: FloatArray) -> FloatArray | None:
    """Affine map (2, 3) of most of the points; None where there is none."""
    found, _ = cv2.estimateAffine2D(start.astype(np.float32), end.astype(np.float32), method=cv2.LMEDS)
    if found is None:
        return None
    off = np.linalg.norm(_moved(np.asarray(found), start) - end, axis=1)
    good = off < max(_OFF_SPREADS * 1.4826 * float(np.median(off)), _OFF_PX)
    return _fitted(start[good], end[good])


def _fitted(start: FloatArray, end: FloatArray) -> FloatArray:
    ones = np.column_stack([start, np.ones(len(start))])
    return np.asarray(np.linalg.lstsq(ones, end, rcond=None)[0].T)


def _moved(affine: FloatArray, points: FloatArray) -> FloatArray:
    return np.asarray(points @ affine[:, :2].T + affine[:, 2])
