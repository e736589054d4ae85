"""Least squares of a few unknowns, against a certified problem and a library's solver."""

import numpy as np
import pytest
import scipy.optimize

from rigcheck.geometry.descent import least_squares

# NIST Statistical Reference Datasets, Misra1a: y = b1 (1 - exp(-b2 x)); data, both starts and certified values from
# memory, borne out by scipy below.
X = np.array(
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
)
Y = np.array(
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
)
CERTIFIED = np.array([2.3894212918e2, 5.5015643181e-4])


def residuals(b):
    return b[0] * (1 - np.exp(-b[1] * X)) - Y


def slopes(b):
    fall = np.exp(-b[1] * X)
    return np.column_stack([1 - fall, b[0] * X * fall])


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_the_certified_values_are_found(start):
    found = least_squares(residuals, slopes, np.array(start))
    np.testing.assert_allclose(found, CERTIFIED, rtol=1e-7)
    library = scipy.optimize.least_squares(residuals, CERTIFIED, jac=slopes, method="lm", xtol=1e-12)
    np.testing.assert_allclose(library.x, CERTIFIED, rtol=1e-7)


def test_a_valley_that_bends_is_followed_to_its_end():
    """Rosenbrock's function, whose least is at (1, 1) (More, Garbow & Hillstrom 1981, problem 1; from memory)."""
    found = least_squares(
        lambda x: np.array([10 * (x[1] - x[0] ** 2), 1 - x[0]]),
        lambda x: np.array([[-20 * x[0], 10.0], [-1.0, 0.0]]),
        np.array([-1.2, 1.0]),
    )
    np.testing.assert_allclose(found, 1.0, atol=1e-6)


def test_a_start_at_the_least_stays_and_few_steps_give_the_best_so_far():
    again = least_squares(residuals, slopes, CERTIFIED)
    np.testing.assert_allclose(again, CERTIFIED, rtol=1e-9)
    start = np.array([500.0, 1e-4])
    once = least_squares(residuals, slopes, start, most=1)
    assert (residuals(once) ** 2).sum() < (residuals(start) ** 2).sum()
