"""Whether anything moves: points followed to the pictures just before and after, the head's own movement taken off."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.picks_shape import face_axes
from rigcheck.landmarks.flow import follow, normalised
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.opencv import cv2

__all__ = ["STILL_PARTS", "MovedSince", "read_stillness"]

# Points of the mesh on what stays when a face does something: bridge of the nose, its side, the temples' edge.
_RIGID = (168, 6, 197, 195, 5, 122, 351, 193, 417, 245, 465, 188, 412, 174, 399, 127, 356, 34, 264)
_PARTS: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "eye_right": (33, 160, 158, 133, 153, 144, 159, 145, 468, 470, 472),
        "eye_left": (263, 387, 385, 362, 380, 373, 386, 374, 473, 475, 477),
        "brow_right": (70, 63, 105, 66, 107, 52, 65),
        "brow_left": (300, 293, 334, 296, 336, 282, 295),
        "mouth": (61, 291, 0, 17, 13, 14, 37, 267, 84, 314, 40, 270, 91, 321, 78, 308, 82, 312, 87, 317),
        "lower_face": (50, 280, 205, 425, 187, 411, 192, 416, 18, 200, 199, 32, 262, 212, 432),
    }
)
STILL_PARTS = tuple(_PARTS)
_WORK_UNIT_PX = 330.0  # about the outer-eye distance of the picture in which points are followed
_LEAST_TRUSTED = 0.5
# Of lengths of Gaussian errors in a plane (Rayleigh) just so many are shorter than their RMS: 1 - 1/e. A few points
# that slide along an edge then do not speak for the whole part.
_RMS_PERCENTILE = 63.2
_ROUNDS, _LEAST_SCALE_PX = 8, 0.05
_MEDIAN_OF_RMS = 0.83  # of the lengths of Gaussian errors in a plane (Rayleigh): sqrt(2 ln 2) over sqrt 2
_NO_TIME = "pictures without times: nobody knows how fast"


@dataclass(frozen=True, kw_only=True, eq=False)
class MovedSince:
    """A neighbouring picture and how long before (or after) it was taken, s."""

    image: NDArray[np.uint8]
    seconds: float


def read_stillness(
    image: NDArray[np.uint8], points_px: FloatArray, neighbours: tuple[MovedSince, ...]
) -> dict[str, Estimate]:
    """Speeds, outer-eye distances a second: `speed_head`, and `speed_…` of the parts of the face.

    Parameters
    ----------
    image : (H, W) uint8
    points_px : (478, 2) float64, px, as recorded
    neighbours : tuple of MovedSince
        Pictures of equal size just before and after; the faster of them counts.

    Notes
    -----
    The head's movement is the similarity that carries the bridge of the nose and the temples over (Procrustes); a
    part's speed is the RMS of what is left of its points, robustly. Sigma is what is left on the rigid points:
    the noise floor of following. A part whose points are lost on the way has no value: it moves, or is covered.
    """
    names = ("speed_head", *(f"speed_{part}" for part in _PARTS))
    if not neighbours:
        return {name: Estimate(value=None, unit="eye distances/s", reason=_NO_TIME) for name in names}
    _, _, unit = face_axes(points_px)
    # A whole number of pixels becomes one: several times quicker than any other share.
    scale = 1.0 / max(round(unit / _WORK_UNIT_PX), 1)
    here = normalised(_scaled(image, scale))
    found = [_speeds(here, points_px * scale, unit * scale, each, scale) for each in neighbours]
    return {name: _faster([each[name] for each in found]) for name in names}


def _scaled(image: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    if scale == 1.0:
        return image
    return np.asarray(
        cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )


def _speeds(
    here: NDArray[np.uint8], points: FloatArray, unit: float, other: MovedSince, scale: float
) -> dict[str, Estimate]:
    indices = np.array(sorted({*_RIGID, *(idx for part in _PARTS.values() for idx in part)}))
    start = points[indices]
    flow = follow(here, normalised(_scaled(other.image, scale)), start)
    at = {int(idx): k for k, idx in enumerate(indices)}
    rigid = np.array([at[idx] for idx in _RIGID if flow.trusted[at[idx]]], dtype=np.int64)
    per_second = 1.0 / (unit * other.seconds)
    lost = "the points could not be followed to the pictures beside it"
    if len(rigid) < 6:
        names = ("speed_head", *(f"speed_{part}" for part in _PARTS))
        return {name: Estimate(value=None, unit="eye distances/s", reason=lost) for name in names}
    carried, floor = _similarity(start, flow.points_px, rigid)
    left = np.linalg.norm(flow.points_px - carried, axis=1)
    shift = np.linalg.norm((carried - start)[rigid].mean(axis=0))
    sigma = floor * per_second
    speeds = {
        "speed_head": Estimate(
            value=float(shift) * per_second, sigma=sigma, unit="eye distances/s", n=len(rigid)
        )
    }
    for part, members in _PARTS.items():
        own = np.array([at[idx] for idx in members])
        good = own[flow.trusted[own]]
        if len(good) < _LEAST_TRUSTED * len(own):
            speeds[f"speed_{part}"] = Estimate(value=None, unit="eye distances/s", reason=lost)
            continue
        rms = float(np.percentile(left[good], _RMS_PERCENTILE))
        speeds[f"speed_{part}"] = Estimate(
            value=rms * per_second, sigma=sigma, unit="eye distances/s", n=len(good)
        )
    return speeds


def _similarity(start: FloatArray, end: FloatArray, rigid: IntArray) -> tuple[FloatArray, float]:
    """Carry all points by the similarity of the rigid ones, and say what is left there, px.

    Outliers are weighed down (Cauchy's weights from the median shift on): points at the outline slide on what lies
    behind.
    """
    p, q = (points[rigid, 0] + 1j * points[rigid, 1] for points in (start, end))
    left = np.abs(q - p - (np.median((q - p).real) + 1j * np.median((q - p).imag)))
    factor, centre_p, centre_q = 1.0 + 0.0j, 0.0j, 0.0j
    for _ in range(_ROUNDS):
        scale = max(1.5 * float(np.median(left)), _LEAST_SCALE_PX)
        weight = 1.0 / (1.0 + (left / scale) ** 2)
        centre_p, centre_q = ((weight * each).sum() / weight.sum() for each in (p, q))
        factor = (weight * (q - centre_q) * np.conj(p - centre_p)).sum() / (
            weight * np.abs(p - centre_p) ** 2
        ).sum()
        left = np.abs(q - centre_q - factor * (p - centre_p))
    every = centre_q + factor * (start[:, 0] + 1j * start[:, 1] - centre_p)
    return np.stack([every.real, every.imag], axis=1), float(np.median(left)) / _MEDIAN_OF_RMS


def _faster(estimates: list[Estimate]) -> Estimate:
    """The faster; one without a value counts as faster than any."""
    lost = next((each for each in estimates if each.value is None), None)
    return lost or max(estimates, key=lambda each: each.value or 0.0)
