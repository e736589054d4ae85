"""Steadiness: noise moves neither number nor status; a move shows within three moments, a drift is followed."""

from itertools import pairwise

import numpy as np
import pytest

from rigcheck.checks.verdict import Band, judge
from rigcheck.live.steady import NEWEST, ChangeWatch, steadied
from rigcheck.model import Estimate

BAND = Band(caution=5.0, fail=8.0, unit="mm")


def signals(row, noise=0.5):
    return {name: (float(value), noise) for name, value in zip("xy", row, strict=True)}


def test_noise_alone_is_no_move():
    """4,000 moments: no alarm."""
    for seed in range(5):
        noise = np.random.default_rng([7, seed]).normal(0.0, 0.5, (800, 2))
        watch = ChangeWatch()
        assert not any(watch.moved(signals(row)) for row in noise)


def test_noise_larger_than_expected_is_learnt():
    rng = np.random.default_rng([7, 50])
    watch = ChangeWatch()
    alarms = [watch.moved(signals(row, noise=0.2)) for row in rng.normal(0.0, 0.6, (1000, 2))]
    assert sum(alarms[100:]) <= 1


@pytest.mark.parametrize("size", [2.5, 6.0, 40.0])
def test_a_move_shows_within_three_moments(size):
    """Moves from five deviations of the noise on, to either side, in either signal."""
    for seed in range(10):
        rng = np.random.default_rng([8, seed])
        rows = rng.normal(0.0, 0.5, (60, 2))
        rows[40:, seed % 2] += size * (-1) ** seed
        watch = ChangeWatch()
        alarms = [k for k, row in enumerate(rows) if watch.moved(signals(row))]
        assert alarms, "not seen at all"
        assert 40 <= alarms[0] < 40 + NEWEST + (2 if size < 3 else 0)
        assert len(alarms) <= 2


def test_one_bad_moment_is_no_move():
    rows = np.zeros((30, 2))
    rows[20] = 100.0
    watch = ChangeWatch()
    assert not any(watch.moved(signals(row)) for row in rows)


def test_other_signals_start_anew_and_missing_ones_are_passed_over():
    watch = ChangeWatch()
    assert not watch.moved(signals((0, 0)))
    assert not watch.moved({})
    assert not watch.moved({"x": (float("nan"), 1.0), "y": (0.0, 1.0)})
    assert watch.moved({"x": (0.0, 0.5)})


def test_a_status_at_a_limit_does_not_flicker():
    """The mean's noise is a third of its sigma, which also holds what repeats; without holding it flips often."""
    rng = np.random.default_rng([9, 0])
    # 4.2 ± 2 · 0.4 ends at the limit of caution.
    values = 4.2 + rng.normal(0.0, 0.4 / 3, 400)
    bare = [judge(Estimate(value=each, sigma=0.4), BAND) for each in values]
    shown, held = [], {}
    for each in values:
        held = steadied(held, {"a": Estimate(value=each, sigma=0.4 * rng.uniform(0.9, 1.1))})
        shown.append(judge(held["a"], BAND))
    flips = [sum(a != b for a, b in pairwise(row)) for row in (bare, shown)]
    assert flips[0] > 50
    assert flips[1] <= 1


def test_a_drift_is_followed_one_sigma_behind():
    held = {}
    for k in range(100):
        held = steadied(held, {"a": Estimate(value=0.1 * k, sigma=0.4)})
    assert held["a"].value == pytest.approx(9.9 - 0.4)


def test_started_anew_the_newest_counts_and_missing_numbers_stay_missing():
    before = {"a": Estimate(value=1.0, sigma=1.0), "b": Estimate(value=1.0, sigma=1.0)}
    now = {"a": Estimate(value=1.5, sigma=1.0), "b": Estimate(value=None, reason="covered")}
    assert steadied({}, now) == now
    assert steadied(before, now)["a"].value == 1.0
    assert steadied(before, now)["b"].value is None
    assert steadied(before, {"c": Estimate(value=2.0)}) == {"c": Estimate(value=2.0)}
