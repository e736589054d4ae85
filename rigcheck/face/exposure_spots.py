"""Light of a few places of the upper face in small pictures: what speech alters least, for slow beats."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_skin import PLACES
from rigcheck.face.framing_points import UprightFace
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["UPPER_PLACES", "face_moves", "spot_light"]

UPPER_PLACES = tuple(
    name
    for name in PLACES
    if any(part in name for part in ("forehead", "brows", "under the", "bridge", "right cheek", "left cheek"))
    and "fold" not in name
)
_POINTS = [point for name in UPPER_PLACES for point in PLACES[name]]
_OWNERS = [number for number, name in enumerate(UPPER_PLACES) for _ in PLACES[name]]
# A spot's width in shares of the distance of the outer eye corners.
_SPOT = 0.06


def spot_light(picture: NDArray[np.float32], face: UprightFace, curve: LightCurve) -> FloatArray:
    """Mean light of each place of the upper face.

    Parameters
    ----------
    picture : (H, W) float32
        The upright picture made small, in 8-bit code values (`framing_cover.work_picture`).
    face : UprightFace
        Of this picture or of one nearby, at full size.
    curve : LightCurve
        Of luma as recorded, at the footage's own depth.

    Returns
    -------
    (P,) float64
        In the order of `UPPER_PLACES`; NaN where points are not known or lie outside the picture, and without a curve.
    """
    if curve.light is None:
        return np.full(len(UPPER_PLACES), np.nan)
    height, width = picture.shape
    scale = np.array([width, height]) / face.size_px
    radius = max(round(0.5 * _SPOT * face.eye_distance_px * float(scale.mean())), 1)
    at = (face.points_px[_POINTS] + 0.5) * scale - 0.5
    inside = (at >= radius) & (at <= np.array([width, height]) - 1.0 - radius)
    seen = np.asarray(inside).all(axis=1)
    x, y = np.rint(np.where(np.stack([seen, seen], axis=1), at, 0.0)).astype(int).T
    blurred = cv2.blur(picture, (2 * radius + 1, 2 * radius + 1))
    step = 2.0 ** (curve.bit_depth - 8)
    codes = blurred[y, x] * step + 0.5 * (step - 1.0)
    light = np.interp(codes, np.arange(len(curve.light)), curve.light)
    means = np.bincount(_OWNERS, weights=light) / np.bincount(_OWNERS)
    whole = np.bincount(_OWNERS, weights=~seen) == 0
    return np.where(whole, means, np.nan)


def face_moves(faces: Sequence[UprightFace]) -> FloatArray:
    """How each face lies in the picture, (N, 5): its middle, size and roll, and the opening of the mouth.

    In shares of the distance of the outer eye corners, the roll in radians.
    """
    rows = []
    for face in faces:
        right, left = face.point("eye_outer_right"), face.point("eye_outer_left")
        middle, across = (right + left) / 2.0, left - right
        size = float(np.hypot(*across))
        rows.append([*(middle / size), np.log(size), np.arctan2(across[1], across[0]), face.mouth_gap])
    return np.array(rows, dtype=np.float64).reshape(-1, 5)
