"""What is seen of one take besides the geometry: light, sharpness, and contrast that is fixed in the picture."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_moment import ExposureMoment
from rigcheck.face.exposure_skin import MOUTH, skin_layout
from rigcheck.face.focus_regions import region_masks, region_outlines
from rigcheck.face.focus_sharpness import region_sharpness
from rigcheck.model import Estimate, FaceLandmarks
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2, shrunk

# Cells along the longer side of the picture in which contrast is kept.
CELLS = 16
# Patches of each region whose sharpness is measured in a picture.
_PATCHES = 64
_DARK = 16.0
_UPPER = 0.75
_PER_CELL = 4  # pixels of the shrunken picture along a cell

__all__ = ["CELLS", "contrast_cells", "face_mask", "sharpness_of_take", "skin_code", "skin_mask"]


def face_mask(face: FaceLandmarks) -> BoolArray:
    """The face's outline, a little widened to hold the hair line, (H, W)."""
    known = face.points_px[np.isfinite(face.points_px).all(axis=1)]
    width, height = face.image_size_px
    mask = np.zeros((height, width), dtype=np.uint8)
    hull = cv2.convexHull(known.astype(np.float32)).reshape(-1, 2)
    middle = hull.mean(axis=0)
    cv2.fillConvexPoly(mask, np.rint(middle + 1.08 * (hull - middle)).astype(np.int32), 1)
    return np.asarray(mask > 0)


def skin_mask(face: FaceLandmarks) -> BoolArray:
    """Skin and brows, (H, W): the eyes and what shows between the lips left out, where nothing is matched.

    The face's outline where the mesh cannot be laid out.
    """
    layout = skin_layout(face)
    if isinstance(layout, str):
        return face_mask(face)
    mask = np.zeros((face.image_size_px[1], face.image_size_px[0]), dtype=bool)
    places = layout.full()
    mask[layout.crop] = (places > 0) & (places < MOUTH)
    return mask


def sharpness_of_take(
    pictures: Sequence[NDArray[np.uint8]], faces: Sequence[FaceLandmarks]
) -> dict[str, Estimate]:
    """Sharpness of each region over the pictures of one camera: the mean, its sigma from the spread.

    Parameters
    ----------
    pictures : sequence of (H, W) uint8
    faces : sequence of FaceLandmarks, of the same pictures
    """
    found: dict[str, list[Estimate]] = {}
    for picture, face in zip(pictures, faces, strict=True):
        masks = region_masks(face)
        for region, number in (region_sharpness(picture, masks, most=_PATCHES) if masks else {}).items():
            found.setdefault(region, []).append(number)
    return {region: _mean(numbers) for region, numbers in found.items()}


def _mean(numbers: Sequence[Estimate]) -> Estimate:
    known = [one for one in numbers if one.value is not None]
    if not known:
        return Estimate(value=None, reason=numbers[0].reason)
    values = np.array([one.value for one in known], dtype=np.float64)
    own = float(np.mean([one.sigma or 0.0 for one in known])) / np.sqrt(len(known))
    spread = float(values.std(ddof=1)) / np.sqrt(len(values)) if len(values) > 1 else 0.0
    return Estimate(value=float(values.mean()), sigma=float(np.hypot(own, spread)), n=len(known))


def skin_code(moments: Sequence[ExposureMoment]) -> Estimate:
    """Median code value of the skin's places over the pictures."""
    values = [
        float(np.median([place.code for place in moment.places.values()]))
        for moment in moments
        if moment.places
    ]
    if not values:
        return Estimate(value=None, unit="DN", reason="no skin was seen well enough")
    spread = float(np.std(values, ddof=1)) / np.sqrt(len(values)) if len(values) > 1 else 1.0
    return Estimate(value=float(np.median(values)), sigma=max(spread, 0.3), unit="DN", n=len(values))


def contrast_cells(
    pictures: Sequence[NDArray[np.uint8]], faces: Sequence[FaceLandmarks | None]
) -> FloatArray:
    """Logarithm of the contrast of coarse detail in each cell of the picture, (R, C).

    Parameters
    ----------
    pictures : sequence of (H, W) uint8
        Of one camera, spread over a take.
    faces : sequence of FaceLandmarks or None
        In the same pictures: cells of lips and eyes are left out, where expressions come and go.

    Returns
    -------
    (R, C) float64
        Standard deviation over mean within the cell, the upper quartile over the pictures; NaN where it is dark or left
        out in half of them.

    Notes
    -----
    The picture is shrunk to four pixels a cell first: noise and the sharpness of the lens hardly count, a film of
    grease or fog, which spreads light over many pixels, does. Exposure cancels. The best of the moments counts: a cheek
    that smooths takes detail away for a moment, a film on the lens for all.
    """
    found = []
    for picture, face in zip(pictures, faces, strict=True):
        mean, spread = _blocks(picture)
        with np.errstate(divide="ignore", invalid="ignore"):
            value = np.log(np.maximum(spread, 0.25) / mean)
        seen = mean >= _DARK
        if face is not None:
            seen &= ~_restless(face, (mean.shape[0], mean.shape[1]))
        found.append(np.where(seen, value, np.nan))
    return _upper_of(np.array(found))


def _upper_of(stack: FloatArray) -> FloatArray:
    """Upper quartile over the first axis of what is known; NaN where no more than half is."""
    count = np.isfinite(stack).sum(axis=0)
    place = _UPPER * np.maximum(count - 1, 0)
    low = np.floor(place).astype(np.int64)
    ordered = np.sort(stack, axis=0)  # what is not known comes last
    below, above = (
        np.take_along_axis(ordered, at[None], axis=0)[0] for at in (low, np.minimum(low + 1, len(stack) - 1))
    )
    between = np.where(place > low, below + (place - low) * (above - below), below)
    return np.where(2 * count > len(stack), between, np.nan)


def _grid(shape: tuple[int, ...]) -> tuple[int, int]:
    """Rows and columns of cells."""
    cell = max(shape) / CELLS
    return round(shape[0] / cell), round(shape[1] / cell)


def _blocks(picture: NDArray[np.uint8]) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of each cell of the shrunken picture, (R, C) each."""
    rows, columns = _grid(picture.shape)
    small = shrunk(picture, (columns * _PER_CELL, rows * _PER_CELL))
    blocks = np.asarray(small, dtype=np.float64).reshape(rows, _PER_CELL, columns, _PER_CELL)
    return blocks.mean(axis=(1, 3)), blocks.std(axis=(1, 3))


def _restless(face: FaceLandmarks, shape: tuple[int, int]) -> BoolArray:
    """Cells that lips or eyes reach into, (R, C)."""
    outlines = region_outlines(face)
    fine = np.zeros((shape[0] * _PER_CELL, shape[1] * _PER_CELL), dtype=np.uint8)
    ratio = np.array(fine.shape[::-1]) / np.array(face.image_size_px)
    for outline in (*outlines.get("lips", ()), *outlines.get("eyes", ())):
        places = np.rint((outline + 0.5) * ratio - 0.5).astype(np.int32)
        cv2.fillConvexPoly(fine, places.reshape(-1, 1, 2), 1)
    return np.asarray(fine.reshape(shape[0], _PER_CELL, shape[1], _PER_CELL).any(axis=(1, 3)))
