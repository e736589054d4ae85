"""Patches fitted on pictures whose every shift is known, against scikit-image and OpenCV."""

import numpy as np
import pytest
from scipy.ndimage import fourier_shift
from skimage.registration import phase_cross_correlation

from rigcheck.matching.refine import PatchShape, fit_patches
from rigcheck.opencv import cv2

SHAPE = PatchShape()


def _texture(rng, side=256, finest_px=3.0):
    """Band-limited noise, 12 DN: shifting it by any amount in the frequency domain is exact."""
    rows, columns = np.fft.fftfreq(side)[:, None], np.fft.fftfreq(side)[None, :]
    frequency = np.hypot(rows, columns)
    keep = (frequency < 1 / (2 * finest_px)) & (frequency > 1 / 40)
    field = np.fft.ifft2(np.fft.fft2(rng.standard_normal((side, side))) * keep).real
    return 100.0 + 12.0 * field / field.std()


def _shifted(picture, shift_xy):
    return np.fft.ifft2(fourier_shift(np.fft.fft2(picture), shift_xy[::-1])).real


def _smoothed(picture):
    return cv2.GaussianBlur(picture.astype(np.float32), (0, 0), SHAPE.smoothed_px)


def _centres(step=24):
    x, y = np.meshgrid(np.arange(40, 216, step), np.arange(40, 216, step))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _fit(first, second, off=(0.0, 0.0), steps=10):
    centres = _centres()
    flat = np.repeat(np.eye(2)[None], len(centres), axis=0)
    start = centres + np.array(off)
    return centres, fit_patches(
        _smoothed(first), _smoothed(second), centres, start, flat, shape=SHAPE, steps=steps
    )


@pytest.mark.parametrize("shift", [(0.25, -0.4), (0.5, 0.5), (1.37, 0.81)])
def test_pure_shifts_are_found_without_bias(rng, shift):
    picture = _texture(rng(1, 0))
    centres, fit = _fit(picture, _shifted(picture, shift))
    found = fit.points_px - centres
    assert fit.usable.all()
    # Reading linearly between pixels leaves 0.009 px at wavelengths from 6 px; measured 0.008 here.
    assert np.abs(np.median(found, axis=0) - shift).max() < 0.01
    assert np.linalg.norm(found - shift, axis=1).max() < 0.05


def test_agrees_with_phase_correlation_and_pyramid_tracking(rng):
    picture = _texture(rng(1, 1))
    shift = np.array([0.62, -1.18])
    moved = _shifted(picture, shift)
    noisy = [p + rng(1, 2, k).normal(0, 1.5, p.shape) for k, p in enumerate((picture, moved))]
    centres, fit = _fit(*noisy)
    ours = np.median(fit.points_px - centres, axis=0)
    phase = -phase_cross_correlation(*noisy, upsample_factor=100, normalization=None)[0][::-1]
    tracked, _, _ = cv2.calcOpticalFlowPyrLK(
        *(np.clip(np.rint(p), 0, 255).astype(np.uint8) for p in noisy),
        centres.astype(np.float32).reshape(-1, 1, 2),
        None,
        winSize=(25, 25),
    )
    followed = np.median(tracked.reshape(-1, 2) - centres, axis=0)
    assert np.abs(ours - shift).max() < 0.015  # sigma of one match here 0.02, of the median of 64 a fifth
    assert np.abs(ours - phase).max() < 0.02  # phase correlation steps in hundredths
    assert np.abs(ours - followed).max() < 0.03  # bilinear tracking is good to a few hundredths


@pytest.mark.parametrize("noise_dn", [1.0, 4.0])
def test_sigma_is_the_spread_of_the_error(rng, noise_dn):
    picture = _texture(rng(2, 0), finest_px=5.0)
    shift = np.array([0.3, 0.7])
    moved = 1.2 * _shifted(picture, shift) - 15.0
    ratios = []
    for k in range(8):
        noisy = [p + rng(2, 1, k, j).normal(0, noise_dn, p.shape) for j, p in enumerate((picture, moved))]
        centres, fit = _fit(*noisy)
        white = np.linalg.inv(np.linalg.cholesky(fit.covariance_px2))
        ratios.append(np.einsum("nij,nj->ni", white, fit.points_px - centres - shift))
    spread = float(np.std(np.concatenate(ratios)))
    # 512 matches, two axes: sd of the ratio 0.03; measured 1.09 to 1.16, for what noise
    # does to the gradients is left out.
    assert spread == pytest.approx(1.0, abs=0.2)
    expected = noise_dn * np.hypot(1.2, 1.0)
    assert np.median(fit.noise_dn) == pytest.approx(expected, rel=0.08)  # 64 patches of some 60 free values


def test_affine_change_gain_and_offset_are_found(rng):
    picture = _texture(rng(3, 0), finest_px=4.0)
    linear = np.array([[0.93, 0.08], [-0.05, 1.04]])
    middle = np.array([128.0, 128.0])
    to_first = np.linalg.inv(linear)
    offset = middle - to_first @ middle
    warp = np.column_stack([to_first, offset]).astype(np.float64)
    moved = cv2.warpAffine(
        picture.astype(np.float32),
        warp,
        (256, 256),
        flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    )
    centres = _centres()
    truth = (centres - middle) @ linear.T + middle
    near = np.repeat(np.eye(2)[None], len(centres), axis=0)
    fit = fit_patches(
        _smoothed(picture),
        _smoothed(0.7 * moved + 20.0),
        centres,
        truth + np.array([1.2, -0.9]),
        near,
        shape=SHAPE,
        steps=15,
    )
    assert np.median(np.linalg.norm(fit.points_px - truth, axis=1)) < 0.02  # interpolation of both pictures
    assert np.abs(np.median(fit.slope, axis=0) - linear).max() < 0.01
    assert np.median(fit.gain) == pytest.approx(
        0.7, abs=0.04
    )  # reading between pixels and smoothing cost contrast


def test_a_flat_patch_is_not_usable_and_a_wrong_one_scores_low(rng):
    picture = _texture(rng(4, 0))
    _, flat = _fit(np.full_like(picture, 90.0), picture)
    assert not flat.usable.any()
    _, wrong = _fit(picture, _texture(rng(4, 1)))
    assert np.median(wrong.score) < 0.5


def test_no_places_give_no_matches():
    flat = np.zeros((64, 64), dtype=np.float32)
    none = np.zeros((0, 2))
    fit = fit_patches(flat, flat, none.astype(int), none, np.zeros((0, 2, 2)), shape=SHAPE)
    assert len(fit.points_px) == 0
