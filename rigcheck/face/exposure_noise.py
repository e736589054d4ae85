"""Noise of one place of the skin from a single picture."""

from dataclasses import dataclass

import numpy as np

from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["NOISE_KERNEL", "PlaceNoise", "noise_of", "place_noise"]

# Immerkær's kernel: the difference of two Laplacians, blind to planes and quadratic shading; its norm is 6.
NOISE_KERNEL = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]], dtype=np.float32)
_TO_SIGMA = float(np.sqrt(np.pi / 2.0) / 6.0)
_BLOCK = 8  # pixels on a side
_LEAST_BLOCKS = 8
# The smoothest share of the blocks speaks, since texture only adds; and what that share of the blocks gives of white
# noise, over their mean (simulated: 20 pictures of 160 x 160 px).
_SMOOTHEST, _OF_MEAN = 25.0, 0.886
_TEXTURE_LEFT = 0.07
_QUANTISED = 1.0 / 12.0


@dataclass(frozen=True, kw_only=True)
class PlaceNoise:
    """Standard deviation of one pixel, code values, with its own uncertainty; `n` is the pixels it rests on."""

    code_sd: float
    sigma: float
    n: int


def noise_of(image: FloatArray) -> float:
    """Noise of a whole picture (H, W) without texture, in its own units.

    References
    ----------
    J. Immerkær, Fast noise variance estimation, Computer Vision and Image Understanding 64(2), 1996.
    """
    response = cv2.filter2D(np.asarray(image, dtype=np.float32), cv2.CV_32F, NOISE_KERNEL)[1:-1, 1:-1]
    return float(_TO_SIGMA * np.abs(response).mean())


def place_noise(image: FloatArray, mask: BoolArray) -> PlaceNoise | None:
    """Noise of the skin within a mask.

    Parameters
    ----------
    image : (H, W) code values
    mask : (H, W)

    Returns
    -------
    PlaceNoise
        None when the place holds fewer than eight whole blocks of 8 × 8 px.

    Notes
    -----
    Immerkær's estimate block by block; the lower quartile of the blocks speaks, since pores and hairs only add to it.
    What texture leaves is not known: 7 % is taken as its standard uncertainty. Below half a code value rounding is
    read as noise. Lossy coding takes noise away that the sensor had: the number is that of the pictures as they are.
    """
    height, width = (n // _BLOCK for n in image.shape)
    if height == 0 or width == 0:
        return None
    response = cv2.filter2D(np.asarray(image, dtype=np.float32), cv2.CV_32F, NOISE_KERNEL)
    size = (slice(0, height * _BLOCK), slice(0, width * _BLOCK))
    blocks = cv2.resize(np.abs(response)[size], (width, height), interpolation=cv2.INTER_AREA)
    # A kernel that reaches over the rim of the place reads an edge that is not the skin's.
    inner = cv2.erode(
        mask.astype(np.uint8), np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0
    )
    cover = cv2.resize(inner[size].astype(np.float32), (width, height), interpolation=cv2.INTER_AREA)
    sds = _TO_SIGMA * np.asarray(blocks)[np.asarray(cover) > 0.999]
    if len(sds) < _LEAST_BLOCKS:
        return None
    sd = float(np.percentile(sds, _SMOOTHEST)) / _OF_MEAN
    sd = float(np.sqrt(max(sd * sd, _QUANTISED)))
    spread = 1.4826 * float(np.median(np.abs(sds - np.median(sds)))) / np.sqrt(len(sds))
    return PlaceNoise(
        code_sd=sd, sigma=float(np.hypot(1.4 * spread, _TEXTURE_LEFT * sd)), n=len(sds) * _BLOCK**2
    )
