"""Noise from one picture, against its published formula, the handbook's floors and scikit-image."""

import numpy as np
import pytest
from skimage.data import camera as photograph
from skimage.util import random_noise

from rigcheck.face.exposure_noise import NOISE_KERNEL, noise_of, place_noise


def test_kernel_has_norm_six():
    """Handbook §4 (Immerkær 1996): the kernel's norm is 6."""
    assert np.linalg.norm(NOISE_KERNEL) == pytest.approx(6.0)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0])
def test_white_noise(sigma, rng):
    """2.003 is quoted for sigma 2 (handbook §4); 1 %: 65,536 pixels."""
    picture = 100.0 + sigma * rng(79, 0).standard_normal((256, 256))
    assert noise_of(picture) == pytest.approx(sigma, rel=0.01)


def test_rounding_is_read_as_noise(rng):
    """0.3 is read as 0.48 (handbook §4), where the mean lies between code values; 0.03: where exactly it lies."""
    picture = np.rint(100.4 + 0.3 * rng(79, 9).standard_normal((256, 256)))
    assert noise_of(picture) == pytest.approx(0.48, abs=0.03)
    even = np.full((80, 80), 100.0)
    # An even patch may hide noise of up to the rounding's own deviation.
    assert place_noise(even, np.ones(even.shape, bool)).code_sd == pytest.approx(np.sqrt(1 / 12))


@pytest.mark.parametrize("sigma", [2.0, 4.0, 8.0])
def test_noise_that_scikit_image_adds(sigma):
    """6 %: the lower quartile of 600 blocks, and clipping to whole numbers."""
    flat = np.full((200, 200), 0.4)
    noisy = 255.0 * random_noise(flat, mode="gaussian", var=(sigma / 255.0) ** 2, rng=5)
    assert place_noise(np.rint(noisy), np.ones(flat.shape, bool)).code_sd == pytest.approx(sigma, rel=0.06)


def test_texture_adds_little():
    """A public-domain photograph with known noise added: within two stated deviations, nearer than a plain mean."""
    grey = photograph()[60:260, 100:300] / 255.0
    noisy = 255.0 * random_noise(grey, mode="gaussian", var=(6.0 / 255.0) ** 2, rng=6)
    ours = place_noise(noisy, np.ones(grey.shape, bool))
    assert abs(ours.code_sd - 6.0) < 2 * ours.sigma
    assert abs(ours.code_sd - 6.0) < abs(noise_of(noisy) - 6.0)


def test_shading_is_no_noise(rng):
    down, across = np.mgrid[0:160, 0:160]
    shaded = 40 + 0.5 * across + 0.002 * down**2 + 2.0 * rng(79, 3).standard_normal((160, 160))
    assert place_noise(shaded, np.ones(shaded.shape, bool)).code_sd == pytest.approx(2.0, rel=0.06)


def test_small_place_has_no_number():
    mask = np.zeros((100, 100), bool)
    mask[:20, :20] = True
    assert place_noise(np.zeros((100, 100)), mask) is None
    assert place_noise(np.zeros((5, 5)), np.ones((5, 5), bool)) is None
