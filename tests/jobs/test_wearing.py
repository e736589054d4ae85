"""Times worn and knocks, added to a performer's record by what is said at a fitting."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

from rigcheck.errors import ConfigError
from rigcheck.jobs.wearing import WornSaid, minutes_worn, said_now
from rigcheck.model import PerformerRecord, Worn
from rigcheck.records import performer_text, read_performer

NOW = datetime(2026, 3, 2, 14, 30, tzinfo=timezone(timedelta(hours=2)))
HERON = PerformerRecord(code_name="heron")


def test_on_off_and_a_knock_are_kept_and_read_again(tmp_path):
    record = said_now(HERON, WornSaid(on="9:05"), now=NOW)
    assert record.worn == (Worn(on="2026-03-02T09:05:00+02:00"),)
    record = said_now(record, WornSaid(off="2026-03-02T07:45:00+00:00", knock="boom  met the\ndoor"), now=NOW)
    assert record.worn[0].off == "2026-03-02T07:45:00+00:00"
    assert (record.knocks[0].when, record.knocks[0].note) == (
        "2026-03-02T14:30:00+02:00",
        "boom met the door",
    )
    record = said_now(record, WornSaid(on="now"), now=NOW)
    assert len(record.worn) == 2
    path = tmp_path / "performer.yaml"
    path.write_text(performer_text(record), encoding="utf-8")
    assert read_performer(path) == record


def test_minutes_of_the_last_day_until_now():
    record = said_now(HERON, WornSaid(on="09:05", off="09:45"), now=NOW)
    record = said_now(record, WornSaid(on="14:10"), now=NOW)
    assert minutes_worn(record, now=NOW) == pytest.approx(60.0)  # 40 and 20 so far
    assert minutes_worn(record, now=NOW + timedelta(hours=23)) == pytest.approx(23 * 60 + 20)
    older = PerformerRecord(
        code_name="heron", worn=(Worn(on="2026-02-01T09:00:00+00:00", off="2026-02-01T10:00:00+00:00"),)
    )
    assert minutes_worn(older, now=NOW) == 0.0


@pytest.mark.parametrize(
    ("said", "match"),
    [
        (WornSaid(on="soon"), "'soon' found"),
        (WornSaid(on="2026-03-02T09:00:00"), "needed"),
        (WornSaid(on="25:00"), "needed"),
        (WornSaid(on="16:00"), "lies ahead"),
        (WornSaid(off="now"), "does not say that the helmet is on"),
        (WornSaid(on="10:00", off="9:00"), "lies before"),
        (WornSaid(knock="  "), "0 characters"),
        (WornSaid(knock="x" * 401), "401 characters"),
    ],
)
def test_what_cannot_be_is_refused(said, match):
    with pytest.raises(ConfigError, match=match):
        said_now(HERON, said, now=NOW)


def test_a_helmet_is_not_put_on_twice():
    record = said_now(HERON, WornSaid(on="09:00"), now=NOW)
    with pytest.raises(ConfigError, match="is on since"):
        said_now(record, WornSaid(on="10:00"), now=NOW)


def test_without_a_clock_this_moment_counts():
    record = said_now(HERON, WornSaid(on="now"))
    assert abs(datetime.fromisoformat(record.worn[0].on) - datetime.now(UTC)) < timedelta(minutes=1)
    assert minutes_worn(record) < 1.0
