"""Beats that turn once in eight seconds: found in moments far apart, and what alters the light as slowly is none."""

import numpy as np
import pytest

from rigcheck.face.exposure_flicker import Flicker, LightSeries, flicker_of, surviving_share
from rigcheck.face.exposure_slow import SparseLight, with_slow_beat

# Handbook §4: light of 120 Hz (mains of 60) at these frame rates beats at 0.12 Hz; 29.97 and 23.976 by the same rule.
SLOW = (59.94, 119.88, 29.97, 23.976)
PLACES = 9


def still(rate: float) -> Flicker:
    """What a short run of neighbours says where no beat shows in it."""
    times = np.arange(round(2.5 * rate)) / rate
    noise = 1 + 0.003 * np.random.default_rng([91, 0]).standard_normal(len(times))
    found = flicker_of(LightSeries(times_s=times, light=0.2 * noise), frame_rate=rate)
    assert isinstance(found, Flicker)
    assert not found.found
    return found


def smooth(rng, times, length_s):
    """A smooth random process of mean 0 and deviation 1: nothing in it is faster than about this length."""
    knots = np.arange(-20.0, times[-1] + 20.0, 0.1)
    shape = np.exp(-0.5 * ((times[:, None] - knots) / length_s) ** 2) @ rng.standard_normal(len(knots))
    return (shape - shape.mean()) / shape.std()


def moments(kind: str, seed: int, *, rate=59.94, seconds=20.0, count=120) -> SparseLight:
    """Light of a face at moments spread over a clip, noise of half a per cent; each kind as its name says."""
    rng = np.random.default_rng([92, seed])
    times = np.round(np.linspace(0, seconds * rate - 1, count)) / rate
    moves, own, lit = 0.02 * rng.standard_normal((count, 5)), np.zeros((count, PLACES)), np.ones(count)
    if "beat" in kind:
        within = times[:, None] + np.linspace(0, 0.002, 21)
        lit *= (1 + 0.1 * np.sin(2 * np.pi * 120.0 * within + rng.uniform(0, 6))).mean(axis=1)
    if "wander" in kind:
        lit *= np.exp(0.01 * np.cumsum(rng.standard_normal(count)) * np.sqrt(seconds / count))
    if "speech" in kind:
        talk = np.clip(smooth(rng, times, 2.0), 0, None) * np.abs(smooth(rng, times, 0.15))
        moves[:, 4] += talk
        lit *= np.exp(-0.02 * talk)
        own += 0.03 * talk[:, None] * rng.standard_normal(PLACES)
    if "head" in kind:  # it moves in the picture
        nod = smooth(rng, times, rng.uniform(0.5, 3.0))
        moves[:, 1] += nod
        lit *= np.exp(0.05 * nod)
        own += 0.03 * nod[:, None] * rng.standard_normal(PLACES)
    if "turn" in kind:  # in a room lit from one side: the helmet's picture of the face stands still
        turn = smooth(rng, times, rng.uniform(0.5, 4.0))
        lit *= np.exp(0.1 * turn)
        own += 0.05 * turn[:, None] * rng.standard_normal(PLACES)
    if "steps" in kind:  # lamps switched and dimmed
        for _ in range(rng.integers(1, 5)):
            lit = np.where(times > rng.uniform(0, seconds), lit * np.exp(rng.normal(0, 0.3)), lit)
    if "fade" in kind:  # a lamp dimmed and raised again
        at, width = rng.uniform(0, seconds), rng.uniform(1.0, 6.0)
        lit *= np.exp(-rng.uniform(0.1, 0.5) * np.exp(-0.5 * ((times - at) / width) ** 2))
    light = 0.2 * lit[:, None] * np.exp(own) * (1 + 0.005 * rng.standard_normal((count, PLACES)))
    return SparseLight(times_s=times, light=light, moves=moves)


@pytest.mark.parametrize("rate", SLOW)
@pytest.mark.parametrize("kind", ["beat", "beat, wander, speech", "beat, head"])
def test_slow_roll_is_found_and_named(rate, kind):
    quick = still(rate)
    assert 60 in quick.hidden
    found = with_slow_beat(quick, moments(kind, 1, rate=rate), shutter_s=0.002)
    assert found.found
    assert found.mains == (60,)
    assert found.beat.value == pytest.approx(0.12, abs=2 * found.beat.sigma)
    assert found.turns == pytest.approx(2.4, abs=0.5)
    left = surviving_share(120.0, 0.002)
    assert found.stops.value == pytest.approx(np.log2((1 + 0.1 * left) / (1 - 0.1 * left)), rel=0.15)
    assert found.modulation.value == pytest.approx(0.1, rel=0.15)
    assert 60 not in found.hidden


def test_one_and_a_half_turns_are_enough_in_even_light():
    """12.5 s of a beat of 0.12 Hz."""
    assert with_slow_beat(still(59.94), moments("beat", 2, seconds=12.6)).found
    shorter = with_slow_beat(still(59.94), moments("beat", 2, seconds=11.0))
    assert not shorter.found
    assert 60 in shorter.hidden


@pytest.mark.parametrize(
    "kind", ["still", "wander", "speech", "wander, speech, head", "turn", "steps", "fade"]
)
def test_what_else_alters_the_light_is_no_beat(kind):
    """Twelve of each; hundreds by hand are told in DEVELOPERS.md."""
    quick = still(59.94)
    assert [with_slow_beat(quick, moments(kind, seed)).found for seed in range(12)] == [False] * 12


def test_a_beat_over_part_of_the_face_against_the_rest_is_none():
    """A head that swings as evenly as a clock between two lamps: one side brightens as the other darkens."""
    given = moments("beat", 3)
    swing = given.light[:, :1] / given.light[:, :1].mean()
    light = np.where(np.arange(PLACES) < 3, given.light / swing**1.6, given.light)
    assert with_slow_beat(still(59.94), given).found
    turned = SparseLight(times_s=given.times_s, light=light, moves=given.moves)
    assert not with_slow_beat(still(59.94), turned).found


def test_only_where_mains_beat_is_looked():
    """A swing of 0.3 Hz at 50 frames/s, where light of 120 Hz beats at 20 Hz, and that of 100 Hz strays by 0.1 Hz."""
    given = moments("beat", 4)
    faster = SparseLight(times_s=given.times_s * 0.4, light=given.light, moves=given.moves)
    assert not with_slow_beat(still(50.0), faster).found


@pytest.mark.parametrize(("half_swing", "stands"), [(0.1, True), (0.01, False)])
def test_a_quick_beat_stands_unless_the_slow_one_is_larger(half_swing, stands):
    """Light of 100 Hz beats at 19.88 Hz there; the slow beat swings by 9 % about its mean."""
    times = np.arange(150) / 59.94
    light = 1 + half_swing * np.sin(2 * np.pi * 100 * times)
    quick = flicker_of(LightSeries(times_s=times, light=light), frame_rate=59.94)
    assert quick.found
    told = with_slow_beat(quick, moments("beat", 5))
    assert told.mains == ((50,) if stands else (60,))
    assert told.hidden == ()


def test_too_little_changes_nothing():
    quick, given = still(59.94), moments("beat", 6)
    few = SparseLight(times_s=given.times_s[:8], light=given.light[:8], moves=given.moves[:8])
    dark = SparseLight(times_s=given.times_s, light=np.zeros_like(given.light), moves=given.moves)
    unseen = SparseLight(times_s=given.times_s, light=given.light * np.nan, moves=given.moves)
    empty = SparseLight(times_s=np.zeros(0), light=np.zeros((0, PLACES)), moves=np.zeros((0, 0)))
    for sparse in (None, few, dark, unseen, empty):
        assert with_slow_beat(quick, sparse) == quick
    with pytest.raises(ValueError, match="SparseLight"):
        SparseLight(times_s=np.zeros(3), light=np.zeros((4, PLACES)), moves=np.zeros((3, 0)))
