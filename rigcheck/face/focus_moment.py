"""Sharpness of one picture of a face, region by region, and its motion blur."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from rigcheck.face.focus_regions import filled_mask, region_outlines
from rigcheck.face.focus_sharpness import region_sharpness
from rigcheck.face.focus_smear import moved_px, smear_of
from rigcheck.face.focus_spectra import PATCH_PX
from rigcheck.model import Estimate, FaceLandmarks, Frame, FrameRef
from rigcheck.model._arrays import BoolArray, FloatArray

__all__ = ["FocusMoment", "focus_moment"]

_NO_REGIONS = "points of eyes, nose, mouth and chin are needed to lay the regions out"
_STRIDE = PATCH_PX // 2
_MOST_PATCHES = 120


@dataclass(frozen=True, kw_only=True, eq=False)
class FocusMoment:
    """Focus of one picture.

    `regions`: sharpness by region; `outlines` the regions' outlines, each (K, 2) px as recorded; `smear` length of
    motion blur and `smear_deg` its direction; `moved_px` how far the face went since the picture before, None when
    that is not known. `reason` is set when the picture cannot be judged.
    """

    ref: FrameRef
    size_px: tuple[int, int]
    reason: str = ""
    regions: Mapping[str, Estimate] = field(default_factory=dict)
    outlines: Mapping[str, tuple[FloatArray, ...]] = field(default_factory=dict)
    smear: Estimate = field(default_factory=lambda: Estimate(value=None, unit="px", reason=_NO_REGIONS))
    smear_deg: float = 0.0
    moved_px: float | None = None


def focus_moment(frame: Frame, face: FaceLandmarks, *, before: Frame | None = None) -> FocusMoment:
    """Measure one picture.

    Parameters
    ----------
    frame : Frame
        As recorded, at its full size.
    face : FaceLandmarks
        Of this picture.
    before : Frame, optional
        The picture just before, of the same camera: says whether the face moves.

    Raises
    ------
    ValueError
        When frame and face are of different size.
    """
    if frame.size_px != face.image_size_px:
        raise ValueError(
            f"{frame.ref.label}: {frame.size_px} px found, the face is of {face.image_size_px} px"
        )
    outlines = region_outlines(face)
    if not outlines:
        return FocusMoment(ref=frame.ref, size_px=frame.size_px, reason=_NO_REGIONS)
    grey = frame.grey8()
    box = _box(outlines, frame.size_px)
    part = _part(box, frame.size_px)
    masks = _masks(outlines, part)
    smear, toward = smear_of(grey[part], _grid(box, part, masks))
    moved = None if before is None or before.size_px != frame.size_px else moved_px(before.grey8(), grey, box)
    return FocusMoment(
        ref=frame.ref,
        size_px=frame.size_px,
        regions=region_sharpness(grey[part], masks),
        outlines=outlines,
        smear=smear,
        smear_deg=toward,
        moved_px=moved,
    )


def _box(outlines: Mapping[str, tuple[FloatArray, ...]], size_px: tuple[int, int]) -> tuple[slice, slice]:
    points = np.concatenate([each for parts in outlines.values() for each in parts])
    low = np.clip(np.floor(points.min(axis=0)), 0, np.array(size_px) - _STRIDE).astype(int)
    high = np.clip(np.ceil(points.max(axis=0)), low + _STRIDE, size_px).astype(int)
    return slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))


def _part(box: tuple[slice, slice], size_px: tuple[int, int]) -> tuple[slice, slice]:
    """Rows and columns that hold every patch of the box, laid so that patches lie where they do in the picture."""
    rows, columns = (
        slice(
            max((one.start - PATCH_PX) // _STRIDE * _STRIDE, 0),
            min(one.stop + PATCH_PX, size),
        )
        for one, size in zip(box, size_px[::-1], strict=True)
    )
    return rows, columns


def _masks(outlines: Mapping[str, tuple[FloatArray, ...]], part: tuple[slice, slice]) -> dict[str, BoolArray]:
    """Of each region, within a part of the picture."""
    rows, columns = part
    corner = np.array([columns.start, rows.start])
    size = (columns.stop - columns.start, rows.stop - rows.start)
    return {name: filled_mask((each - corner for each in parts), size) for name, parts in outlines.items()}


def _grid(box: tuple[slice, slice], part: tuple[slice, slice], masks: Mapping[str, BoolArray]) -> FloatArray:
    """Patches of skin within the part: cheeks, sides and nose, where no lash or lip lies."""
    y, x = np.meshgrid(
        *(
            np.arange(one.start - whole.start, one.stop - whole.start, _STRIDE)
            for one, whole in zip(box, part, strict=True)
        ),
        indexing="ij",
    )
    inside = masks["cheeks"][y, x] | masks["sides"][y, x] | masks["nose_tip"][y, x]
    places = np.stack([x[inside], y[inside]], axis=1).astype(np.float64)
    return places[:: max(-(-len(places) // _MOST_PATCHES), 1)]
