"""Defocus, fall-off and noise against the formulas they stand for."""

import numpy as np
import pytest

from rigcheck.demo import Lens, Sensor, blur_disc_px, rays_of_pixels
from rigcheck.demo.optics import blur_kernel, blur_levels, blurred_by_depth, fall_off
from rigcheck.model import CameraModel

LENS = Lens(focal_length_mm=6.0, f_number=4.0, focused_at_mm=200.0, pixel_pitch_um=3.45)


def test_blur_disc_has_the_thin_lens_values():
    # Thin-lens optics (any textbook): 6 mm, f/4, focused at 200 mm, 3.45 um pixels.
    found = blur_disc_px(LENS, np.array([170.0, 200.0, 250.0]))
    assert found == pytest.approx([2.4, 0.0, 2.7], abs=0.05)  # the table is rounded to 0.1 px


@pytest.mark.parametrize(
    ("focal_mm", "f_number", "near_mm", "far_mm"),
    [(4, 2.8, 178.8, 226.8), (6, 4, 186.2, 216.1), (6, 8, 174.1, 234.9), (8, 4, 192.0, 208.6)],
)
def test_blur_is_one_pixel_at_the_limits_of_depth_of_field(focal_mm, f_number, near_mm, far_mm):
    # Limits from the exact formula near, far = u f^2 / (f^2 +- N c (u - f)) at u = 200 mm, c = 3.45 um.
    lens = Lens(focal_length_mm=focal_mm, f_number=f_number, focused_at_mm=200.0, pixel_pitch_um=3.45)
    found = blur_disc_px(lens, np.array([near_mm, far_mm]))
    assert found == pytest.approx(1.0, abs=0.0065)  # limits rounded to 0.05 mm, at most 0.125 px a mm


@pytest.mark.parametrize("change", [{"f_number": 0.0}, {"focused_at_mm": 5.0}, {"sharpest_px": -1.0}])
def test_a_lens_that_forms_no_picture_is_refused(change):
    given = {"focal_length_mm": 6.0, "f_number": 4.0, "focused_at_mm": 200.0, "pixel_pitch_um": 3.45}
    with pytest.raises(ValueError, match="lens"):
        Lens(**{**given, **change})


@pytest.mark.parametrize("disc_px", [0.0, 0.7, 2.0, 5.0, 12.0])
@pytest.mark.parametrize("gaussian_px", [0.45, 0.8])
def test_kernel_has_the_variance_of_disc_and_gaussian(disc_px, gaussian_px):
    kernel = blur_kernel(disc_px, gaussian_px).astype(np.float64)
    at = np.arange(len(kernel)) - len(kernel) // 2
    across = kernel.sum(axis=0)
    assert across @ at == pytest.approx(0.0, abs=1e-7)  # float32 kernel; a shift would move every edge
    # exact but for float32 and the Gaussian's tails beyond five sigmas
    assert across @ at**2 == pytest.approx(disc_px**2 / 16 + gaussian_px**2, rel=1e-4)


@pytest.mark.parametrize("disc_px", [0.0, 0.9, 1.25, 2.6, 7.7])
def test_blending_levels_keeps_the_variance(disc_px):
    spot = np.zeros((61, 61), dtype=np.float32)
    spot[30, 30] = 1.0
    disc = np.full((8, 8), disc_px)
    disc[0, 0], disc[7, 7] = 0.0, 9.0  # so that several levels are needed
    spread = blurred_by_depth(spot, disc, 0.5)[8:53, 8:53].astype(np.float64)
    at = np.arange(45) - 22
    variance = spread.sum(axis=0) @ at**2 / spread.sum()
    assert variance == pytest.approx(disc_px**2 / 16 + 0.25, rel=1e-3)  # float32 and weights interpolated


def test_levels_enclose_the_blur_asked_for():
    levels = blur_levels(1.4, 2.2)
    assert levels[0] <= 1.4
    assert levels[-1] >= 2.2


def test_fall_off_is_the_cosine_to_the_fourth():
    camera = CameraModel(
        name="upper",
        image_size_px=(270, 360),
        model="brown",
        focal_px=(355.0, 355.0),
        principal_point_px=(134.5, 179.5),
        distortion=(-0.12, 0.06),
    )
    field = fall_off(camera, 4.0)
    assert field.shape == (360, 270)
    for x, y in [(0, 0), (269, 359), (200, 40), (134, 180)]:
        ray = rays_of_pixels(camera, np.array([x, y], dtype=np.float64))
        cosine = 1 / np.linalg.norm(ray)
        assert field[y, x] == pytest.approx(
            cosine**4, abs=2e-3
        )  # interpolated; held constant in the last 2 px


def test_noise_follows_the_photon_transfer_line():
    # EMVA 1288: variance of a pair's difference / 2 = read noise^2 + gain * signal, plus 1/12 of rounding.
    sensor = Sensor(black_dn=10.0, read_noise_dn=1.5, dn_per_electron=0.06)
    rng = np.random.default_rng([402, 1])
    for signal in (20.0, 80.0, 180.0):
        light = np.full((400, 300), signal, dtype=np.float32)
        first, second = (sensor.exposed(light, rng).astype(np.float64) for _ in range(2))
        wanted = 1.5**2 + 0.06 * signal + 1 / 12
        # sd of a variance from n = 120 000 is sqrt(2 / n) = 0.4 %; four of them
        assert np.var(first - second) / 2 == pytest.approx(wanted, rel=0.016)
        assert first.mean() == pytest.approx(signal + 10.0, abs=4 * np.sqrt(wanted / 120_000))


def test_noise_is_white_within_a_picture_and_new_in_the_next():
    sensor = Sensor(black_dn=50.0, read_noise_dn=4.0, dn_per_electron=0.0)
    rng = np.random.default_rng([402, 2])
    first, second = (
        sensor.exposed(np.zeros((500, 500), np.float32), rng).astype(np.float64) - 50 for _ in range(2)
    )
    limit = 4.5 / np.sqrt(first.size)  # 4.5 sd of a correlation of independent values
    for other in (second, np.roll(first, 1, axis=1), np.roll(first, 1, axis=0)):
        assert abs(np.mean(first * other)) / first.var() < limit


def test_light_beyond_white_is_clipped():
    quiet = Sensor(black_dn=4.0, read_noise_dn=0.0, dn_per_electron=0.0)
    picture = quiet.exposed(np.array([[0.0, 100.4, 900.0]], dtype=np.float32), np.random.default_rng(0))
    assert picture.tolist() == [[4, 104, 255]]
