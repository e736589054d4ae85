"""VER08: the same sensors pass, exchanged ones fail, another one is cautioned, too little is skipped with a reason."""

from dataclasses import replace

import numpy as np
import pytest
from verifying import TRUE_RIG, calibrated, pairs_of

from rigcheck.checks import VERIFY_CHECKS, Limits, effective_limits
from rigcheck.drift.sensors import SensorMatch, SensorToday
from rigcheck.drift.verification import verification

LIMITS = Limits(effective_limits())
CHECK = next(check for check in VERIFY_CHECKS if check.code == "VER08")
CHANCE = 1e-3


@pytest.fixture(scope="module")
def run():
    return verification(pairs_of(TRUE_RIG, np.random.default_rng([92, 0]), n_views=2), calibrated())


def match(again, asked):
    return SensorMatch(asked=asked, again=again, chance=CHANCE)


def today(name, own, other=(0, 12), unknown=0, reason=""):
    return SensorToday(
        camera=name,
        own=match(*own),
        other=None if other is None else match(*other),
        unknown=unknown,
        reason=reason,
    )


def judged(run, *sensors):
    return CHECK.run(replace(run, sensors=sensors), LIMITS)


def test_the_same_sensors_pass(run):
    found = judged(run, today("upper", (11, 12)), today("lower", (3, 3)))
    assert found.status == "pass"
    assert "upper 11 of 12; lower 3 of 3" in found.message


def test_exchanged_cameras_fail(run):
    """Too few of its own to be surely gone, yet the other's light up: that alone tells."""
    found = judged(run, today("upper", (0, 3), (9, 9), unknown=9), today("lower", (0, 12), (3, 3), unknown=3))
    assert found.status == "fail"
    assert "of the other camera's 9 of 9" in found.message
    assert "put them back" in found.action


def test_another_sensor_is_cautioned(run):
    found = judged(run, today("upper", (11, 12)), today("lower", (0, 12), unknown=9))
    assert found.status == "caution"
    assert "lower 0 of 12, 9 others do" in found.message
    assert "Check the serial" in found.action
    alone = judged(run, today("upper", (0, 12), None, unknown=9))
    assert alone.status == "caution"


def test_hot_pixels_masked_by_the_camera_are_no_other_sensor(run):
    found = judged(run, today("upper", (0, 12), unknown=1), today("lower", (0, 12), unknown=0))
    assert found.status == "skipped"
    assert "masked" in found.message
    assert not found.required
    half = judged(run, today("upper", (0, 30), unknown=14), today("lower", (0, 0), reason="nothing"))
    assert half.status == "skipped"


def test_too_few_tell_nothing(run):
    found = judged(run, today("upper", (0, 4), unknown=9), today("lower", (2, 2)))
    assert found.status == "skipped"
    assert "too few" in found.message
    part = judged(run, today("upper", (6, 6)), today("lower", (0, 0), reason="the wall hardly changes"))
    assert part.status == "pass"
    assert "Not told: the wall hardly changes" in part.message
    assert judged(run).status == "skipped"


@pytest.mark.parametrize("asked", [8, 12, 30, 64])
def test_an_untouched_sensor_is_seldom_called_another(run, asked):
    """Each hot pixel seen again with probability 0.6: at most one in a thousand is cautioned, however many others."""
    rng = np.random.default_rng([93, asked])
    counts, times = np.unique(rng.binomial(asked, 0.6, 20_000), return_counts=True)
    cautioned = sum(
        int(n)
        for count, n in zip(counts, times, strict=True)
        if judged(run, today("upper", (int(count), asked), unknown=30)).status in ("caution", "fail")
    )
    assert cautioned <= 20 + 3 * 20**0.5


def test_other_sensors_do_not_pass_by_chance(run):
    """Of 64 places each lit with probability 0.001 (measured: up to 0.004): a million trials, one at the most."""
    rng = np.random.default_rng([94, 0])
    counts, times = np.unique(rng.binomial(64, CHANCE, 1_000_000), return_counts=True)
    passed = sum(
        int(n)
        for count, n in zip(counts, times, strict=True)
        if judged(run, today("upper", (int(count), 64), unknown=30)).status == "pass"
    )
    assert passed <= 1 + 3
