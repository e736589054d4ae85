"""Lens and sensor of the demo's cameras: defocus by depth, fall-off of light, noise."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import convolve2d
from scipy.special import ive

from rigcheck.demo.camera import ray_grid
from rigcheck.model import CameraModel
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["Lens", "Sensor", "blur_disc_px", "blur_kernel", "blur_levels", "blurred_by_depth", "fall_off"]

Picture32 = NDArray[np.float32]

_DISC_LEVELS_PX = (0.0, 1.25, 2.0, 3.0, 4.5, 6.5, 9.0, 12.0, 16.0, 24.0, 36.0, 54.0, 72.0)
_DISC_SAMPLES = 64
_BANK_MARGIN_PX = 256
_BAND_CELLS = 16  # rows of the grid that are blurred together


@dataclass(frozen=True, kw_only=True)
class Lens:
    """A thin lens with fixed focus.

    `focused_at_mm` and every distance are measured from the lens's principal plane. `sharpest_px` is the
    Gaussian sigma of the blur that is left at best focus.
    """

    focal_length_mm: float
    f_number: float
    focused_at_mm: float
    pixel_pitch_um: float
    sharpest_px: float = 0.5

    def __post_init__(self) -> None:
        """Refuse a lens that cannot form a picture."""
        if min(self.focal_length_mm, self.f_number, self.pixel_pitch_um) <= 0 or self.sharpest_px < 0:
            raise ValueError("lens: focal length, f-number and pixel pitch must be positive")
        if self.focused_at_mm <= self.focal_length_mm:
            raise ValueError("lens: focused_at_mm must be beyond the focal length")


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """Shot and read noise: variance = read_noise_dn² + dn_per_electron × (value − black_dn)."""

    black_dn: float = 4.0
    read_noise_dn: float = 1.2
    dn_per_electron: float = 0.05

    def exposed(self, light_dn: Picture32, rng: np.random.Generator) -> NDArray[np.uint8]:
        """Turn light (H, W), in code values over black, into a noisy 8-bit picture.

        Notes
        -----
        The noise comes from a fixed pool of Gaussian values, cut at a random place with a random sign: white
        within a picture, uncorrelated between pictures.
        """
        value = light_dn + np.float32(self.black_dn)
        if self.read_noise_dn > 0 or self.dn_per_electron > 0:
            spread = cv2.sqrt(light_dn * np.float32(self.dn_per_electron) + np.float32(self.read_noise_dn**2))
            value += spread * _noise_cut(light_dn.shape[:2], rng)
        return np.asarray(np.rint(np.clip(value, 0, 255)), dtype=np.uint8)


def _noise_cut(shape: tuple[int, int], rng: np.random.Generator) -> Picture32:
    pool = _noise_pool(shape[0] + _BANK_MARGIN_PX, shape[1] + _BANK_MARGIN_PX)
    row, column = rng.integers(0, _BANK_MARGIN_PX, 2)
    sign = np.float32(rng.choice([-1.0, 1.0]))
    return np.asarray(pool[row : row + shape[0], column : column + shape[1]] * sign, dtype=np.float32)


@lru_cache(maxsize=4)
def _noise_pool(rows: int, columns: int) -> Picture32:
    pool = np.random.default_rng([71, rows, columns]).standard_normal((rows, columns), dtype=np.float32)
    pool.setflags(write=False)
    return pool


def blur_disc_px(lens: Lens, depth_mm: FloatArray) -> FloatArray:
    """Diameter of the blur disc of a point at each depth, px.

    Parameters
    ----------
    lens : Lens
    depth_mm : array of float64, mm, along the optical axis, positive

    Notes
    -----
    b = (f/N) · f · abs(u − u₀) / (u (u₀ − f)): geometric optics, no diffraction, no pupil magnification.
    """
    f, focused = lens.focal_length_mm, lens.focused_at_mm
    disc_mm = (f / lens.f_number) * f * np.abs(depth_mm - focused) / (depth_mm * (focused - f))
    return np.asarray(disc_mm * 1000 / lens.pixel_pitch_um)


@lru_cache(maxsize=64)
def blur_kernel(disc_px: float, gaussian_px: float) -> Picture32:
    """Return the kernel of a uniform disc convolved with a Gaussian, on whole pixels.

    Per axis its variance is disc² / 16 + gaussian². Point-symmetric, so it moves no edge.

    Notes
    -----
    The disc is shared out bilinearly among the pixels, which widens it by about 1/6 px²; the Gaussian is made
    narrower by that. Below a Gaussian sigma of 0.42 px the kernel of a disc is therefore a little too wide.

    References
    ----------
    Lindeberg, IEEE PAMI 12(3), 1990: the discrete Gaussian, whose variance is exact at any width.
    """
    disc, added = _disc_kernel(disc_px)
    variance = max(gaussian_px**2 - added, 0.0)
    reach = int(np.ceil(5 * np.sqrt(variance))) + (variance > 0)
    bell = ive(np.abs(np.arange(-reach, reach + 1)), variance)
    kernel = convolve2d(disc, np.outer(bell, bell))
    kernel32 = np.asarray(kernel / kernel.sum(), dtype=np.float32)
    kernel32.setflags(write=False)
    return kernel32


def _disc_kernel(disc_px: float) -> tuple[FloatArray, float]:
    """Uniform disc shared out among whole pixels; and the variance per axis that the sharing added."""
    reach = int(np.ceil(0.5 * disc_px))
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
    grid = disc_px * ((np.arange(_DISC_SAMPLES) + 0.5) / _DISC_SAMPLES - 0.5)
    x, y = (axis.ravel() for axis in np.meshgrid(grid, grid))
    inside = np.hypot(x, y) <= 0.5 * disc_px
    x, y = x[inside], y[inside]
    whole_x, whole_y = np.floor(x).astype(int), np.floor(y).astype(int)
    for step_x in (0, 1):
        for step_y in (0, 1):
            share = np.abs(1 - step_x - (x - whole_x)) * np.abs(1 - step_y - (y - whole_y))
            column, row = whole_x + step_x + reach, whole_y + step_y + reach
            used = share > 0
            np.add.at(kernel, (row[used], column[used]), share[used])
    kernel /= kernel.sum()
    at = np.arange(-reach, reach + 1)
    return kernel, float(kernel.sum(axis=0) @ at**2 - disc_px**2 / 16)


def blur_levels(smallest_px: float, largest_px: float) -> tuple[float, ...]:
    """Return the disc diameters at which a picture with blur between these two is filtered."""
    levels = np.array(_DISC_LEVELS_PX)
    first = max(int(np.searchsorted(levels, smallest_px, side="right")) - 1, 0)
    last = min(int(np.searchsorted(levels, largest_px, side="left")), len(levels) - 1)
    return tuple(float(level) for level in levels[first : max(last, first) + 1])


def blurred_by_depth(sharp: Picture32, disc_px: FloatArray, gaussian_px: float) -> Picture32:
    """Blur a picture by a disc whose diameter varies over it.

    Parameters
    ----------
    sharp : (H, W) float32
    disc_px : (h, w) float64, px
        Diameter of the disc on a grid of equal cells over the picture; interpolated between their centres.
    gaussian_px : float
        Sigma of the blur that is the same everywhere; 0 for none.

    Notes
    -----
    The picture is filtered at a few diameters and blended so that the variance of the blur, disc² / 16, is
    right at each pixel; diameters above 72 px are blurred as 72 px.
    """
    levels = blur_levels(float(disc_px.min()), float(disc_px.max()))
    if len(levels) == 1:
        return _filtered(sharp, levels[0], gaussian_px)
    squares = np.array(levels) ** 2
    result = np.zeros_like(sharp)
    for position, level in enumerate(levels):
        hat = np.zeros(len(levels))
        hat[position] = 1.0
        share = np.interp(disc_px**2, squares, hat).astype(np.float32)
        _add_level(result, sharp, share, blur_kernel(level, gaussian_px))
    return result


def _add_level(result: Picture32, sharp: Picture32, share: Picture32, kernel: Picture32) -> None:
    """Add one level of blur, in place, only where it has a share: band by band of the grid's rows."""
    rows, columns = sharp.shape
    if not share.any():
        return
    weight = cv2.resize(share, (columns, rows), interpolation=cv2.INTER_LINEAR)
    reach = len(kernel) // 2
    for first in range(0, share.shape[0], _BAND_CELLS):
        band = slice(
            max(first - 1, 0), first + _BAND_CELLS + 1
        )  # a cell beyond colours the band's last pixels
        used = np.flatnonzero(share[band].any(axis=0))
        if len(used) == 0:
            continue
        cell = rows / share.shape[0]
        top, bottom = round(first * cell), min(round((first + _BAND_CELLS) * cell), rows)
        x0, x1 = _span(used, columns / share.shape[1], columns, 0)
        y, x = slice(max(top - reach, 0), min(bottom + reach, rows)), slice(max(x0 - reach, 0), x1 + reach)
        part = cv2.filter2D(sharp[y, x], -1, kernel, borderType=cv2.BORDER_REPLICATE)
        inner = part[top - y.start : bottom - y.start, x0 - x.start : x1 - x.start]
        result[top:bottom, x0:x1] += inner * weight[top:bottom, x0:x1]


def _span(used: NDArray[np.int64], cell_px: float, limit_px: int, reach_px: int) -> tuple[int, int]:
    """Pixels that cells with a share can colour, and as many around them as the kernel reads."""
    first = int((used[0] - 0.5) * cell_px) - reach_px
    last = int(np.ceil((used[-1] + 1.5) * cell_px)) + reach_px
    return max(first, 0), min(last, limit_px)


def _filtered(sharp: Picture32, disc_px: float, gaussian_px: float) -> Picture32:
    if disc_px == 0.0 and gaussian_px == 0.0:
        return sharp
    kernel = blur_kernel(disc_px, gaussian_px)
    return np.asarray(cv2.filter2D(sharp, -1, kernel, borderType=cv2.BORDER_REPLICATE), dtype=np.float32)


@lru_cache(maxsize=8)
def fall_off(camera: CameraModel, power: float) -> Picture32:
    """Fall-off of light towards the corners, (H, W) float32: cos(angle off axis) to the power given.

    Natural vignetting goes with the fourth power. Zero outside the lens's field.
    """
    grid = ray_grid(camera, 4)
    cosine = 1.0 / np.linalg.norm(grid.rays, axis=-1)
    width, height = camera.image_size_px
    rows, columns = grid.rays.shape[:2]
    full = cv2.resize(np.nan_to_num(cosine**power).astype(np.float32), (4 * columns, 4 * rows))
    start = round(-(grid.first_px - 1.5))
    picture = np.ascontiguousarray(full[start : start + height, start : start + width], dtype=np.float32)
    picture.setflags(write=False)
    return picture
