"""Steps, creep and warming up told from noise: how often wrongly, and how small."""

import numpy as np
import pytest
from scipy.stats import chi2

from rigcheck.drift.change_point import behaviour, n_tried, threshold

N_SERIES = 6  # what is tested of a pair: baseline, three turns, two focal lengths


def mornings(n):
    return 24.0 * np.arange(n)


def sessions(days, hours=(0.0, 0.3, 0.8, 2.0)):
    return (24.0 * np.arange(days)[:, None] + np.array(hours)[None, :]).ravel()


def needed(times):
    return threshold(N_SERIES * n_tried(times))


def kinds(times, make, *, runs, case):
    """Kinds told of `runs` series; `make` adds the change to unit noise."""
    out = []
    for k in range(runs):
        noise = np.random.default_rng([91, case, k]).normal(size=len(times))
        out.append(behaviour(times, make(noise), np.ones(len(times)), needed=needed(times)))
    return out


@pytest.mark.parametrize(("times", "case"), [(mornings(5), 0), (mornings(30), 1), (sessions(6), 2)])
def test_untouched_histories_raise_no_alarm(times, case):
    """At most 1 % of histories of six series; each such history is one of the runs."""
    runs, alarms = 300, 0
    for k in range(runs):
        rng = np.random.default_rng([92, case, k])
        sigma = rng.uniform(0.5, 2.0, len(times))
        alarms += any(
            behaviour(times, sigma * rng.normal(size=len(times)), sigma, needed=needed(times)).kind
            != "steady"
            for _ in range(N_SERIES)
        )
    # 1 % of 300 is 3; 8 is three sigmas of a Poisson number above.
    assert alarms <= 8


def test_a_threshold_for_one_try_would_cry_wolf():
    """Handbook 11: testing each take by itself alarms on 18 % of twenty-take days. Here: 1 % a try, one series."""
    times, alarms = mornings(20), 0
    for k in range(300):
        values = np.random.default_rng([93, k]).normal(size=20)
        alarms += behaviour(times, values, np.ones(20), needed=float(chi2.isf(0.01, 1))).kind != "steady"
    assert alarms > 0.05 * 300  # the planted fault: the place of the step was searched


@pytest.mark.parametrize("n", [4, 12, 40])
def test_power_is_as_stated(n):
    """A step of the stated size is told in 95 of 100 cases, at the newest result and half-way."""
    times = mornings(n)
    stated = behaviour(times, np.zeros(n), np.ones(n), needed=needed(times))
    for case, (size, place) in enumerate(((stated.seen_last, n - 1), (stated.seen_middle, n // 2))):
        step = np.where(np.arange(n) >= place, size, 0.0)
        found = kinds(times, lambda noise, step=step: noise + step, runs=200, case=10 * n + case)
        told = np.mean([one.kind != "steady" for one in found])
        assert told >= 0.90  # 95 % less three sigmas of 200
        smaller = kinds(times, lambda noise, step=step: noise + 0.5 * step, runs=100, case=10 * n + 5 + case)
        assert np.mean([one.kind != "steady" for one in smaller]) < 0.6  # the statement is not timid


def test_a_knock_is_told_from_warming_up():
    times = sessions(8)
    since = np.tile([0.0, 0.3, 0.8, 2.0], 8)
    shapes = {
        "step": np.where(np.arange(32) >= 19, 6.0, 0.0),
        "warm-up": 6.0 * (1.0 - np.exp(-since / 0.4)),
        "ramp": 8.0 * times / times[-1],
    }
    for case, (kind, shape) in enumerate(shapes.items()):
        found = kinds(times, lambda noise, shape=shape: noise + shape, runs=60, case=200 + case)
        assert np.mean([one.kind == kind for one in found]) >= 0.95


def test_within_one_day_too():
    """Twelve verifications of one day: a knock at noon against a morning that warms up."""
    times = np.array([0, 0.1, 0.25, 0.4, 0.6, 0.9, 1.3, 2, 3, 3.5, 3.9, 4.0])
    knock = kinds(times, lambda noise: noise + np.where(times > 2.5, 7.0, 0.0), runs=60, case=210)
    warm = kinds(times, lambda noise: noise + 9.0 * (1 - np.exp(-times / 0.4)), runs=60, case=211)
    assert np.mean([one.kind == "step" for one in knock]) >= 0.9
    assert np.mean([one.kind == "warm-up" for one in warm]) >= 0.9


def test_place_and_size_of_a_step():
    times, true = mornings(30), 4.0
    found = kinds(times, lambda noise: noise + np.where(np.arange(30) >= 18, true, 0.0), runs=200, case=220)
    steps = [one.steps[0] for one in found if one.kind == "step" and len(one.steps) == 1]
    assert len(steps) >= 190  # a step of four sigmas half-way is told practically always
    inside = np.mean([one.earliest <= 17 <= one.latest for one in steps])
    assert inside >= 0.90  # stated as 95 %, less three sigmas of 200
    ratios = np.array([(one.size - true) / one.sigma for one in steps])
    assert abs(ratios.mean()) < 0.4  # choosing the best place favours large steps, a little
    assert 0.8 < ratios.std() < 1.25  # 1 ± 0.05 of 200, and the same


def test_place_of_a_small_step_has_room():
    """A step of two and a half sigmas: its best place is right in three of four cases, its range in 95 %."""
    times = mornings(30)
    found = kinds(times, lambda noise: noise + np.where(np.arange(30) >= 18, 2.5, 0.0), runs=250, case=225)
    steps = [one.steps[0] for one in found if len(one.steps) == 1]
    assert len(steps) > 200
    assert np.mean([one.last_before == 17 for one in steps]) < 0.88  # 0.77 expected; four sigmas
    assert np.mean([one.earliest <= 17 <= one.latest for one in steps]) >= 0.91  # 0.95 expected; three sigmas


def test_several_steps():
    n = np.arange(40)
    shape = np.where(n >= 12, 8.0, 0.0) - np.where(n >= 26, 12.0, 0.0)
    found = kinds(mornings(40), lambda noise: noise + shape, runs=40, case=230)
    places = [[step.last_before for step in one.steps] for one in found]
    assert sum(one == [11, 25] for one in places) >= 36  # eight sigmas leave the place by one now and then


def test_warm_up_amplitude():
    times = sessions(10)
    since = np.tile([0.0, 0.3, 0.8, 2.0], 10)
    found = kinds(times, lambda noise: noise + 6 * (1 - np.exp(-since / 0.4)), runs=60, case=240)
    sizes = np.array([one.size for one in found])
    assert sizes.mean() == pytest.approx(6.0, abs=0.3)  # the time constant is one of four tried
    assert {one.hours for one in found} <= {0.2, 0.4, 0.8}


def test_sigmas_that_are_too_small_do_not_cry_wolf():
    """Numbers that scatter three times as widely as stated: widened, and said."""
    times, alarms, ratios = mornings(30), 0, []
    for k in range(100):
        found = behaviour(times, 3.0 * np.random.default_rng([94, k]).normal(size=30), np.ones(30))
        alarms += found.kind != "steady"
        ratios.append(found.scatter)
    assert alarms <= 8  # the widening itself is uncertain by a fifth
    assert np.median(ratios) == pytest.approx(
        3.0, rel=0.15
    )  # median of 30 steps, less what the best model takes


@pytest.mark.parametrize("n", [1, 2])
def test_too_few(n):
    found = behaviour(mornings(n), np.arange(n, dtype=float), np.ones(n))
    assert found.kind == "too few"
    assert n_tried(mornings(n)) == 0


def test_all_at_one_moment():
    """Copies of a clock: no ramp, no warm-up, no division by zero."""
    found = behaviour(np.zeros(6), np.arange(6.0), np.full(6, 10.0))
    assert found.kind == "steady"
