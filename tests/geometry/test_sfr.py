"""Edge response against analytic edges, published numbers and identities."""

import numpy as np
import pytest
from scipy.stats import norm

from rigcheck.errors import EstimationError
from rigcheck.geometry.optics import GAUSSIAN_MTF50
from rigcheck.geometry.sfr import edge_sfr
from rigcheck.opencv import cv2


def slanted_edge(sigma_px, *, angle_deg=5.0, shape=(100, 80)):
    """Straight edge, 0 to 1, blurred by a Gaussian, integrated exactly over each square pixel.

    The integral over the pixel is the second difference of the twice integrated normal distribution.
    """
    angle = np.radians(angle_deg)
    nx, ny = np.cos(angle), np.sin(angle)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    distance = (x - (shape[1] - 1) / 2) * nx + (y - (shape[0] - 1) / 2) * ny
    total = np.zeros(shape)
    for half_x, sign_x in ((0.5, 1), (-0.5, -1)):
        for half_y, sign_y in ((0.5, 1), (-0.5, -1)):
            z = (distance + half_x * nx + half_y * ny) / sigma_px
            total += sign_x * sign_y * 0.5 * ((z * z + 1) * norm.cdf(z) + z * norm.pdf(z))
    return total * sigma_px**2 / (nx * ny)


def analytic_mtf50(sigma_px, angle_deg=5.0):
    """Gaussian times the pixel's two sincs, solved on a fine grid."""
    f = np.linspace(0, 1, 200_001)
    angle = np.radians(angle_deg)
    curve = np.exp(-2 * (np.pi * f * sigma_px) ** 2) * np.sinc(f * np.cos(angle)) * np.sinc(f * np.sin(angle))
    return f[np.argmax(curve < 0.5)]


# Handbook section 3, worked checks: 5 degrees, 100 x 80 px, integrated over the pixels.
WORKED = [(0.5, 0.3231), (0.7, 0.2475), (1.0, 0.1804), (1.5, 0.1231)]


@pytest.mark.parametrize("taper", ["tukey", "hamming"])
@pytest.mark.parametrize("order", [1, 3, 5])
@pytest.mark.parametrize(("sigma_px", "expected"), WORKED)
def test_worked_checks(sigma_px, expected, order, taper):
    found = edge_sfr(30 + 190 * slanted_edge(sigma_px), order=order, taper=taper)
    assert found.mtf50_cy_px == pytest.approx(expected, rel=0.015)  # the handbook's tolerance
    assert found.mtf50_cy_px == pytest.approx(analytic_mtf50(sigma_px), rel=0.015)  # bins: -0.6 % at 0.25
    assert found.angle_deg == pytest.approx(5.0, abs=0.01)  # noise-free line fit
    assert found.response[0] == 1.0
    assert found.step == pytest.approx(190.0, rel=1e-3)  # blur ends well inside


def test_whole_curve_is_a_gaussian_times_a_pixel():
    found = edge_sfr(30 + 190 * slanted_edge(1.0))
    f = found.frequency_cy_px[found.frequency_cy_px < 0.5]
    expected = np.exp(-2 * (np.pi * f) ** 2) * np.sinc(f)
    # 0.01: quarter-pixel bins, and the window's tails.
    assert found.response[: len(f)] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("angle_deg", [2.0, 4.0, 8.0, 12.0, 20.0, 33.0])
def test_angle_does_not_matter(angle_deg):
    found = edge_sfr(200 * slanted_edge(1.0, angle_deg=angle_deg, shape=(120, 120)))
    assert found.mtf50_cy_px == pytest.approx(analytic_mtf50(1.0, angle_deg), rel=0.015)  # as above


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_turned_and_inverted(turns):
    picture = 30 + 190 * slanted_edge(0.8)
    upright = edge_sfr(picture).mtf50_cy_px
    turned = edge_sfr(np.rot90(picture, turns))
    assert turned.near_horizontal == bool(turns % 2)
    assert turned.mtf50_cy_px == pytest.approx(upright, rel=2e-3)  # cut of rows to whole turns
    assert edge_sfr(250 - picture).mtf50_cy_px == pytest.approx(upright, rel=1e-9)  # the same sums


def test_noise():
    """Handbook section 3: noise 5 on 190 gives 0.1808 +- 0.0028 at sigma 1 px."""
    clean, rng = slanted_edge(1.0), np.random.default_rng([31, 0])
    found = [
        edge_sfr(30 + 190 * clean + rng.normal(0, 5, clean.shape), taper="hamming").mtf50_cy_px
        for _ in range(100)
    ]
    assert np.mean(found) == pytest.approx(0.1808, abs=0.0015)  # 0.0011: its rounding and pixels' area
    assert np.std(found) == pytest.approx(0.0028, rel=0.25)  # sd of an sd from 100: 7 %, twice over


def test_encoded_values_read_too_soft():
    """Handbook section 3: an sRGB picture read as if linear gives 0.170 for 0.180 (IEC 61966-2-1's curve)."""
    linear = 0.05 + 0.80 * slanted_edge(1.0)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    wrong, right = edge_sfr(255 * encoded).mtf50_cy_px, edge_sfr(255 * linear).mtf50_cy_px
    assert right == pytest.approx(0.180, rel=0.015)  # as the worked checks
    assert wrong == pytest.approx(0.170, rel=0.03)  # the handbook's levels are not given: 0.168 to 0.174
    assert wrong < 0.98 * right


@pytest.mark.parametrize(("order", "tolerance"), [(1, 0.04), (5, 0.03)])
def test_published_edge(outside_data, order, tolerance):
    """Test_edge1 of P. D. Burns's reference code for ISO 12233, edition 4: SFR50 0.2698 (fifth order).

    Tolerances are the data set's own hint; both codes window and fit a little differently.
    """
    data = np.fromfile(outside_data / "sfr_edge" / "Test_edge1.bmp", np.uint8)
    blue, green, red = np.moveaxis(cv2.imdecode(data, cv2.IMREAD_COLOR).astype(float), -1, 0)
    found = edge_sfr(0.213 * red + 0.715 * green + 0.072 * blue, order=order)
    assert found.mtf50_cy_px == pytest.approx(0.269805, rel=tolerance)
    assert found.angle_deg == pytest.approx(5.485, abs=0.1)  # the curve bends by as much
    assert found.near_horizontal
    published = [(0.00810162, 0.994307), (0.267353, 0.511463), (0.494199, 0.0146672)]
    for frequency, response in published:
        mine = np.interp(frequency, found.frequency_cy_px, found.response)
        assert mine == pytest.approx(response, abs=0.02)  # 3 % of MTF50 at this slope


def test_curved_edge_needs_a_curve():
    """A lens that bends the edge by 2 px: a line reads it too soft, a third order does not."""
    y, x = np.mgrid[:160, :80].astype(float)
    edge = 39.5 + 0.087 * (y - 80) + 2.0 * ((y - 80) / 80) ** 2
    picture = 200 * norm.cdf((x - edge) * np.cos(0.087) / np.hypot(0.8, 1 / 12**0.5))
    line, cubic = edge_sfr(picture).mtf50_cy_px, edge_sfr(picture, order=3).mtf50_cy_px
    truth = GAUSSIAN_MTF50 / np.hypot(0.8, 1 / 12**0.5)
    assert cubic == pytest.approx(truth, rel=0.015)  # as the worked checks
    assert line < 0.95 * truth


def test_sharper_is_higher():
    found = [edge_sfr(200 * slanted_edge(sigma)).mtf50_cy_px for sigma in (0.4, 0.6, 1.0, 1.6, 2.5)]
    assert (np.diff(found) < 0).all()


@pytest.mark.parametrize(
    ("picture", "words"),
    [
        (200 * slanted_edge(1.0, shape=(15, 80)), "15 px along"),
        (200 * slanted_edge(1.0, shape=(60, 8)), "8 px across"),
        (200 * slanted_edge(1.0, angle_deg=0.2), "moves by 0.35 px"),
        (200 * slanted_edge(1.0, angle_deg=44.0, shape=(60, 120)), "degrees off"),
        (200 * slanted_edge(1.0, angle_deg=26.565, shape=(60, 60)), "degrees off"),
        (3 * slanted_edge(1.0), "step of 3.0 code values"),
        (np.full((60, 60), 80.0), "step of 0.0 code values"),
    ],
)
def test_unusable_edges(picture, words):
    with pytest.raises(EstimationError, match="edge:") as caught:
        edge_sfr(picture)
    assert words in caught.value.message
    assert caught.value.hint


def test_faint_edge_in_noise():
    clean, rng = slanted_edge(1.0), np.random.default_rng([31, 1])
    with pytest.raises(EstimationError, match="times the noise"):
        edge_sfr(100 + 20 * clean + rng.normal(0, 5, clean.shape))


def test_two_edges_are_refused():
    picture = 200 * slanted_edge(1.0)
    picture[:50] = 0.0
    with pytest.raises(EstimationError, match="every row"):
        edge_sfr(picture)


def test_wrong_use():
    with pytest.raises(ValueError, match="order"):
        edge_sfr(200 * slanted_edge(1.0), order=2)
    with pytest.raises(ValueError, match="not finite"):
        edge_sfr(np.full((40, 40), np.nan))
