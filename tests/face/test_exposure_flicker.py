"""Beats of light against the frame rate: the handbook's table, found and named in light over time."""

import numpy as np
import pytest

from rigcheck.face.exposure_flicker import Flicker, LightSeries, beat_hz, flicker_of, surviving_share
from rigcheck.model import Estimate

# Handbook §4: light of 100 Hz (mains of 50) and 120 Hz (mains of 60) against frame rates, Hz.
BEATS = [
    *((100.0, fps, beat) for fps, beat in ((24, 4), (48, 4), (30, 10), (60, 20), (120, 20), (59.94, 19.88))),
    *((120.0, fps, beat) for fps, beat in ((48, 24), (25, 5), (50, 20), (59.94, 0.12), (119.88, 0.12))),
]
NO_BEAT = [(100.0, 25), (100.0, 50), (120.0, 24), (120.0, 30), (120.0, 60), (120.0, 120)]


def series(fps, light_hz, seconds, *, half_swing=0.1, shutter_s=0.002, seed=0, wander=0.02, dropped=0.0):
    """Mean light of pictures: a lamp's sine averaged over the shutter, a face that moves slowly, noise of 0.4 %."""
    rng = np.random.default_rng([80, seed])
    times = np.arange(int(seconds * fps)) / fps
    within = np.linspace(0, shutter_s, 41)
    light = (1 + half_swing * np.sin(2 * np.pi * light_hz * (times[:, None] + within) + 1)).mean(axis=1)
    light *= np.exp(wander * np.cumsum(rng.standard_normal(len(times))) / np.sqrt(fps))
    light *= 1 + 0.004 * rng.standard_normal(len(times))
    kept = rng.random(len(times)) >= dropped
    return LightSeries(times_s=times[kept], light=light[kept])


@pytest.mark.parametrize(("light_hz", "fps", "beat"), [*BEATS, *((*pair, 0) for pair in NO_BEAT)])
def test_beats_of_the_handbook(light_hz, fps, beat):
    assert beat_hz(light_hz, fps) == pytest.approx(beat, abs=1e-6)


@pytest.mark.parametrize(("light_hz", "fps", "beat"), BEATS)
def test_beat_is_found_and_named(light_hz, fps, beat):
    """2.5 s, or 20 s for slow rolls, 3 % of the frames dropped; the lamp's half swing is 10 %."""
    seconds = 2.5 if beat > 1 else 20.0
    found = flicker_of(series(fps, light_hz, seconds, dropped=0.03), frame_rate=fps, shutter_s=0.002)
    assert found.found
    assert found.beat.value == pytest.approx(beat, abs=0.5 / seconds)
    assert found.mains == (int(light_hz / 2),)
    left = surviving_share(light_hz, 0.002)
    assert abs(found.stops.value - np.log2((1 + 0.1 * left) / (1 - 0.1 * left))) < 2.5 * found.stops.sigma
    # 15 %: noise, and a beat at half the frame rate is seen in one phase only.
    assert found.modulation.value == pytest.approx(0.1, rel=0.15)


@pytest.mark.parametrize(("light_hz", "fps"), NO_BEAT)
def test_light_in_step_with_the_frames_does_not_show(light_hz, fps):
    found = flicker_of(series(fps, light_hz, 4.0), frame_rate=fps)
    assert not found.found
    assert int(light_hz / 2) in found.hidden


def test_surviving_modulation():
    """Handbook §4: light of 100 Hz keeps 0.94 at 2 ms and 0.19 at 8.33 ms; none at a whole period."""
    assert surviving_share(100.0, 0.002) == pytest.approx(0.935, abs=0.005)
    assert surviving_share(100.0, 1 / 120) == pytest.approx(0.19, abs=0.005)
    assert surviving_share(100.0, 0.01) == pytest.approx(0.0, abs=1e-12)


def test_driver_out_of_step_is_no_mains():
    found = flicker_of(series(60, 247.0, 2.5), frame_rate=60)
    assert found.found
    assert found.beat.value == pytest.approx(7.0, abs=0.2)
    assert found.mains == ()
    assert found.modulation is None


def test_two_mains_that_beat_alike_are_both_named():
    """At 20 frames/s light of 110 Hz would lie between; at 44 both beat at 12 Hz: 88 + 12 and 132 - 12."""
    found = flicker_of(series(44, 100.0, 2.5), frame_rate=44)
    assert found.mains == (50, 60)


def test_light_that_wanders_is_no_beat():
    """60 faces that move and no lamp that beats: none alarms (of 400 tried by hand, none did)."""
    alarms = sum(
        flicker_of(series(60, 100.0, 2.5, half_swing=0.0, wander=0.05, seed=seed), frame_rate=60).found
        for seed in range(60)
    )
    assert alarms == 0


def test_slow_roll_in_a_short_run_is_said_to_hide():
    found = flicker_of(series(59.94, 120.0, 2.5), frame_rate=59.94)
    assert 60 in found.hidden


def test_what_cannot_be_told():
    for given in (None, series(60, 100.0, 0.3), LightSeries(times_s=np.zeros(50), light=np.ones(50))):
        found = flicker_of(given)
        assert isinstance(found, Estimate)
        assert found.value is None
    dark = LightSeries(times_s=np.arange(50) / 60, light=np.zeros(50))
    assert isinstance(flicker_of(dark), Estimate)
    with pytest.raises(ValueError, match="LightSeries"):
        LightSeries(times_s=np.zeros(3), light=np.zeros(4))


def test_even_light_and_frame_rate_from_the_times():
    steady = LightSeries(times_s=np.arange(100) / 50, light=np.full(100, 0.3))
    found = flicker_of(steady)
    assert isinstance(found, Flicker)
    assert not found.found
    assert found.frame_rate == pytest.approx(50.0)
    assert found.stops.value < 1e-6
