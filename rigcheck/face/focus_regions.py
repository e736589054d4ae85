"""The parts of a face whose sharpness matters, as masks over the picture as recorded."""

from collections.abc import Iterable, Mapping

import numpy as np

from rigcheck.model import FaceLandmarks
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["FOCUS_REGIONS", "filled_mask", "region_masks", "region_outlines", "whole_mask"]

FOCUS_REGIONS = ("eyes", "cheeks", "lips", "nose_tip", "sides")
_NEEDED = (
    "eye_outer_right",
    "eye_inner_right",
    "eye_inner_left",
    "eye_outer_left",
    "nose_tip",
    "wing_right",
    "wing_left",
    "mouth_corner_right",
    "mouth_corner_left",
    "chin",
)


def region_masks(face: FaceLandmarks) -> dict[str, BoolArray]:
    """Masks (H, W) by region; empty when a point they need is not known. Laid out by `region_outlines`."""
    return {name: filled_mask(parts, face.image_size_px) for name, parts in region_outlines(face).items()}


def whole_mask(outlines: Mapping[str, Iterable[FloatArray]], size_px: tuple[int, int]) -> BoolArray | None:
    """Mask (H, W) of all regions together; None where there are none."""
    return filled_mask((each for parts in outlines.values() for each in parts), size_px) if outlines else None


def region_outlines(face: FaceLandmarks) -> dict[str, tuple[FloatArray, ...]]:
    """Convex outlines by region, each (K, 2) px as recorded; empty when a point they need is not known.

    Notes
    -----
    Laid out from named points alone, in shares of the distance of the outer eye corners, so that it does not matter how
    the camera is mounted. Eyes hold lids and lashes with the eye between; cheeks hold the nasolabial folds.
    """
    if not face.has(*_NEEDED):
        return {}
    at = {name: face.point(name) for name in _NEEDED}
    across = at["eye_outer_left"] - at["eye_outer_right"]
    unit = float(np.linalg.norm(across))
    across = across / unit
    down = np.array([-across[1], across[0]])
    down *= np.sign(down @ (at["chin"] - at["nose_tip"])) or 1.0
    frame = (across * unit, down * unit)
    parts: dict[str, list[FloatArray]] = {name: [] for name in FOCUS_REGIONS}
    for side, out in (("right", -1.0), ("left", 1.0)):
        outer, inner = at[f"eye_outer_{side}"], at[f"eye_inner_{side}"]
        corner, wing = at[f"mouth_corner_{side}"], at[f"wing_{side}"]
        parts["eyes"].append(_box((outer + inner) / 2, frame, 0.24, 0.14))
        under = outer + 0.30 * frame[1]
        parts["cheeks"].append(
            np.array([wing - 0.12 * frame[1], under, corner + 0.24 * out * frame[0], corner, wing])
        )
        parts["sides"].append(
            np.array(
                [
                    outer - 0.06 * out * frame[0] + 0.25 * frame[1],
                    outer + 0.07 * out * frame[0] + 0.25 * frame[1],
                    outer + 0.02 * out * frame[0] + 0.70 * frame[1],
                    outer - 0.14 * out * frame[0] + 0.70 * frame[1],
                ]
            )
        )
    mouth = (at["mouth_corner_right"] + at["mouth_corner_left"]) / 2
    wide = float(np.linalg.norm(at["mouth_corner_left"] - at["mouth_corner_right"])) / unit
    parts["lips"].append(_box(mouth, frame, 0.5 * wide, 0.25 * wide))
    parts["nose_tip"].append(_box(at["nose_tip"], frame, 0.11, 0.10))
    return {name: tuple(_hull(outline) for outline in outlines) for name, outlines in parts.items()}


def _hull(outline: FloatArray) -> FloatArray:
    return np.asarray(cv2.convexHull(outline.astype(np.float32)), dtype=np.float64).reshape(-1, 2)


def _box(
    centre: FloatArray, frame: tuple[FloatArray, FloatArray], half_x: float, half_y: float
) -> FloatArray:
    x, y = half_x * frame[0], half_y * frame[1]
    return np.array([centre - x - y, centre + x - y, centre + x + y, centre - x + y])


def filled_mask(outlines: Iterable[FloatArray], size_px: tuple[int, int]) -> BoolArray:
    """Mask (H, W) of what convex outlines, each (K, 2) px, enclose in a picture of (width, height)."""
    mask = np.zeros((size_px[1], size_px[0]), dtype=np.uint8)
    for outline in outlines:
        cv2.fillConvexPoly(mask, np.rint(outline).astype(np.int32).reshape(-1, 1, 2), 1)
    return mask.view(np.bool_)
