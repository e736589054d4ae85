import numpy as np
import pytest
from scipy.integrate import quad

from rigcheck.geometry.robust import HUBER_WIDTH, TUKEY_WIDTH, evaluate_loss, noise_scale


@pytest.mark.parametrize("loss", ["squares", "huber", "tukey"])
def test_weight_and_stiffness_are_derivatives_of_the_cost(loss):
    s = np.linspace(0.05, 8, 400)
    step = 1e-5
    psi = (evaluate_loss(s + step, loss).cost - evaluate_loss(s - step, loss).cost) / (2 * step)
    values = evaluate_loss(s, loss)
    assert np.abs(psi / s - values.weight).max() < 1e-6
    smooth = np.abs(s - HUBER_WIDTH) > 0.03
    slope = (
        evaluate_loss(s + step, loss).weight * (s + step) - evaluate_loss(s - step, loss).weight * (s - step)
    ) / (2 * step)
    assert np.abs(0.5 * (slope + values.weight) - values.stiffness)[smooth].max() < 1e-5


@pytest.mark.parametrize(
    ("loss", "width", "efficiency", "within"),
    [("huber", HUBER_WIDTH, 0.95, 0.001), ("tukey", TUKEY_WIDTH, 1.0, 0.002)],
)
def test_efficiency_at_normal_noise_in_two_dimensions(loss, width, efficiency, within):
    def mean(quantity):
        def integrand(s):
            return quantity(evaluate_loss(np.array([s]), loss), s) * s * np.exp(-0.5 * s * s)

        return quad(integrand, 0, width)[0] + quad(integrand, width, 12)[0]

    stiffness = mean(lambda v, s: v.stiffness[0])
    pull = mean(lambda v, s: (v.weight[0] * s) ** 2)
    assert 2 * stiffness**2 / pull == pytest.approx(efficiency, abs=within)


def test_noise_scale_of_normal_residuals_and_with_a_third_of_outliers(rng):
    lengths = np.linalg.norm(rng(6, 0).normal(0, 0.07, (20_000, 2)), axis=1)
    assert noise_scale(lengths, 0) == pytest.approx(0.07, rel=0.02)  # sd of a median of 20,000: 0.6 %
    lengths[: len(lengths) // 3] = 50.0
    assert noise_scale(lengths, 0) < 2 * 0.07
