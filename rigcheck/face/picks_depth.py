"""How far the front teeth lie behind the upper lip, in millimetres: the incisors' edge and the lip, triangulated."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.picks_shape import face_axes
from rigcheck.face.picks_strip import LOWER_INNER, UPPER_INNER, MouthStrip, mouth_strip
from rigcheck.face.picks_sweep import OtherView, sweep_edge
from rigcheck.face.picks_teeth import row_line
from rigcheck.geometry.pair import sampson_distance_px, triangulate
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.geometry.robust import evaluate_loss
from rigcheck.matching import PairMatcher
from rigcheck.model import Estimate, StereoRig
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["MouthView", "incisor_depth", "incisor_place", "mean_of_third"]

_CENTRAL, _MIDDLE = (0.3, 0.7), (0.4, 0.6)
_BEFORE_MM, _BEHIND_MM = 10.0, 30.0  # of the lips: where the edge of the teeth is looked for
_ROW_ABOVE = (0.010, 0.030)  # rows of the upper teeth, over the line between the rows, outer-eye distances
_LEAST_DIP = 0.05  # of the line between the front teeth, under its surroundings
_LINE_WIDTH = 0.012  # half the way along the mouth over which a tooth's own brightness is taken
_PLACE_SIGMA_STEPS = 1.0  # of the place found, in rows of the strip, per axis
_MOST_OFF_LINE = 4.0  # sigmas off the epipolar line: then the two are not the same place
_RING = (0.015, 0.1)  # the upper lip: from and to so far outside the opening
_LIPS_WANTED, _FEWEST = 120, 6
_LIP_HALF = 1.0 / 3.0  # of the mouth's width either side of its middle
_THIRD = (1.0, 0.0, 1.0 / 108.0)  # means of 1, x and x² over the middle third, x in widths of the mouth
_ROUNDS = 10
_LIP_LOST = "too little of the upper lip was found again by camera 2: shine, or a soft picture"
_SHAPE_SIGMA_MM = 0.5  # how far the lip's own roundness shifts the median; assumed


@dataclass(frozen=True, kw_only=True, eq=False)
class MouthView:
    """One camera's picture as recorded and the points of its face, (478, 2) px; `black_dn` is darkness."""

    grey: NDArray[np.uint8]
    points_px: FloatArray
    black_dn: float = 0.0


def incisor_depth(first: MouthView, second: MouthView, rig: StereoRig) -> Estimate:
    """Depth of the upper incisors' edge behind the upper lip at the middle of the mouth, mm.

    Parameters
    ----------
    first, second : MouthView
        Of one moment.
    rig : StereoRig

    Returns
    -------
    Estimate
        Along the line of sight of camera 1: positive behind the lips. No value where a camera does not see the edge, or
        what they see is not one place.

    Notes
    -----
    The place is where the line between the central incisors meets the line between the rows. Where one camera alone
    sees the line between the rows plainly (of two cameras above each other mostly the lower one) it is swept along that
    camera's rays into the other picture (`picks_sweep`). The lip is matched skin just above the opening, over its
    middle two thirds, since shine about the middle lies elsewhere for either camera; a parabola along the mouth, its
    mean over the middle third. The lower lip may lie 2 to 3 mm off it.
    Sigma holds one row of the strip for each camera's place, and 0.5 mm for the lip's roundness.
    """
    strips = [
        mouth_strip(view.grey, view.points_px, black_dn=view.black_dn, reach=0.12, columns=96)
        for view in (first, second)
    ]
    places = [None if strip is None else incisor_place(strip) for strip in strips]
    if strips[0] is None or strips[1] is None or all(place is None for place in places):
        return Estimate(value=None, unit="mm", reason="no camera sees the line between the rows of teeth")
    lips = _lips_mm(first, second, rig)
    if lips is None:
        return Estimate(value=None, unit="mm", reason=_LIP_LOST)
    sigma_px = float(
        np.linalg.norm(
            [_PLACE_SIGMA_STEPS * strip.step * strip.unit_px for strip in strips if strip is not None]
        )
    )
    if places[0] is not None and places[1] is not None:
        found = _by_places(places[0], places[1], sigma_px, rig)
    else:
        seen = 0 if places[0] is not None else 1
        found = _by_sweep((first, second), strips, seen, (lips[0], sigma_px), rig)
    if isinstance(found, str):
        return Estimate(value=None, unit="mm", reason=found)
    depth, own = found
    return Estimate(
        value=depth - lips[0],
        sigma=float(np.hypot(own, np.hypot(lips[1], _SHAPE_SIGMA_MM))),
        unit="mm",
        n=2,
    )


def _by_places(
    first: FloatArray, second: FloatArray, sigma_px: float, rig: StereoRig
) -> tuple[float, float] | str:
    """Depth of the place that both cameras see, in the frame of camera 1, and its sigma, mm; or why there is none."""
    if abs(_off_line([first, second], rig)) > _MOST_OFF_LINE * sigma_px:
        return "the cameras see other places of the front teeth"
    teeth = _point(first, second, rig)
    if not np.isfinite(teeth).all():
        return "the cameras see other places of the front teeth"
    moved = [
        _point(first, second + sigma_px * step, rig)[2] - teeth[2]
        for step in (np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    ]
    return float(teeth[2]), float(np.sqrt(np.nansum(np.square(moved))))


def _by_sweep(
    views: tuple[MouthView, MouthView],
    strips: Sequence[MouthStrip | None],
    seen: int,
    lips_mm_and_sigma_px: tuple[float, float],
    rig: StereoRig,
) -> tuple[float, float] | str:
    """Do the same with the edge of camera `seen` carried along its rays into the other's picture."""
    lips_mm, sigma_px = lips_mm_and_sigma_px
    strip, other = strips[seen], strips[1 - seen]
    edge = None if strip is None else _middle_edge(strip)
    if edge is None or other is None:
        return "no camera sees the line between the rows of teeth"
    view = views[1 - seen]
    swept = sweep_edge(
        edge,
        OtherView(
            levels=view.grey.astype(np.float32) - np.float32(view.black_dn),
            points_px=view.points_px,
            bright=_teeth_level(other),
        ),
        rig,
        seen_by_first=seen == 0,
        between_mm=(lips_mm - _BEFORE_MM, lips_mm + _BEHIND_MM),
    )
    if swept is None:
        names = rig.camera1.name, rig.camera2.name
        return (
            f"{names[1 - seen]} does not see the edge of the upper front teeth that {names[seen]} sees: most often a "
            "lip hides it"
        )
    return float(swept.point_mm[2]), swept.mm_per_px * sigma_px


def _middle_edge(strip: MouthStrip) -> FloatArray | None:
    """The line between the rows about the middle of the mouth, (N, 2) px as recorded."""
    heights = row_line(strip)
    if heights is None:
        return None
    columns = np.flatnonzero((strip.along > _MIDDLE[0]) & (strip.along < _MIDDLE[1]))
    known = np.flatnonzero(np.isfinite(heights))
    line = np.interp(columns, known, heights[known])
    rows = [int(np.abs(strip.height - each).argmin()) for each in line]
    return np.asarray(strip.places_px[rows, columns])


def _teeth_level(strip: MouthStrip) -> float:
    inside = (strip.height[:, None] >= strip.upper) & (strip.height[:, None] <= strip.lower)
    return float(np.percentile(strip.levels[inside], 85.0)) if inside.any() else 1.0


def incisor_place(strip: MouthStrip) -> FloatArray | None:
    """Where the line between the central incisors meets the line between the rows, (x, y) px as recorded."""
    heights = row_line(strip)
    if heights is None:
        return None
    columns = np.flatnonzero((strip.along > _CENTRAL[0]) & (strip.along < _CENTRAL[1]))
    known = np.flatnonzero(np.isfinite(heights))
    line = np.interp(np.arange(len(heights)), known, heights[known])
    above = [
        strip.levels[
            (strip.height > line[column] - _ROW_ABOVE[1]) & (strip.height < line[column] - _ROW_ABOVE[0]),
            column,
        ].mean()
        for column in columns
    ]
    bright = np.asarray(above)
    width = max(round(_LINE_WIDTH * len(strip.along) / 0.5), 2)
    around = np.array([np.max(bright[max(k - width, 0) : k + width + 1]) for k in range(len(bright))])
    dip = 1.0 - bright / np.maximum(around, 1.0)
    lowest = [
        k
        for k in range(1, len(dip) - 1)
        if dip[k] > _LEAST_DIP and dip[k] >= dip[k - 1] and dip[k] >= dip[k + 1]
    ]
    if not lowest:
        return None
    k = min(lowest, key=lambda each: abs(strip.along[columns[each]] - 0.5))
    column = int(columns[k])
    row = int(np.abs(strip.height - line[column]).argmin())
    return np.asarray(strip.places_px[row, column])


def _off_line(places: list[FloatArray], rig: StereoRig) -> float:
    pose = rig.camera2_from_camera1
    return float(
        sampson_distance_px(
            places[0][None],
            places[1][None],
            (intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
            (rig.camera1.model, rig.camera2.model),
            rotation=pose.rotation,
            translation=pose.translation_mm,
        )[0]
    )


def _point(first: FloatArray, second: FloatArray, rig: StereoRig) -> FloatArray:
    return np.asarray(_points(first.reshape(-1, 2), second.reshape(-1, 2), rig)[0])


def _points(first: FloatArray, second: FloatArray, rig: StereoRig) -> FloatArray:
    pose = rig.camera2_from_camera1
    return np.asarray(
        triangulate(
            first,
            second,
            (intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
            (rig.camera1.model, rig.camera2.model),
            rotation=pose.rotation,
            translation=pose.translation_mm,
        )
    )


def _lips_mm(first: MouthView, second: MouthView, rig: StereoRig) -> tuple[float, float] | None:
    """Depth of the upper lip over the mouth's middle third, and its sigma, mm."""
    found = PairMatcher(rig, wanted=_LIPS_WANTED).match(
        first.grey, second.grey, mask1=_lips_mask(first), mask2=_lips_mask(second)
    )
    if found.n < _FEWEST:
        return None
    depth = _points(found.points1_px, found.points2_px, rig)[:, 2]
    known = np.isfinite(depth)
    if np.count_nonzero(known) < _FEWEST:
        return None
    middle, across, _, width = _opening(first)
    return mean_of_third((found.points1_px[known] - middle) @ across / width, depth[known])


def mean_of_third(place: FloatArray, depth_mm: FloatArray) -> tuple[float, float]:
    """Mean over the mouth's middle third of a parabola through depths along the mouth, and its sigma, mm.

    Parameters
    ----------
    place : (N,) float64, N at least 6
        Towards the performer's left of the middle, in widths of the mouth.
    depth_mm : (N,) float64

    Notes
    -----
    Huber's loss, scaled by the median residual. Sigma is what the matches' scatter makes of it; the lip's own
    roundness up and down is not in it.
    """
    design = np.column_stack([np.ones_like(place), place, place**2])
    weight, scale = np.ones(len(place)), 0.0
    found: FloatArray = np.zeros(3)
    for _ in range(_ROUNDS):
        found = np.asarray(np.linalg.lstsq(design * weight[:, None], depth_mm * weight, rcond=None)[0])
        off = np.abs(depth_mm - design @ found)
        scale = max(1.4826 * float(np.median(off)), 1e-6)
        weight = np.sqrt(evaluate_loss(off / scale, "huber").weight)
    wide = np.linalg.pinv((design * weight[:, None] ** 2).T @ design)
    freedom = max(1.0 - 3.0 / len(place), 0.25)
    third = np.array(_THIRD)
    return float(third @ found), scale * float(np.sqrt(third @ wide @ third / freedom))


def _opening(view: MouthView) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Middle of the opening, unit vectors along and down the face, and the opening's width, px."""
    across, down, _ = face_axes(view.points_px)
    points = view.points_px[[*UPPER_INNER, *LOWER_INNER[::-1]]]
    return points.mean(axis=0), across, down, float(np.ptp(points @ across))


def _lips_mask(view: MouthView) -> BoolArray:
    """The upper lip about the middle of the opening, the opening itself and its edge left out."""
    _, _, unit = face_axes(view.points_px)
    middle, across, down, width = _opening(view)
    opening = view.points_px[[*UPPER_INNER, *LOWER_INNER[::-1]]]
    inner = np.zeros(view.grey.shape, dtype=np.uint8)
    cv2.fillPoly(inner, [np.rint(opening).astype(np.int32).reshape(-1, 1, 2)], 1)
    grown = [
        cv2.dilate(inner, np.ones((2 * round(reach * unit) + 1,) * 2, dtype=np.uint8)) > 0 for reach in _RING
    ]
    half = _LIP_HALF * width
    rows, columns = np.indices(view.grey.shape)
    aside = (columns - middle[0]) * across[0] + (rows - middle[1]) * across[1]
    below = (columns - middle[0]) * down[0] + (rows - middle[1]) * down[1]
    return np.asarray(grown[1] & ~grown[0] & (np.abs(aside) < half) & (below < 0.0))
