"""Stored hot pixels asked of today's pictures: what is counted, and how likely it is by chance."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from verifying import calibrated

from rigcheck.drift.sensors import SEEN_AGAIN, SensorMatch, sensor_measurements, sensors_today
from rigcheck.footage.hot_pixels import HotPixelLook

WIDTH, HEIGHT = 1080, 1440


def stored(upper, lower=()):
    cameras = calibrated().cameras
    return replace(
        calibrated(),
        cameras=tuple(
            replace(entry, hot_pixels_px=tuple((int(x), int(y)) for x, y in pixels))
            for entry, pixels in zip(cameras, (upper, lower), strict=True)
        ),
    )


def look(lit, *, telling=None, clear=None):
    """A look in which these places are lit."""
    marked = np.zeros((HEIGHT, WIDTH), bool)
    for x, y in lit:
        marked[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2] = True
    tells = np.ones_like(marked) if telling is None else telling
    shown = tuple((int(x), int(y)) for x, y in (lit if clear is None else clear))
    return HotPixelLook(n_pictures=24, hot_pixels_px=shown, telling=tells, marked=marked)


def places(seed, count):
    return np.random.default_rng([83, seed]).integers(5, [WIDTH - 5, HEIGHT - 5], (count, 2))


@pytest.mark.parametrize(
    ("asked", "again", "chance"), [(20, 3, 1e-3), (8, 8, 0.004), (64, 1, 5e-4), (5, 0, 0.1)]
)
def test_both_probabilities_are_binomial(asked, again, chance):
    """Against scipy's distribution."""
    match = SensorMatch(asked=asked, again=again, chance=chance)
    assert match.by_chance == pytest.approx(stats.binom.sf(again - 1, asked, chance), rel=1e-9)
    assert match.by_same == pytest.approx(stats.binom.cdf(again, asked, SEEN_AGAIN), rel=1e-9)


def test_another_sensor_matches_as_often_as_is_foretold():
    """As many as 200 sensors with 64 hot pixels each, lit within a pixel; the exact law is hypergeometric."""
    counts, foretold = [], []
    for k in range(20):
        today = look(places(2 * k, 1000), clear=[])
        calibration = stored(places(2 * k + 1, 640))
        match = sensors_today(calibration, {"upper": today})[0].own
        counts.append(match.again)
        foretold.append(match.asked * match.chance)
        lit = int((today.marked & today.telling).sum())
        exact = stats.hypergeom.sf(match.again - 1, WIDTH * HEIGHT, lit, match.asked)
        assert match.by_chance == pytest.approx(exact, rel=0.05)  # 640 drawn of 1.5 million
    total = sum(foretold)
    assert abs(sum(counts) - total) < 3 * total**0.5


def test_only_places_that_tell_are_asked():
    telling = np.zeros((HEIGHT, WIDTH), bool)
    telling[:, : WIDTH // 2] = True
    pixels = [(100, 200), (101, 900), (900, 300), (901, 800)]
    found = sensors_today(stored(pixels), {"upper": look(pixels, telling=telling)})[0]
    assert (found.own.asked, found.own.again) == (2, 2)
    assert not found.reason


def test_a_pixel_moved_by_one_is_the_same():
    found = sensors_today(stored([(100, 200), (300, 400)]), {"upper": look([(101, 199), (302, 400)])})[0]
    assert (found.own.again, found.unknown) == (1, 1)


def test_dots_that_both_cameras_show_belong_to_no_sensor():
    dots = [(100, 200), (300, 400), (500, 600)]
    found = sensors_today(stored(dots, dots), {"upper": look(dots), "lower": look(dots)})
    assert all("of the recording" in one.reason and one.own.asked == 0 for one in found)
    mixed = sensors_today(stored([*dots, (50, 60)], dots), {"upper": look([*dots, (50, 60)])})
    assert mixed[0].own.asked == 1
    assert "fewer than" in mixed[1].reason


def test_why_nothing_can_be_told():
    pixels = places(0, 20)
    still = np.zeros((HEIGHT, WIDTH), bool)
    still[5, 5] = True
    assert "hardly changes" in sensors_today(stored(pixels), {"upper": look([], telling=still)})[0].reason
    assert "holds no hot pixels" in sensors_today(calibrated(), {"upper": look(pixels)})[0].reason
    assert "were looked at" in sensors_today(stored(pixels), {"upper": None})[0].reason


def test_shares_are_kept_for_the_record():
    pixels = places(1, 12)
    numbers = sensor_measurements(sensors_today(stored(pixels), {"upper": look(pixels[:9])}))
    assert numbers["upper.hot_pixels_again"].value == pytest.approx(0.75)
    assert numbers["upper.hot_pixels_again"].n == 12
    assert numbers["lower.hot_pixels_again"].value is None
