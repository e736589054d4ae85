"""Whether a mouth is seen at all where the landmarks put it: a mask or hand shows nothing that runs along the lips."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.framing_points import UprightFace
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["mouth_detail", "sureness"]

# The mesh's columns across the lips, from the performer's right to the left: outer edge of the upper lip, its inner
# edge, inner and outer edge of the lower lip.
_COLUMNS = (
    (185, 40, 39, 37, 0, 267, 269, 270, 409),
    (191, 80, 81, 82, 13, 312, 311, 310, 415),
    (95, 88, 178, 87, 14, 317, 402, 318, 324),
    (146, 91, 181, 84, 17, 314, 405, 321, 375),
)
# Places between neighbouring edges, the first and the last half a lip beyond the outer ones; and along the lips.
_PLACES, _ALONG = (4, 8, 4, 8, 5), 33
_EYE_CORNERS = ((33, 133), (362, 263))
# Of an eye's patch: half its width in widths of the eye, its height over its width, and places down and across.
_EYE_WIDTH, _EYE_HEIGHT, _EYE_PLACES = 0.65, 0.55, (17, 25)
_SOFT = 0.01
# Share of the pattern that runs along the lips over this counts like contrast over that of the eyes: the faintest of
# rendered clean faces have 0.3 and 0.5.
_OF_SHARE = 0.6
_MARKED = "only marked points are known, which do not outline the lips"


def mouth_detail(faces: Sequence[UprightFace], pictures: Sequence[NDArray[np.float32]]) -> Estimate:
    """How much of what is seen at the mouth runs along the lips.

    Parameters
    ----------
    faces : sequence of UprightFace
    pictures : sequence of (H, W) float32
        The same pictures, from `work_picture`.

    Returns
    -------
    Estimate
        Median over the pictures: about 0.5 to 1.2 on uncovered faces, 0 to 0.3 under a mask or a hand.

    Notes
    -----
    The mouth is laid flat along the mesh's lips, a smooth shading (quadratic) is taken out, and the mean along the
    lips is left: seam, edges and shadow of the lips stay, fingers, folds and cloth average out. The smaller of two
    numbers counts: its contrast over that of the eyes, and its share of the variance over 0.6. A jaw opened as far as
    it goes, which the mesh follows badly, reads as covered.
    """
    whole = [(face, picture) for face, picture in zip(faces, pictures, strict=False) if face.is_whole_mesh]
    if not whole:
        return Estimate(value=None, reason=_MARKED if pictures else "no picture was kept to look at")
    ratios = [value for face, picture in whole if np.isfinite(value := _along_lips(face, picture))]
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


def _along_lips(face: UprightFace, picture: NDArray[np.float32]) -> float:
    scale = picture.shape[1] / face.size_px[0]
    points = (face.points_px + 0.5) * scale - 0.5
    places = [_mouth_places(points), *(_eye_places(points[list(ends)]) for ends in _EYE_CORNERS)]
    limit = np.array(picture.shape[::-1]) - 0.5
    if any(
        (each.mean(axis=(0, 1)) < -0.5).any() or (each.mean(axis=(0, 1)) > limit).any() for each in places
    ):
        return float("nan")
    soft = cv2.GaussianBlur(picture, (0, 0), max(_SOFT * scale * face.eye_distance_px, 0.7))
    mouth, *eyes = (_flattened(_read(np.asarray(soft, dtype=np.float32), each)) for each in places)
    along, usual = float(mouth.mean(axis=1).std()), float(np.mean([eye.std() for eye in eyes]))
    if usual == 0.0:
        return float("nan")
    share = along**2 / max(float(mouth.var()), 1e-9)
    return min(along / usual, share / _OF_SHARE)


def _mouth_places(points_px: FloatArray) -> FloatArray:
    """Places of the mouth laid flat: down across the lips, and along them, (29, 33, 2) px."""
    upper, upper_inner, lower_inner, lower = (points_px[list(row)] for row in _COLUMNS)
    edges = (
        upper + (upper - upper_inner) / 2,
        upper,
        upper_inner,
        lower_inner,
        lower,
        lower + (lower - lower_inner) / 2,
    )
    rows = [
        start + share * (end - start)
        for start, end, count in zip(edges[:-1], edges[1:], _PLACES, strict=True)
        for share in np.arange(count) / count
    ]
    columns = np.linspace(0.0, len(upper) - 1.0, _ALONG)
    before = np.minimum(columns.astype(int), len(upper) - 2)
    share = (columns - before)[:, None]
    return np.array([row[before] + share * (row[before + 1] - row[before]) for row in rows])


def _eye_places(corners_px: FloatArray) -> FloatArray:
    """Places of a patch around an eye, (17, 25, 2) px."""
    across = _EYE_WIDTH * (corners_px[1] - corners_px[0])
    down = _EYE_HEIGHT * np.array([-across[1], across[0]])
    y, x = (np.linspace(-1.0, 1.0, count) for count in _EYE_PLACES)
    return np.asarray(corners_px.mean(axis=0) + x[None, :, None] * across + y[:, None, None] * down)


def _read(picture: NDArray[np.float32], places_px: FloatArray) -> FloatArray:
    x, y = (np.ascontiguousarray(places_px[..., k], dtype=np.float32) for k in range(2))
    return np.asarray(
        cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64
    )


def _flattened(patch: FloatArray) -> FloatArray:
    """A patch less its best quadratic surface."""
    y, x = (
        each.ravel() for each in np.meshgrid(*(np.linspace(-1, 1, n) for n in patch.shape), indexing="ij")
    )
    surface = np.stack([np.ones_like(x), x, y, x * y, x * x, y * y], axis=1)
    left = patch.ravel() - surface @ np.linalg.lstsq(surface, patch.ravel(), rcond=None)[0]
    return np.asarray(left.reshape(patch.shape))
