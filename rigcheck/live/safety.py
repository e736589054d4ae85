"""What to mind for the person under the helmet: minutes worn, mass and moment, light at the eyes."""

from datetime import datetime

from rigcheck.checks.exposure_words import EYES
from rigcheck.jobs.wearing import minutes_worn
from rigcheck.live.state import SafetyLine
from rigcheck.model import PerformerRecord

__all__ = ["safety_line"]

_STOP = "Pain, numbness or dizziness: stop and take the helmet off."


def safety_line(record: PerformerRecord, *, rest_after_min: float, now: datetime | None = None) -> SafetyLine:
    """Say what to mind now.

    Parameters
    ----------
    record : PerformerRecord
    rest_after_min : float
        Minutes worn after which the reminder to rest shows: the user's own choice, no limit for a person.
    now : datetime, optional
        With a zone; this moment when not given.
    """
    minutes = minutes_worn(record, now=now)
    rest = minutes >= rest_after_min
    sentences = [_worn(record, minutes)]
    if rest:
        sentences.append(
            "Time for a rest: take the helmet off for a while, and write it down. Breaks on request, always."
        )
    sentences += [_load(record), _STOP, EYES]
    return SafetyLine(sentences=tuple(each for each in sentences if each), rest_due=rest)


def _worn(record: PerformerRecord, minutes: float) -> str:
    if not record.worn:
        return (
            "Nobody has said since when the helmet is worn: start with --helmet-on TIME to have it counted."
        )
    still = "The helmet is on" if record.worn[-1].off is None else "The helmet is off"
    return f"{still}: worn {minutes:.0f} min in the last 24 hours."


def _load(record: PerformerRecord) -> str:
    if record.head_borne_kg is None:
        return ""
    moment = record.moment_ncm
    turned = (
        ""
        if moment is None
        else f", its centre {record.overhang_mm:.0f} mm before the ears: {moment:.0f} N·cm on the neck"
    )
    return (
        f"The head carries {1000 * record.head_borne_kg:.0f} g{turned}. Keep both small; local rules, the production's "
        "safety lead and licensed clinicians decide."
    )
