"""Where the skin of a face is in a picture, place by place, and what within the face is not skin."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import FaceLandmarks
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["EYES", "MIRRORED", "MOUTH", "OTHER", "PLACES", "SIDES", "SkinLayout", "skin_layout"]

# Places of the skin with points of the face mesh that lie in them; a pixel belongs to the nearest point. Sides are
# the performer's own. The order is that of the numbers in a layout, from 1.
PLACES: dict[str, tuple[int, ...]] = {
    "the forehead": (151,),
    "the right of the forehead": (69, 108, 104),
    "the left of the forehead": (299, 337, 333),
    "between the brows": (9, 8),
    "right of the brow and temple": (68, 71, 156, 139),
    "left of the brow and temple": (298, 301, 383, 368),
    "the right upper lid": (223, 222, 225, 221),
    "the left upper lid": (443, 442, 445, 441),
    "under the right eye": (230, 228, 231, 120),
    "under the left eye": (450, 448, 451, 349),
    "the bridge of the nose": (6, 197, 195, 196, 419),
    "the tip of the nose": (4, 1, 5, 45, 275, 51, 281),
    "the right wing of the nose": (49, 64, 198),
    "the left wing of the nose": (279, 294, 420),
    "the right cheek": (101, 50, 205, 118, 187),
    "the left cheek": (330, 280, 425, 347, 411),
    "the fold of the right cheek": (203, 36, 206, 216),
    "the fold of the left cheek": (423, 266, 426, 436),
    "the upper lip's skin": (164, 167, 393, 165, 391),
    "the lips": (),
    "the chin": (199, 200, 175, 201, 421),
    "the right of the jaw": (214, 210, 211, 138, 135, 169),
    "the left of the jaw": (434, 430, 431, 367, 364, 394),
}
_NUMBER = {name: number for number, name in enumerate(PLACES, start=1)}
# Places that mirror each other, right and left. Forehead, lids and under the eyes lie so near the middle that both
# sides' lamps light them: with them the ratio came out 16 % too small on 40 rendered performers, and moved with yaw.
SIDES = tuple(
    (_NUMBER[name], _NUMBER[name.replace("right", "left")])
    for name in ("the right cheek", "the fold of the right cheek", "the right of the jaw")
)
OTHER, MOUTH, EYES = len(PLACES) + 1, len(PLACES) + 2, len(PLACES) + 3

# Well within the mesh's own outline, which often lies beside the face.
_RING = (
    *(10, 109, 67, 103, 68, 46, 124, 35, 111, 117, 187, 192, 135, 169, 150, 149, 176, 148, 152),
    *(377, 400, 378, 379, 394, 364, 416, 411, 346, 340, 265, 353, 276, 298, 332, 297, 338),
)
_LIP_RING = (
    *(61, 185, 40, 39, 37, 0, 267, 269, 270, 409, 291),
    *(375, 321, 405, 314, 17, 84, 181, 91, 146),
)
_EYE_RINGS = (
    (33, 7, 163, 144, 145, 153, 154, 155, 133, 173, 157, 158, 159, 160, 161, 246),
    (263, 249, 390, 373, 374, 380, 381, 382, 362, 398, 384, 385, 386, 387, 388, 466),
)
_BROW_RINGS = (
    (46, 53, 52, 65, 55, 107, 66, 105, 63, 70),
    (276, 283, 282, 295, 285, 336, 296, 334, 293, 300),
)
_MOUTH_RING = (78, 191, 80, 81, 82, 13, 312, 311, 310, 415, 308, 324, 318, 402, 317, 14, 87, 178, 88, 95)
_NOSTRILS = ((240, 60, 99, 75, 20, 242), (460, 290, 328, 305, 250, 462))
# Points that mirror each other, right and left: of places, eyes, brows, lips and outline.
_PAIRED = [name for name in PLACES if "right" in name]
MIRRORED = tuple(
    tuple(point for ring in (*(PLACES[name] for name in names), *rings) for point in ring)
    for names, rings in (
        (_PAIRED, (_EYE_RINGS[0], _BROW_RINGS[0], (61, 40, 37, 84, 91), _RING[1:18])),
        (
            [name.replace("right", "left") for name in _PAIRED],
            (_EYE_RINGS[1], _BROW_RINGS[1], (291, 270, 267, 314, 321), _RING[:18:-1]),
        ),
    )
)
# How much wider than the mesh says, in shares of the distance of the outer eye corners. Lids and lashes reach further
# than the eye itself: no place to take brightness from, but skin that may blow.
_AROUND_EYE, _AROUND_LID, _AROUND_BROW, _AROUND_NOSTRIL = 0.006, 0.022, 0.02, 0.015
_COARSE = 140.0  # pixels between the outer eye corners in the coarse layout
_LEAST_EYES_PX = 30.0
_WHOLE_MESH = 400


@dataclass(frozen=True, kw_only=True, eq=False)
class SkinLayout:
    """Places of one face in its picture as recorded.

    `x0, y0, x1, y1` is the crop of the face in whole pixels (the last excluded). `places` (h, w) uint8 holds the number
    of the place that each coarse pixel shows: 0 outside the face, from 1 in the order of `PLACES`, else `OTHER` (brows,
    rims of the lids, nostrils), `MOUTH` (teeth, tongue) or `EYES`; one coarse pixel is `step` × `step` pixels.
    `eyes_px` is the distance of the outer eye corners.
    """

    x0: int
    y0: int
    x1: int
    y1: int
    places: NDArray[np.uint8]
    step: int
    eyes_px: float

    @property
    def crop(self) -> tuple[slice, slice]:
        """Rows and columns of the crop."""
        return slice(self.y0, self.y1), slice(self.x0, self.x1)

    def full(self) -> NDArray[np.uint8]:
        """`places` at the picture's own resolution, (y1 - y0, x1 - x0)."""
        if self.step == 1:
            return self.places
        grown = cv2.resize(self.places, None, fx=self.step, fy=self.step, interpolation=cv2.INTER_NEAREST)
        return np.asarray(grown[: self.y1 - self.y0, : self.x1 - self.x0], dtype=np.uint8)


def skin_layout(face: FaceLandmarks) -> SkinLayout | str:
    """Lay out the places of a face.

    Parameters
    ----------
    face : FaceLandmarks
        With the whole mesh; a few marked points do not say where the skin is.

    Returns
    -------
    SkinLayout, or a sentence that says why there is none

    Notes
    -----
    Brows, lashes and rims of the lids say nothing of the skin's brightness and are `OTHER`. Hair that hangs over the
    forehead, and a beard, are not known to the mesh and are taken for skin.
    """
    points = face.points_px
    if int(np.isfinite(points[:, 0]).sum()) < _WHOLE_MESH:
        return "only marked points are known, which do not say where the skin is"
    eyes_px = float(np.linalg.norm(face.point("eye_outer_left") - face.point("eye_outer_right")))
    if eyes_px < _LEAST_EYES_PX:
        return f"the face is too small: {eyes_px:.0f} px between the outer eye corners, {_LEAST_EYES_PX:.0f} needed"
    step = max(round(eyes_px / _COARSE), 1)
    ring = points[list(_RING)]
    low = np.maximum(np.floor(ring.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(ring.max(axis=0)) + 1, face.image_size_px).astype(int)
    if (high - low < 4 * step).any():
        return "the face lies outside the picture"
    size = tuple(int(n) for n in -(-(high - low) // step))
    at = ((points - low + 0.5) / step - 0.5).astype(np.float32)
    return SkinLayout(
        x0=int(low[0]),
        y0=int(low[1]),
        x1=int(high[0]),
        y1=int(high[1]),
        places=_places(at, size, eyes_px / step),
        step=step,
        eyes_px=eyes_px,
    )


def _places(at: FloatArray | NDArray[np.float32], size: tuple[int, ...], eyes_px: float) -> NDArray[np.uint8]:
    width, height = size
    places = np.where(_filled(at[list(_RING)], size) > 0, _nearest(at, size), 0).astype(np.uint8)
    for rings, around, number in (
        ((_LIP_RING,), 0.0, _NUMBER["the lips"]),
        (_BROW_RINGS, _AROUND_BROW, OTHER),
        (_NOSTRILS, _AROUND_NOSTRIL, OTHER),
        (_EYE_RINGS, _AROUND_LID, OTHER),
        ((_MOUTH_RING,), 0.0, MOUTH),
        (_EYE_RINGS, _AROUND_EYE, EYES),
    ):
        blank = np.zeros((height, width), dtype=np.uint8)
        for ring in rings:
            outline = at[list(ring)]
            _draw(blank, _hull(outline) if number == OTHER else outline, around * eyes_px)
        places[(blank > 0) & (places > 0)] = number
    return places


def _hull(points: NDArray[np.float32] | FloatArray) -> NDArray[np.float32]:
    return np.asarray(cv2.convexHull(points.astype(np.float32)).reshape(-1, 2), dtype=np.float32)


def _filled(outline: NDArray[np.float32] | FloatArray, size: tuple[int, ...]) -> NDArray[np.uint8]:
    blank = np.zeros((size[1], size[0]), dtype=np.uint8)
    _draw(blank, outline, 0.0)
    return blank


def _draw(blank: NDArray[np.uint8], outline: NDArray[np.float32] | FloatArray, around_px: float) -> None:
    """Fill an outline, and a rim of this width around it."""
    whole = np.rint(outline).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(blank, [whole], 255)
    if around_px > 0:
        cv2.polylines(blank, [whole], True, 255, max(round(2 * around_px), 1))


def _nearest(at: NDArray[np.float32] | FloatArray, size: tuple[int, ...]) -> NDArray[np.uint8]:
    """Number of the place whose point is nearest, by a distance transform from the points at half the coarse size."""
    width, height = (-(-n // 2) for n in size)
    at = (at + 0.5) / 2.0 - 0.5
    seeds = np.full((height, width), 255, dtype=np.uint8)
    numbers = np.zeros((height, width), dtype=np.uint8)
    for number, indices in enumerate(PLACES.values(), start=1):
        whole = np.rint(at[list(indices)]).astype(int)
        inside = ((whole >= 0) & (whole < (width, height))).all(axis=1)
        x, y = whole[inside].T
        seeds[y, x] = 0
        numbers[y, x] = number
    _, labels = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    lookup = np.zeros(int(labels.max()) + 1, dtype=np.uint8)
    planted = seeds == 0
    lookup[labels[planted]] = numbers[planted]
    grown = cv2.resize(lookup[labels], None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    return np.asarray(grown[: size[1], : size[0]], dtype=np.uint8)
