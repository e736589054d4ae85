"""Timecode against the numbers of SMPTE ST 12-1."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigcheck.footage.timecode import StartTimecode, TimecodeRate, is_timecode

NTSC = Fraction(30000, 1001)
DROP_30 = TimecodeRate(nominal=30, drop_frame=True)
DROP_60 = TimecodeRate(nominal=60, drop_frame=True)

# SMPTE ST 12-1: numbers 00 and 01 are skipped each minute except every tenth, so that an hour has
# 107 892 frames; the boundary values follow from that.
BOUNDARIES = [
    (0, "00:00:00;00"),
    (1799, "00:00:59;29"),
    (1800, "00:01:00;02"),
    (17981, "00:09:59;29"),
    (17982, "00:10:00;00"),
    (107891, "00:59:59;29"),
    (107892, "01:00:00;00"),
    (24 * 107892 - 1, "23:59:59;29"),
]


@pytest.mark.parametrize(("number", "text"), BOUNDARIES)
def test_drop_frame_boundaries(number, text):
    assert DROP_30.text(number) == text
    assert DROP_30.number(text) == number


def test_drop_frame_at_59_94_skips_twice_as_many():
    assert DROP_60.number("01:00:00;00") == 2 * 107892
    assert DROP_60.text(3600) == "00:01:00;04"
    assert DROP_60.frames_per_day == 48 * 107892


def test_drop_frame_keeps_within_two_frames_of_the_clock_all_day():
    """Its very purpose in ST 12-1; the residual is 2.6 frames a day, 86.4 ms."""
    seconds = DROP_30.frames_per_day / NTSC
    assert abs(float(seconds) - 86400) < 0.09  # s: 86.4 ms a day, plus rounding


def test_without_drop_frame_an_hour_of_timecode_lasts_3_6_s_longer():
    plain = TimecodeRate(nominal=30)
    assert float(plain.number("01:00:00:00") / NTSC) - 3600 == pytest.approx(
        3.6, abs=1e-9
    )  # exact by definition


@given(
    nominal=st.sampled_from([24, 25, 30, 48, 50, 60, 120]),
    drop=st.booleans(),
    number=st.integers(0, 2 * 10**7),
)
def test_number_and_text_are_inverse(nominal, drop, number):
    counting = TimecodeRate(nominal=nominal, drop_frame=drop and nominal % 30 == 0)
    number %= counting.frames_per_day
    assert counting.number(counting.text(number)) == number


@given(number=st.integers(0, DROP_30.frames_per_day - 2))
def test_timecodes_ascend(number):
    assert DROP_30.text(number) < DROP_30.text(number + 1)


@pytest.mark.parametrize(
    "text",
    ["00:01:00;00", "00:01:00;01", "00:00:60;00", "24:00:00;00", "00:60:00;00", "00:00:00;30", "1:2:3", "x"],
)
def test_numbers_that_do_not_exist_are_refused(text):
    with pytest.raises(ValueError, match=r"timecode|out of range|does not exist"):
        DROP_30.number(text)


def test_drop_frame_at_25_is_refused():
    with pytest.raises(ValueError, match="drop-frame"):
        TimecodeRate.of("10:00:00;00", Fraction(25))


def test_a_track_counting_30_beside_60_pictures_gives_two_pictures_a_number():
    start = StartTimecode.of("10:00:00:15", Fraction(60), 30)
    assert start is not None
    assert start.start == 60 * 36000 + 30
    assert [start.text_at(k) for k in (0, 1, 2)] == ["10:00:00:15", "10:00:00:15", "10:00:00:16"]
    assert start.place("10:00:01:00") == 30


def test_place_runs_across_midnight():
    start = StartTimecode.of("23:59:59:20", Fraction(25))
    assert start is not None
    assert start.place("00:00:00:05") == 10
    assert start.text_at(10) == "00:00:00:05"


@pytest.mark.parametrize("text", ["10:00:00:99", "no", "10:00:00;00"])
def test_a_start_timecode_that_cannot_be_read_is_none(text):
    assert StartTimecode.of(text, Fraction(25)) is None


def test_is_timecode():
    assert is_timecode("00:00:03:00")
    assert is_timecode("0:00:03;00")
    assert not is_timecode("3.0")
