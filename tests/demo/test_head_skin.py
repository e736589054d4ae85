"""The skin's detail is smoothed alike however wide a pixel is on it, so that what changes with depth is defocus."""

import numpy as np
import pytest
from scipy.ndimage import fourier_gaussian, map_coordinates

from rigcheck.demo.head_skin import Placing, read_tile, skin_tile

SIDE = 1024


def power(picture):
    """In rings of 0.05 cycles a pixel up to 0.3, by a plain Fourier transform under a Hann window."""
    window = np.hanning(len(picture))
    spectrum = np.abs(np.fft.fft2(picture * np.outer(window, window))) ** 2
    line = np.fft.fftfreq(len(picture))
    ring = (np.hypot(line[:, None], line) / 0.05).astype(int)
    return np.bincount(ring.ravel(), spectrum.ravel())[1:6]


@pytest.mark.parametrize("width", [1.5, 2.0, 2.6, 3.0])
def test_detail_is_smoothed_by_half_a_pixel_at_any_width(width):
    """Against scipy's Gaussian and cubic interpolation. Levels blended by the log of the width err by up to 0.09."""
    tile = skin_tile()
    steps = width * np.arange(int((SIDE - 40) / width))
    x, y = (each.ravel().astype(np.float32) for each in np.meshgrid(steps + 0.3, steps + 0.7))
    texels = np.full(x.shape, width, dtype=np.float32)
    found = read_tile(tile, x * tile.texel_mm, y * tile.texel_mm, texels, placing=Placing())[0]
    finest = tile.levels[:SIDE, :SIDE, 0].astype(np.float64)
    smooth = np.fft.ifft2(fourier_gaussian(np.fft.fft2(finest), width / 2)).real
    wanted = map_coordinates(smooth, [y, x], order=3, mode="grid-wrap")
    shape = (len(steps), len(steps))
    ratio = np.log(power(found.reshape(shape)) / power(wanted.reshape(shape)))
    assert np.abs(ratio).max() < 0.04, ratio
