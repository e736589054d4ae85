"""What is read from one picture of the board, at a glance or fully, and what a clip's pictures amount to."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration import CameraSetup
from rigcheck.footage.hot_pixels import HotPixelLook
from rigcheck.geometry.board_views import MIN_CORNERS, View, usable_views
from rigcheck.jobs.moving import Moving
from rigcheck.model import BoardSpec, Frame, Observation, Rejection
from rigcheck.opencv import cv2
from rigcheck.target import BoardDetector, Glance
from rigcheck.target.edges import EdgeBlurs, edge_blurs
from rigcheck.target.fields import fields_apart_px
from rigcheck.target.surface import SurfaceLook, surface_look

OnProgress = Callable[[int, int], None]

_SOFTEST_PX = 12.0

__all__ = [
    "Inspected",
    "Light",
    "Looked",
    "OnProgress",
    "Search",
    "gathered",
    "glanced_observation",
    "inspect",
    "rough_observation",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class Looked:
    """What was seen.

    `views` have at least one side, `positions` say where they come from, `rejected` are the pictures without
    a board; `looked` counts the moments looked at, `worth` those that show enough of the board.
    `edges` and `surfaces` are how sharp the board's edges are, and what its surface looks like, in each picture
    that was looked at fully; `fields_px` how far apart odd and even lines show it, by camera's name.
    `moving` are runs of pictures of the moving board, where these were looked for in the same pass. `kept` are
    pictures looked at fully that cannot be decoded again at little cost, as JPEG, by camera's name and frame.
    `sensors` are the hot pixels seen in all of the pictures, by camera's name.
    """

    views: tuple[View, ...]
    positions: tuple[int, ...]
    rejected: tuple[Rejection, ...]
    looked: int
    worth: int
    edges: tuple[EdgeBlurs, ...] = ()
    surfaces: tuple[SurfaceLook, ...] = ()
    fields_px: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    moving: Moving | None = None
    kept: Mapping[tuple[str, int], bytes] = field(default_factory=dict)
    sensors: Mapping[str, HotPixelLook | None] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Light:
    """How one camera's code values stand to light: a table of 256, None when not known, and its black level."""

    table: NDArray[np.float64] | None = None
    black_level: float | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Search:
    """What is looked for, by which cameras, and who is told how far it is; `lights` is by camera name."""

    board: BoardSpec
    setups: tuple[CameraSetup, ...]
    lights: Mapping[str, Light]
    on_progress: OnProgress


def rough_observation(detector: BoardDetector, frame: Frame) -> Observation | None:
    """Corners at a glance, their sigma from how sharp the picture is; None where too few are seen."""
    return glanced_observation(detector.glance(frame.grey8()), frame)


def glanced_observation(seen: Glance, frame: Frame) -> Observation | None:
    """Corners that a glance gave, their sigma from how sharp the picture is; None where too few are seen."""
    if seen.n < MIN_CORNERS:
        return None
    return Observation(
        ref=frame.ref,
        corner_ids=seen.corner_ids,
        corners_px=seen.corners_px,
        sigma_px=np.full(seen.n, _softness(frame.grey8(), seen.corners_px)),
    )


def _softness(image: NDArray[np.uint8], corners_px: NDArray[np.float64]) -> float:
    """Width of the steepest edges within the board, px: contrast over the largest slopes; motion widens them too."""
    low, high = np.rint([corners_px.min(0), corners_px.max(0)]).astype(int)
    part = image[max(low[1], 0) : high[1] : 2, max(low[0], 0) : high[0]]
    if min(part.shape) < 8:
        return _SOFTEST_PX
    # Rows are sampled, columns are not: slopes along x; a turned board has both kinds of edges in it.
    (slope,) = _percentiles(np.asarray(cv2.absdiff(part[:, 1:], part[:, :-1])), 99)
    dark, bright = _percentiles(part, 5, 95)
    return float(np.clip((bright - dark) / max(slope, 1), 0.5, _SOFTEST_PX))


def _percentiles(values: NDArray[np.uint8], *percents: int) -> list[int]:
    """Percentiles of code values, counted instead of sorted."""
    counts = np.cumsum(
        np.asarray(cv2.calcHist([np.ascontiguousarray(values)], [0], None, [256], [0, 256])).ravel()
    )
    return [int(np.searchsorted(counts, percent / 100.0 * counts[-1])) for percent in percents]


@dataclass(frozen=True, kw_only=True, eq=False)
class Inspected:
    """One picture looked at fully."""

    found: Observation | Rejection
    edges: EdgeBlurs | None = None
    surface: SurfaceLook | None = None
    fields_px: float | None = None


def inspect(
    detector: BoardDetector, frame: Frame, light: Light, *, glanced: Glance | None = None
) -> Inspected:
    """Look at a picture fully; a glance at it that was had before need not be had again."""
    image = frame.grey8()
    found = detector.detect(image, frame.ref, glanced=glanced)
    if isinstance(found, Rejection):
        return Inspected(found=found)
    edges = edge_blurs(image, found, detector.spec, linear_light=light.table)
    surface = surface_look(image, found, detector.spec, edges, black_level=light.black_level)
    return Inspected(found=found, edges=edges, surface=surface, fields_px=fields_apart_px(image, found))


def gathered(seen: Sequence[tuple[int, Sequence[Inspected]]], search: Search) -> Looked:
    """Put together what was seen at the moments looked at fully: their places, and a picture of each camera."""
    views: list[View] = []
    positions: list[int] = []
    for place, pictures in seen:
        sides = tuple(one.found if isinstance(one.found, Observation) else None for one in pictures)
        if any(side is not None for side in sides):
            views.append(sides)
            positions.append(place)
    every = [one for _, pictures in seen for one in pictures]
    return Looked(
        views=tuple(views),
        positions=tuple(positions),
        rejected=tuple(one.found for one in every if isinstance(one.found, Rejection)),
        looked=len(seen),
        worth=len(usable_views(views, search.board)),
        edges=tuple(one.edges for one in every if one.edges is not None),
        surfaces=tuple(one.surface for one in every if one.surface is not None),
        fields_px={
            setup.name: tuple(
                one.fields_px
                for one in every
                if one.fields_px is not None and one.found.ref.camera == setup.name
            )
            for setup in search.setups
        },
    )
