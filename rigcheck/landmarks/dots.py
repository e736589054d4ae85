"""Small round dots painted on a face: found, and painted over before the mesh looks."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.landmarks.mesh import FaceMesh, MeshPass
from rigcheck.landmarks.sampling import PictureLevels, Square
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["LEAST_DOTS", "DotsOnFace", "dots_on_face"]

# Fewer than this may be moles, spots or lights.
LEAST_DOTS = 10
_SIZE = 384  # side of the cut-out looked at; the outer eye corners are about 110 px apart in it
_WIDEST_PX = 11  # a dot of 7 mm or a little more
_LEAST_CONTRAST = 22.0  # code values a dot differs from the skin around it
_LEAST_OVER_SKIN = 6.0  # the same in robust deviations of the skin's own texture
_AREA_PX = (2.0, 95.0)
_REACH_PX = 20  # of the hat's two passes and of a dot's surroundings
_LONELY = 0.35  # what a dot's surroundings may hold of its own contrast

# Rings of the mesh around what holds small dark and bright things of its own: eyes with brows, nostrils, lips.
_EYE_RINGS = (
    (70, 63, 105, 66, 107, 55, 193, 245, 128, 121, 120, 119, 118, 117, 111, 143, 156),
    (300, 293, 334, 296, 336, 285, 417, 465, 357, 350, 349, 348, 347, 346, 340, 372, 383),
)
_NOSTRIL_RING = (4, 220, 115, 64, 98, 97, 2, 326, 327, 294, 344, 440)
_LIP_RING = (
    *(61, 185, 40, 39, 37, 0, 267, 269, 270, 409, 291),
    *(375, 321, 405, 314, 17, 84, 181, 91, 146),
)
_FACE_RING = (
    *(10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400, 377, 152),
    *(148, 176, 149, 150, 136, 172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109),
)


@dataclass(frozen=True, kw_only=True, eq=False)
class DotsOnFace:
    """Dots found: how many, and the picture with them painted over, as a cut-out of `square`."""

    count: int
    clean: NDArray[np.uint8]
    square: Square

    def look(self, mesh: FaceMesh, square: Square, *, mirrored: bool = False) -> MeshPass:
        """Run the mesh on a square of the picture, the dots painted over."""
        inner = square.within(self.square, _SIZE)
        seen = mesh.look(PictureLevels(self.clean), inner, mirrored=mirrored)
        points = self.square.to_picture((seen.points_px + 0.5) / _SIZE)
        return MeshPass(points_px=points, logit=seen.logit, square=square)


def dots_on_face(picture: PictureLevels, square: Square, points_px: FloatArray) -> DotsOnFace:
    """Look for small dark or bright round dots on the skin.

    Parameters
    ----------
    picture : PictureLevels
    square : Square
        Around the face.
    points_px : (478, 2) float64, px
        The face's points, well enough to know where eyes, nostrils and lips are.

    Notes
    -----
    A dot stands out of a morphological closing (dark) or opening (bright) of its surroundings by 22 code values and
    by 6 robust deviations of the same measure over the skin; it is 1.5 to 9 px across where the eyes are about 110 px
    apart, and about round. Dots on brows, lids, nostrils and lips are not looked for.
    """
    cut = picture.cut(square, _SIZE)
    whole = _skin_mask(square.from_picture(points_px) * _SIZE - 0.5)
    part = _box_of(whole)
    skin = whole[part]
    grey = cut[part] if cut.ndim == 2 else cv2.cvtColor(cut[part], cv2.COLOR_RGB2GRAY)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_WIDEST_PX + 2, _WIDEST_PX + 2))
    found = np.zeros(grey.shape, dtype=np.uint8)
    count = 0
    for operation in (cv2.MORPH_BLACKHAT, cv2.MORPH_TOPHAT):
        hat = np.asarray(cv2.morphologyEx(grey, operation, kernel), dtype=np.uint8)
        values = hat[skin > 0]
        if len(values) == 0:
            continue
        counts = np.bincount(values, minlength=256)
        usual = _median_of(np.arange(256), counts)
        deviation = 1.4826 * _median_of(np.abs(np.arange(256) - usual), counts)
        threshold = max(_LEAST_CONTRAST, usual + _LEAST_OVER_SKIN * max(deviation, 1.0))
        over = cv2.threshold(hat, np.ceil(threshold) - 1.0, 255, cv2.THRESH_BINARY)[1]
        spots = np.asarray(cv2.bitwise_and(over, skin), dtype=np.uint8)
        count += _keep_round(spots, hat, found)
    clean = cut
    if count >= LEAST_DOTS:
        grown = np.zeros(cut.shape[:2], dtype=np.uint8)
        grown[part] = cv2.dilate(found, np.ones((5, 5), dtype=np.uint8))
        clean = np.asarray(cv2.inpaint(cut, grown, 3.0, cv2.INPAINT_TELEA), dtype=np.uint8)
    return DotsOnFace(count=count, clean=clean, square=square)


def _median_of(values: NDArray[np.integer] | FloatArray, counts: NDArray[np.integer]) -> float:
    """Median of values that occur so often: at once, where sorting every pixel takes long."""
    order = np.argsort(values)
    below = np.cumsum(counts[order])
    middle = np.searchsorted(below, [(below[-1] - 1) // 2, below[-1] // 2], side="right")
    return float(values[order][middle].mean())


def _box_of(skin: NDArray[np.uint8]) -> tuple[slice, slice]:
    """Rows and columns around the skin, as far as what is done there reaches."""
    x, y, width, height = cv2.boundingRect(skin)
    return (
        slice(max(y - _REACH_PX, 0), y + height + _REACH_PX),
        slice(max(x - _REACH_PX, 0), x + width + _REACH_PX),
    )


def _skin_mask(points: FloatArray) -> NDArray[np.uint8]:
    """Where the cut-out shows skin without eyes, nostrils and lips; 255 there."""
    mask = np.zeros((_SIZE, _SIZE), dtype=np.uint8)
    _fill(mask, points[list(_FACE_RING)], 255)
    skin = cv2.erode(mask, np.ones((9, 9), dtype=np.uint8))
    holes = np.zeros_like(mask)
    for ring in (*_EYE_RINGS, _NOSTRIL_RING, _LIP_RING):
        hull = cv2.convexHull(points[list(ring)].astype(np.float32)).reshape(-1, 2)
        _fill(holes, np.asarray(hull, dtype=np.float64), 255)
    grown = cv2.dilate(holes, np.ones((7, 7), dtype=np.uint8))
    return np.asarray(np.where(grown > 0, 0, skin), dtype=np.uint8)


def _fill(mask: NDArray[np.uint8], outline: FloatArray, value: int) -> None:
    cv2.fillPoly(mask, [np.rint(outline).astype(np.int32).reshape(-1, 1, 2)], value)


def _keep_round(spots: NDArray[np.uint8], hat: NDArray[np.uint8], found: NDArray[np.uint8]) -> int:
    """Add round, lonely spots of a dot's size to `found`; returns how many."""
    if not cv2.countNonZero(spots):
        return 0
    x, y = np.asarray(cv2.findNonZero(spots), dtype=np.int64).reshape(-1, 2).T
    # Boxes and areas from the few pixels of spots: OpenCV's own go through the whole picture.
    count, every = cv2.connectedComponents(spots, connectivity=8)
    labels = np.asarray(every, dtype=np.int32)
    owner = labels[y, x]
    low, high = np.full((2, count), max(spots.shape)), np.zeros((2, count), dtype=int)
    for axis, places in enumerate((x, y)):
        np.minimum.at(low[axis], owner, places)
        np.maximum.at(high[axis], owner, places)
    area = np.bincount(owner, minlength=count)
    width, height = high - low + 1
    longer = np.maximum(width, height)
    round_enough = (longer <= _WIDEST_PX) & (longer <= 1.7 * np.minimum(width, height) + 1)
    round_enough &= (area >= _AREA_PX[0]) & (area <= _AREA_PX[1]) & (area >= 0.5 * width * height)
    boxes = np.stack([*low, width, height], axis=1)
    kept = [k for k in np.flatnonzero(round_enough) if _lonely(labels, int(k), hat, boxes[k])]
    if kept:
        found[np.isin(labels, kept)] = 255
    return len(kept)


def _lonely(labels: NDArray[np.int32], label: int, hat: NDArray[np.uint8], box: NDArray[np.integer]) -> bool:
    """Whether the ring around a spot is plain skin: hairs, creases and stubble go on beyond it."""
    x, y, width, height = (int(v) for v in box[:4])
    part = np.s_[max(0, y - 5) : y + height + 5, max(0, x - 5) : x + width + 5]
    own = (labels[part] == label).astype(np.uint8)
    near = cv2.dilate(own, np.ones((5, 5), dtype=np.uint8))
    ring = (cv2.dilate(own, np.ones((9, 9), dtype=np.uint8)) > 0) & (near == 0)
    here = hat[part]
    return _share_below(here[ring], 0.8) < _LONELY * float(here[own > 0].mean())


def _share_below(values: NDArray[np.uint8], share: float) -> float:
    """Value with so large a share below it: for a few dozen values numpy's own takes longer to ask than to answer."""
    ordered = np.sort(values)
    place = share * (len(ordered) - 1)
    low = int(place)
    ends = ordered[low : low + 2].astype(np.float64)
    return float(ends[0] + (place - low) * (ends[-1] - ends[0]))
