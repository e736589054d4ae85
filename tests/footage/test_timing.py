"""Frame rate, drops, repeats and varying rate, told from the times alone."""

from fractions import Fraction

import numpy as np
import pytest

from rigcheck.footage import open_footage
from rigcheck.footage.timing import review_timing, timed_table

NTSC_60 = Fraction(60000, 1001)


def _table(seconds, *, tick_s=Fraction(1, 90000), stated=()):
    ticks = np.rint(np.asarray(seconds) / float(tick_s)).astype(np.int64)
    return timed_table(ticks, np.ones(len(ticks), dtype=bool), tick_s=tick_s, stated=stated)


def _codes(table, **limits):
    return [finding.code for finding in review_timing(table, **limits)]


@pytest.mark.parametrize(
    "rate", [Fraction(24000, 1001), Fraction(25), Fraction(30000, 1001), NTSC_60, Fraction(60)]
)
@pytest.mark.parametrize("tick_s", [Fraction(1, 90000), Fraction(1, 1000), Fraction(1, 600)])
@pytest.mark.parametrize("n", [12, 600])
def test_even_times_give_their_rate_and_no_finding(rate, tick_s, n):
    """Ticks of MPEG-2 systems, Matroska and QuickTime; the stated rate decides where ticks are too coarse."""
    table = _table(np.arange(n) / float(rate), tick_s=tick_s, stated=[rate])
    assert table.rate == rate
    assert _codes(table) == []


def test_the_rate_is_measured_where_the_file_states_none_or_a_wrong_one():
    times = np.arange(600) / float(NTSC_60)
    assert _table(times).rate == NTSC_60
    assert _table(times, stated=[Fraction(25)]).rate == NTSC_60
    odd = _table(np.arange(600) / 47.3)
    assert odd.rate is not None
    assert float(odd.rate) == pytest.approx(
        47.3, rel=2e-5
    )  # the ticks of 1/90000 s resolve no more over 12.7 s


def test_a_rate_skewed_by_drops_is_not_believed():
    """Containers state the mean rate: frames over duration."""
    kept = np.setdiff1d(np.arange(100), [10, 50, 51])
    table = _table(kept / 60.0, stated=[Fraction(97 * 60, 100)])
    assert table.rate == 60
    assert _codes(table) == ["dropped_frames"]


@pytest.mark.parametrize("dropped", [[10], [10, 11, 12], [5, 50, 51]])
def test_drops_are_counted_and_placed(dropped):
    kept = np.setdiff1d(np.arange(100), dropped)
    (finding,) = review_timing(_table(kept / 30.0, stated=[Fraction(30)]))
    assert finding.code == "dropped_frames"
    assert finding.sentence.startswith(f"{len(dropped)} picture")
    assert f"after frame {dropped[0] - 1}" in finding.sentence


def test_drops_outside_the_points_do_not_matter():
    kept = np.setdiff1d(np.arange(100), [10])
    table = _table(kept / 30.0)
    assert _codes(table, first=10, last=98) == []
    assert _codes(table, first=9, last=98) == ["dropped_frames"]
    assert "after frame 9" in review_timing(table, first=9)[0].sentence


def test_repeated_times():
    times = np.arange(100) / 30.0
    times[41] = times[40]
    assert "repeated_times" in _codes(_table(times))


def test_a_varying_rate():
    rng = np.random.default_rng([3, 1])
    assert _codes(_table(np.cumsum(rng.uniform(0.02, 0.05, 200)))) == ["variable_rate"]
    halved = np.concatenate([np.arange(60) / 60.0, 1 + np.arange(30) / 30.0])
    assert _codes(_table(halved)) == ["variable_rate"]


def test_small_jitter_is_no_finding_and_one_large_one_is():
    rng = np.random.default_rng([3, 2])
    times = np.arange(200) / 30.0 + rng.uniform(-0.1, 0.1, 200) / 30
    assert _codes(_table(times, stated=[Fraction(30)])) == []
    times[100] += 0.4 / 30
    assert _codes(_table(times, stated=[Fraction(30)])) == ["uneven_times"]


@pytest.mark.parametrize("file", ["a.mp4", "a.mkv", "a.ts"])
def test_a_dropped_picture_in_a_real_file(file, clip_file, read_number):
    kept = [k for k in range(30) if k != 10]
    clip = open_footage(str(clip_file(file, numbers=kept, ticks=kept, gop=8)), camera="camera1")
    assert [finding.code for finding in clip.info.findings] == ["dropped_frames"]
    assert clip.info.frame_rate == 30
    frames = list(clip.frames())
    assert [read_number(frame.image) for frame in frames] == kept
    assert frames[10].ref.time_s == pytest.approx(11 / 30, abs=0.001)  # s: MKV counts whole ms
    points = open_footage(f"{clip_file(file, numbers=kept, ticks=kept)}@0.3-0.5", camera="camera1")
    assert [read_number(frame.image) for frame in points.frames()] == [9, 11, 12, 13, 14, 15]


def test_equal_times_in_a_real_file_keep_every_picture_apart(clip_file, read_number):
    """Two pictures in one ms of an MKV file: each still has its own index, also after a seek."""
    ticks = [k * 100 for k in range(60)]
    ticks[21] = 2001
    ticks[45] = 4401
    path = clip_file("a.mkv", numbers=range(60), ticks=ticks, per_frame=100, gop=5, b_frames=0)
    clip = open_footage(str(path), camera="camera1")
    assert "repeated_times" in [finding.code for finding in clip.info.findings]
    assert [read_number(frame.image) for frame in clip.frames()] == list(range(60))
    for index in range(60):
        assert [read_number(frame.image) for frame in clip.frames_at([index])] == [index]
    keys = {frame.ref.frame_idx: read_number(frame.image) for frame in clip.frames(keyframes_only=True)}
    assert len(keys) > 5
    assert keys == {k: k for k in keys}


def test_a_varying_rate_in_a_real_file(clip_file, read_number):
    rng = np.random.default_rng([3, 3])
    ticks = np.cumsum(rng.integers(60, 200, 24)).tolist()
    clip = open_footage(str(clip_file("a.mp4", ticks=ticks, per_frame=100, gop=6)), camera="camera1")
    assert "variable_rate" in [finding.code for finding in clip.info.findings]
    assert [read_number(frame.image) for frame in clip.frames()] == list(range(24))
    assert [read_number(frame.image) for frame in clip.frames_at([20, 3])] == [3, 20]
