"""Depth of the edge of the upper front teeth where one camera sees it plainly: swept along its rays into the other."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.picks_shape import face_axes
from rigcheck.face.picks_strip import LOWER_INNER, UPPER_INNER
from rigcheck.geometry.projection import intrinsics_vector, project, unproject
from rigcheck.model import StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["OtherView", "Swept", "sweep_edge"]

Levels = NDArray[np.float32]

_STEP_MM = 0.25
_BESIDE = 0.008  # how far from the line the teeth beside it are looked at, outer-eye distances
_LEAST_BESIDE_PX = 1.5
_LEAST_DIP = 0.05  # of the line under the teeth beside it
_TOOTH = 0.62  # of the teeth's brightness: what lies above and below the line must be tooth, not lip
_APART_MM = 2.5  # other places at least so far away must answer less than half as well
_ABOVE = 0.03  # outer-eye distances: so far may the points put the upper lip too low
_SOFTEN_PX = 0.6


@dataclass(frozen=True, kw_only=True, eq=False)
class OtherView:
    """The camera that does not see the edge plainly.

    `levels` (H, W) are code values over black, `points_px` (478, 2) its face, `bright` the brightness of its teeth.
    """

    levels: NDArray[np.float32]
    points_px: FloatArray
    bright: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Swept:
    """Where the edge lies: its middle (3,) mm in the frame of camera 1, and mm along the ray for a pixel of error."""

    point_mm: FloatArray
    mm_per_px: float


def sweep_edge(
    edge_px: FloatArray,
    other: OtherView,
    rig: StereoRig,
    *,
    seen_by_first: bool,
    between_mm: tuple[float, float],
) -> Swept | None:
    """Try depths along the rays of the edge, and take the one at which the other camera shows a line there.

    Parameters
    ----------
    edge_px : (N, 2) float64, px
        The line between the rows of teeth about the middle of the mouth, as the camera sees it that sees it plainly.
    other : OtherView
    rig : StereoRig
    seen_by_first : bool
        Whether camera 1 is the one that sees it.
    between_mm : (nearest, farthest)
        Depths to try, in the frame of the camera that sees it.

    Returns
    -------
    Swept or None
        None where no depth answers clearly: the edge is hidden, or runs along the line between the cameras, so that
        every depth looks alike.

    Notes
    -----
    The answer at a depth is how much darker the other picture is on the line carried there than just above and below,
    the median along the line; both sides must be as bright as teeth, and the place between the lips. The edge is taken
    to lie at one depth over the fifth of the mouth that is used: 0.4 mm off at its ends on an average arch.
    """
    cameras = (rig.camera1, rig.camera2) if seen_by_first else (rig.camera2, rig.camera1)
    flat = unproject(edge_px, intrinsics_vector(cameras[0]), cameras[0].model)
    rays = np.column_stack([flat, np.ones(len(flat))])[np.isfinite(flat).all(axis=1)]
    if len(rays) == 0:
        return None
    pose = rig.camera2_from_camera1
    depths = np.arange(*between_mm, _STEP_MM)
    _, down, unit = face_axes(other.points_px)
    beside = max(_BESIDE * unit, _LEAST_BESIDE_PX) * down
    soft = np.asarray(cv2.GaussianBlur(other.levels, (0, 0), _SOFTEN_PX), dtype=np.float32)
    carry = pose if seen_by_first else pose.inverse()
    places: list[FloatArray] = [
        np.asarray(
            project(carry.apply(depth * rays), intrinsics_vector(cameras[1]), cameras[1].model),
            dtype=np.float64,
        )
        for depth in depths
    ]
    inside = [_between_lips(place, other.points_px) for place in places]
    answers = np.array(
        [
            _answer(soft, place, beside, other.bright) if within else 0.0
            for place, within in zip(places, inside, strict=True)
        ]
    )
    best = _clear_peak(answers, depths)
    if best is None:
        return None
    moved = np.median(places[best + 1] - places[best - 1], axis=0) @ (beside / np.linalg.norm(beside))
    middle = np.median(depths[best] * rays, axis=0)
    return Swept(
        point_mm=middle if seen_by_first else pose.inverse().apply(middle),
        mm_per_px=2.0 * _STEP_MM / max(abs(float(moved)), 1e-6),
    )


def _between_lips(places: FloatArray, points_px: FloatArray) -> bool:
    """Whether the line carried over lies in the opening of the mouth, or hardly above where the points put the lip."""
    _, down, unit = face_axes(points_px)
    upper, lower = (
        float(points_px[list(edge)].mean(axis=0) @ down) for edge in (UPPER_INNER[4:7], LOWER_INNER[4:7])
    )
    return bool(upper - _ABOVE * unit <= float(np.median(places @ down)) <= lower)


def _answer(soft: Levels, places: FloatArray, beside: FloatArray, bright: float) -> float:
    """How far the line lies under the teeth beside it, in shares of their brightness; 0 where none are beside it."""
    here, above, below = (_sampled(soft, places + shift) for shift in (0.0 * beside, -beside, beside))
    if min(np.median(above), np.median(below)) < _TOOTH * bright:
        return 0.0
    return max(float(np.median(np.minimum(above, below) - here)) / bright, 0.0)


def _sampled(soft: Levels, places: FloatArray) -> Levels:
    at = places.astype(np.float32)
    return np.asarray(cv2.remap(soft, at[:, 0], at[:, 1], cv2.INTER_LINEAR), dtype=np.float32).reshape(-1)


def _clear_peak(answers: FloatArray, depths: FloatArray) -> int | None:
    best = int(answers.argmax())
    if not 0 < best < len(answers) - 1 or answers[best] < _LEAST_DIP:
        return None
    others = answers[np.abs(depths - depths[best]) >= _APART_MM]
    return best if others.max(initial=0.0) < 0.5 * answers[best] else None
