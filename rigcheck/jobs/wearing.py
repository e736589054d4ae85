"""What is said of the helmet while it is worn, added to a performer's record: on, off, knocks."""

from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

from rigcheck.errors import ConfigError
from rigcheck.model import Knock, PerformerRecord, Worn

__all__ = ["WornSaid", "minutes_worn", "said_now"]

_FORMS = "'now', a time of today as 14:05, or ISO 8601 with its offset"


@dataclass(frozen=True, kw_only=True)
class WornSaid:
    """When the helmet went on and off ("now", HH:MM of today, or ISO 8601), and a knock in words; None: not said."""

    on: str | None = None
    off: str | None = None
    knock: str | None = None


def said_now(record: PerformerRecord, said: WornSaid, *, now: datetime | None = None) -> PerformerRecord:
    """Add what is said to a record.

    Parameters
    ----------
    record : PerformerRecord
    said : WornSaid
    now : datetime, optional
        With a zone; this moment when not given.

    Raises
    ------
    ConfigError
        For a time that cannot be read or lies ahead, a helmet put on twice, taken off before it went on, or a knock
        without words.
    """
    now = now or datetime.now().astimezone()
    worn = list(record.worn)
    if said.on is not None:
        if worn and worn[-1].off is None:
            raise ConfigError(
                f"--helmet-on: the record says the helmet is on since {worn[-1].on}.",
                hint="say first when it went off: --helmet-off TIME.",
            )
        worn.append(Worn(on=_moment("--helmet-on", said.on, now)))
    if said.off is not None:
        if not worn or worn[-1].off is not None:
            raise ConfigError(
                "--helmet-off: the record does not say that the helmet is on.",
                hint="say when it went on too: --helmet-on TIME.",
            )
        off = _moment("--helmet-off", said.off, now)
        if datetime.fromisoformat(off) < datetime.fromisoformat(worn[-1].on):
            raise ConfigError(
                f"--helmet-off: {off} lies before {worn[-1].on}, when the helmet went on.",
                hint="check both times.",
            )
        worn[-1] = Worn(on=worn[-1].on, off=off)
    knocks = record.knocks
    if said.knock is not None:
        words = " ".join(said.knock.split())
        if not 0 < len(words) <= 400:
            raise ConfigError(
                f"--knock: {len(words)} characters found, 1 to 400 needed.",
                hint="say what was knocked, and how.",
            )
        knocks = (*knocks, Knock(when=now.isoformat(timespec="seconds"), note=words))
    return replace(record, worn=tuple(worn), knocks=knocks)


def minutes_worn(record: PerformerRecord, *, now: datetime | None = None) -> float:
    """Minutes that the helmet was worn in the last 24 hours, until now where it is still on."""
    now = now or datetime.now().astimezone()
    start, total = now - timedelta(days=1), timedelta()
    for each in record.worn:
        on = max(datetime.fromisoformat(each.on), start)
        off = min(now if each.off is None else datetime.fromisoformat(each.off), now)
        total += max(off - on, timedelta())
    return total.total_seconds() / 60.0


def _moment(option: str, text: str, now: datetime) -> str:
    """ISO 8601 with offset, to the second."""
    moment = _read(text.strip(), now)
    if moment is None:
        raise ConfigError(f"{option}: {text!r} found, {_FORMS} needed.", hint="as in --helmet-on 14:05.")
    if moment > now + timedelta(minutes=1):
        raise ConfigError(
            f"{option}: {moment.isoformat(timespec='seconds')} lies ahead, it is {now.isoformat(timespec='seconds')}.",
            hint="check the time, and this machine's clock.",
        )
    return moment.isoformat(timespec="seconds")


def _read(text: str, now: datetime) -> datetime | None:
    if text.casefold() == "now":
        return now
    try:
        if len(text) <= 5 and ":" in text:
            return datetime.combine(now.date(), time.fromisoformat(text.zfill(5)), tzinfo=now.tzinfo)
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else None
