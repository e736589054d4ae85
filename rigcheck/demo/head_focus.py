"""Defocus by depth over several layers: what is before hides what is behind, also where it is soft."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.optics import Lens, blur_disc_px, blurred_by_depth
from rigcheck.opencv import cv2

__all__ = ["disc_over_layer", "laid_over"]

Float32 = NDArray[np.float32]

_CELL_PX = 8
_LARGEST_DISC_PX = 24.0


def disc_over_layer(lens: Lens, depth_mm: Float32, several: int = 1) -> Float32:
    """Diameter of the blur disc on a grid of 8 px cells, carried on beyond the layer's outline.

    Parameters
    ----------
    lens : Lens
    depth_mm : (H, W) float32
        Along the axis; infinite where the layer is not.
    several : int
        Rays a pixel along each side; the lens and the depths are then those of rays.
    """
    height, width = depth_mm.shape
    size = (-(-width // _CELL_PX), -(-height // _CELL_PX))
    inverse = np.float32(1) / depth_mm
    share = (inverse > 0).astype(np.float32)
    weight = cv2.resize(share, size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(inverse, size, interpolation=cv2.INTER_AREA)
    reach = 1
    while (weight <= 1e-3).any() and reach < 2 * max(size):
        wide_total = cv2.blur(total, (2 * reach + 1, 2 * reach + 1), borderType=cv2.BORDER_CONSTANT)
        wide_weight = cv2.blur(weight, (2 * reach + 1, 2 * reach + 1), borderType=cv2.BORDER_CONSTANT)
        empty = weight <= 1e-3
        total, weight = np.where(empty, wide_total, total), np.where(empty, wide_weight, weight)
        reach *= 2
    depth = weight / np.maximum(total, 1e-9)
    disc = blur_disc_px(lens, np.clip(depth, 20.0, 5000.0).astype(np.float64))
    return np.minimum(disc, _LARGEST_DISC_PX * several).astype(np.float32)


def laid_over(
    behind: Float32, layer: Float32, cover: Float32, *, disc_px: Float32, gaussian_px: float
) -> Float32:
    """Lay a layer (H, W), zero where it is not, over what is behind it, both blurred by the layer's disc.

    Parameters
    ----------
    behind : (H, W) float32
        Already blurred.
    layer : (H, W) float32
        Light of the layer times its cover.
    cover : (H, W) float32, 0–1
    disc_px : (h, w) float32
        See :func:`disc_over_layer`.
    gaussian_px : float
    """
    disc = disc_px.astype(np.float64)
    soft_layer = blurred_by_depth(layer, disc, gaussian_px)
    if float(cover.min()) >= 1.0:
        return soft_layer
    soft_cover = blurred_by_depth(cover, disc, gaussian_px)
    return np.asarray(behind * (1 - soft_cover) + soft_layer, dtype=np.float32)
