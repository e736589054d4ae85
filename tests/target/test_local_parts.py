"""The parts of the detection on their own: the blurred crossing, the local map and what it refuses."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import erf
from scipy.stats import multivariate_normal

from rigcheck.opencv import cv2
from rigcheck.target.crossing import Crossings, fit_crossings
from rigcheck.target.neighbours import homography, local_map, misplaced
from rigcheck.target.quadrants import bell_and_erf, blurred_quadrants


def grid(columns=8, rows=11):
    x, y = (g.ravel() + 1.0 for g in np.meshgrid(np.arange(columns), np.arange(rows)))
    return np.column_stack([x, y])


def bent_view(board, k1=-0.3):
    """A tilted board through a strong barrel distortion, px."""
    h = np.array([[42.0, 3.0, 300.0], [-4.0, 38.0, 180.0], [0.012, 0.006, 1.0]])
    q = np.column_stack([board, np.ones(len(board))]) @ h.T
    centre = np.array([480.0, 360.0])
    away = (q[:, :2] / q[:, 2:] - centre) / 800.0
    return centre + 800.0 * away * (1 + k1 * (away**2).sum(axis=1, keepdims=True))


def test_erf_is_scipys():
    z = np.linspace(-6, 6, 2401, dtype=np.float32)[None]
    bell, rise = bell_and_erf(z)
    np.testing.assert_allclose(
        rise, erf(z.astype(np.float64) / np.sqrt(2)), atol=1e-6
    )  # of 1: single precision
    np.testing.assert_allclose(bell, np.exp(-0.5 * z.astype(np.float64) ** 2), atol=1e-6)


@pytest.mark.parametrize("rho", [-0.85, -0.4, 0.0, 0.3, 0.7])
def test_crossing_is_the_bivariate_normal_integral(rho):
    # SciPy's bivariate normal distribution as the oracle.
    z1, z2 = (g.ravel() for g in np.meshgrid(np.linspace(-3, 3, 9), np.linspace(-2.5, 2.5, 7)))
    one, two = (multivariate_normal(mean=[0], cov=[[1]]).cdf(z[:, None]) for z in (z1, z2))
    both = multivariate_normal(mean=[0, 0], cov=[[1, rho], [rho, 1]]).cdf(np.column_stack([z1, z2]))
    expected = 4 * both - 2 * one - 2 * two + 1
    found = blurred_quadrants(
        z1[None].astype(np.float32), z2[None].astype(np.float32), np.array([[rho]], dtype=np.float32)
    )
    np.testing.assert_allclose(found.value[0], expected, atol=1e-3)  # of 1: four quadrature nodes at 0.85


@pytest.mark.parametrize("rho", [-0.6, 0.0, 0.5])
def test_derivatives_of_the_crossing(rho):
    rng = np.random.default_rng([40])
    z1, z2 = rng.uniform(-2, 2, (2, 1, 200))
    h, c = 1e-4, np.array([[rho]])
    here = blurred_quadrants(z1, z2, c)
    for moved, derivative in (
        ((z1 + h, z2, c), here.by_z1),
        ((z1, z2 + h, c), here.by_z2),
        ((z1, z2, c + h), here.by_correlation),
    ):
        difference = (blurred_quadrants(*moved).value - here.value) / h
        np.testing.assert_allclose(difference, derivative, atol=3e-3)  # quadrature, and h itself


def ideal_crossing(angle1, angle2, centre, sigma, cells=9, side=41):
    """A crossing of two edges, blurred by a Gaussian and averaged over pixels, grey values 25 to 225."""
    fine = (np.arange(side * cells) + 0.5) / cells - 0.5
    x, y = np.meshgrid(fine - centre[0], fine - centre[1])
    d1 = y * np.cos(angle1) - x * np.sin(angle1)
    d2 = x * np.sin(angle2) - y * np.cos(angle2)
    sharp = gaussian_filter(np.sign(d1) * np.sign(d2), np.multiply(sigma, cells))
    return 125 + 100 * sharp.reshape(side, cells, side, cells).mean(axis=(1, 3))


@pytest.mark.parametrize(
    ("angle1_deg", "angle2_deg", "sigma_yx"),
    [
        (3, 94, (0.6, 0.6)),
        (12, 97, (1.0, 1.0)),
        (-20, 110, (0.8, 0.8)),
        (5, 60, (0.9, 0.9)),
        (10, 95, (0.6, 1.8)),
    ],
)
def test_fit_finds_the_crossing(angle1_deg, angle2_deg, sigma_yx):
    angle1, angle2 = np.deg2rad([angle1_deg, angle2_deg])
    true = np.array([20.23, 19.64])
    image = np.rint(ideal_crossing(angle1, angle2, true, sigma_yx)).astype(np.uint8)
    steps = 40.0 * np.array([[np.cos(angle1), np.cos(angle2)], [np.sin(angle1), np.sin(angle2)]])
    start = Crossings(
        points_px=true[None] + [[0.9, -0.7]],
        steps_px=steps[None],
        signs=np.ones(1),
        margin_squares=0.5,
        curvature_per_px=np.zeros((1, 2)),
        blur_px=np.ones(1),
    )
    fit = fit_crossings(image, start)
    np.testing.assert_allclose(fit.points_px[0], true, atol=0.01)  # px: rounding to grey values
    assert fit.noise[0] < 0.8  # grey values: 0.29 is rounding, the rest is the model's misfit
    assert fit.swing[0] == pytest.approx(100, rel=0.01)
    wrong = fit_crossings(image, Crossings(**{**vars(start), "signs": -np.ones(1)}))
    assert wrong.swing[0] < 0  # black and white the other way round is seen


def test_homography_is_opencvs():
    board = grid()
    h = np.array([[42.0, 3.0, 300.0], [-4.0, 38.0, 180.0], [0.012, 0.006, 1.0]])
    q = np.column_stack([board, np.ones(len(board))]) @ h.T
    points = q[:, :2] / q[:, 2:]
    ours = homography(board, points)
    theirs, _ = cv2.findHomography(board, points)
    np.testing.assert_allclose(ours / ours[2, 2], theirs, rtol=1e-4, atol=1e-6)  # regularised by 1e-9


def test_local_map_follows_strong_distortion():
    board = grid()
    points = bent_view(board)
    predicted = local_map(board, board, points)
    inner = (board > 2.5).all(axis=1) & (board[:, 0] < 6.5) & (board[:, 1] < 9.5)
    assert np.abs(predicted.points_px - points)[inner].max() < 0.05  # px: third order left over
    assert np.abs(predicted.points_px - points).max() < 0.4  # px: extrapolated at the board's edge
    aside = np.array([1e-4, 0.0])
    step = (bent_view(board + aside) - bent_view(board - aside)) / 2e-4
    np.testing.assert_allclose(predicted.steps_px[inner, :, 0], step[inner], rtol=0.01, atol=0.1)


def test_curvature_is_that_of_the_lines_in_the_picture():
    board, h = grid(), 1e-2
    predicted = local_map(board, board, bent_view(board))
    for axis in (0, 1):
        d = h * np.eye(2)[axis]
        before, here, after = (bent_view(board + s * d) for s in (-1, 0, 1))
        t, a = (after - before) / (2 * h), (after - 2 * here + before) / h**2
        true = (t[:, 0] * a[:, 1] - t[:, 1] * a[:, 0]) / np.linalg.norm(t, axis=1) ** 3
        # 1/px: what is left bends an arm of 8 px by 0.003 px.
        np.testing.assert_allclose(predicted.curvature_per_px[:, axis], true, atol=1e-4)


def test_a_corner_off_by_a_pixel_is_refused_and_its_neighbours_are_not():
    board = grid()
    rng = np.random.default_rng([41])
    points = bent_view(board) + rng.normal(0, 0.05, (len(board), 2))
    assert not misplaced(board, points).any()
    for wrong in (0, 7, 33, 60, 87):
        spoilt = points.copy()
        spoilt[wrong] += [1.2, -1.0] if wrong in (0, 7, 87) else [0.7, -0.5]
        assert np.flatnonzero(misplaced(board, spoilt)).tolist() == [wrong]


def test_several_wrong_corners_are_refused_together():
    board = grid()
    rng = np.random.default_rng([42])
    points = bent_view(board) + rng.normal(0, 0.05, (len(board), 2))
    wrong = [10, 11, 34, 52, 70]
    points[wrong] += rng.choice([-1, 1], (5, 2)) * rng.uniform(1.0, 6.0, (5, 2))
    assert np.flatnonzero(misplaced(board, points)).tolist() == wrong


def test_lonely_corners_cannot_vouch_for_themselves():
    board = np.array([[1.0, 1.0], [2.0, 1.0], [8.0, 11.0]])
    assert misplaced(board, bent_view(board)).all()
