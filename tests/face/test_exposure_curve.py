"""Noise against the stated transfer curve, on rendered heads and on what must stay open."""

import numpy as np
import pytest
from exposure_study import case, described

from rigcheck.face.exposure_curve import noise_levels, noise_slope
from rigcheck.face.exposure_light import light_curve
from rigcheck.face.exposure_moment import exposure_moment
from rigcheck.model import Frame
from rigcheck.opencv import cv2


def slope_of(name: str, image=None):
    one = case(name)
    frame = one.frame if image is None else Frame(ref=one.frame.ref, image=image)
    curve = light_curve(described(one.scene.sensor.transfer))
    layout = exposure_moment(frame, one.face, curve).layout
    return noise_slope(noise_levels(frame, layout, curve))


def test_noise_grows_in_linear_pictures():
    """The sensor's own: variance 1.2² + 0.05 per code value, so a slope of 0.25 to 0.4 at 50 to 110 code values."""
    slope = slope_of("usual")
    assert 0.15 < slope.value < 0.5
    assert slope.value > 3 * slope.sigma


@pytest.mark.parametrize("name", ["srgb", "bt709"])
def test_noise_falls_in_coded_pictures(name):
    slope = slope_of(name)
    assert -1.2 < slope.value < -0.2
    assert slope.value < -3 * slope.sigma


def test_lossy_coding_leaves_it_open():
    one = case("usual")
    image = cv2.imdecode(cv2.imencode(".jpg", one.frame.image, [cv2.IMWRITE_JPEG_QUALITY, 60])[1], 0)
    slope = slope_of("usual", image)
    assert slope.value is None
    assert "rounding" in slope.reason or "coding" in slope.reason


def test_even_light_and_too_few_places_leave_it_open():
    one = case("usual")
    even = np.clip(np.random.default_rng([81, 0]).normal(100, 2, one.frame.image.shape), 0, 255)
    assert "evenly lit" in slope_of("usual", np.rint(even).astype(np.uint8)).reason
    assert "places" in noise_slope(()).reason
