"""Whether a mouth is seen at all where the landmarks put it: a mask or hand leaves it without its edges."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.framing_points import UprightFace
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["mouth_detail", "sureness"]

# Rings of the mesh around the lips and around each eye's opening.
_LIPS = (61, 146, 91, 181, 84, 17, 314, 405, 321, 375, 291, 409, 270, 269, 267, 0, 37, 39, 40, 185)
_EYES = ((33, 133, 159, 145), (263, 362, 386, 374))
_LIPS_GROWN, _EYES_GROWN = 1.1, 1.3
_SOFT = 0.01
_MARKED = "only marked points are known, which do not outline the lips"


def mouth_detail(faces: Sequence[UprightFace], pictures: Sequence[NDArray[np.float32]]) -> Estimate:
    """Strength of the edges within the lips over that within the eyes.

    Parameters
    ----------
    faces : sequence of UprightFace
    pictures : sequence of (H, W) float32
        The same pictures, from `work_picture`.

    Returns
    -------
    Estimate
        Median over the pictures of the 90th percentiles' ratio: about 0.5 to 1.2 on uncovered faces, nothing under a
        mask.

    Notes
    -----
    A hand's own edges count as detail; the mesh being unsure then tells more.
    """
    whole = [(face, picture) for face, picture in zip(faces, pictures, strict=False) if face.is_whole_mesh]
    if not whole:
        return Estimate(value=None, reason=_MARKED if pictures else "no picture was kept to look at")
    ratios = [value for face, picture in whole if np.isfinite(value := _ratio(face, picture))]
    if not ratios:
        return Estimate(value=None, reason="mouth or eyes lie outside the picture")
    spread = 1.4826 * float(np.median(np.abs(np.array(ratios) - np.median(ratios))))
    return Estimate(
        value=float(np.median(ratios)), sigma=1.25 * spread / float(np.sqrt(len(ratios))), n=len(ratios)
    )


def sureness(faces: Sequence[UprightFace]) -> Estimate:
    """How sure the face mesh is: the median of its raw face logit."""
    scores = [face.score for face in faces if face.score is not None]
    if not scores:
        return Estimate(value=None, reason="the points were marked by hand")
    return Estimate(value=float(np.median(scores)), n=len(scores))


def _ratio(face: UprightFace, picture: NDArray[np.float32]) -> float:
    scale = picture.shape[1] / face.size_px[0]
    points = (face.points_px + 0.5) * scale - 0.5
    soft = cv2.GaussianBlur(picture, (0, 0), max(_SOFT * scale * face.eye_distance_px, 0.7))
    slope = np.hypot(
        cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1.0 / 8.0),
        cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1.0 / 8.0),
    )
    eyes = [_strength(slope, points[list(ring)], _EYES_GROWN) for ring in _EYES]
    lips = _strength(slope, points[list(_LIPS)], _LIPS_GROWN)
    return lips / float(np.mean(eyes)) if np.isfinite([lips, *eyes]).all() and min(eyes) > 0 else float("nan")


def _strength(slope: FloatArray, ring_px: FloatArray, grown: float) -> float:
    """90th percentile of the slope within a ring grown about its middle; NaN outside the picture."""
    middle = ring_px.mean(axis=0)
    hull = cv2.convexHull((middle + grown * (ring_px - middle)).astype(np.float32)).reshape(-1, 2)
    mask = np.zeros(slope.shape, dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.rint(hull).astype(np.int32), 1)
    inside = slope[mask.astype(bool)]
    return float(np.percentile(inside, 90)) if inside.size else float("nan")
