"""Words for what happened to the pair over a day."""

from collections.abc import Sequence

from rigcheck.checks.core import written
from rigcheck.model.auditing import DayEvent, DayGeometry, EventKind

_MOST_NAMED = 6
EVENT_WORDS: dict[EventKind, str] = {"step": "No step", "drift": "No slow drift"}

BLIND = (
    "Faces alone do not show a change of the baseline's length, nor a movement of the whole bar with both cameras; a "
    "board or a known length does."
)

__all__ = ["BLIND", "EVENT_WORDS", "event_sentence", "listed", "seen_sentence"]


def listed(names: Sequence[str]) -> str:
    """Names with commas, at most six."""
    shown = ", ".join(names[:_MOST_NAMED])
    return shown if len(names) <= _MOST_NAMED else f"{shown} and {len(names) - _MOST_NAMED} more"


def event_sentence(day: DayGeometry, event: DayEvent) -> str:
    """Say what happened, from which take on, how surely, and what it does."""
    names = day.names
    harm = event.harm_mm
    amount = "" if harm.value is None else f", {harm.value:.2f} mm in depth on the face"
    turns = ", ".join(
        f"{name} {value:+.3f}°"
        for name, value in zip(("convergence", "across", "twist"), event.change, strict=False)
    )
    sure = (
        f"surely not before {names[event.earliest]} nor after {names[event.latest]}"
        if (event.earliest != event.latest)
        else f"{100 * event.confidence:.0f} % sure of the take"
    )
    if event.kind == "step":
        return written(f"A step at {names[event.first]} ({sure}): {turns}{amount}.")
    return written(f"A drift from {names[event.first]} to {names[event.last]} ({sure}): {turns}{amount}.")


def seen_sentence(day: DayGeometry) -> str:
    """How small a step would have been told."""
    parts = [
        f"{name.partition('_')[0]} {number.value:.3f}°"
        for name, number in day.seen.items()
        if name.endswith(".middle") and number.value is not None
    ]
    return (
        f"A step in the middle of the day is told in 95 of 100 cases from {', '.join(parts)} on."
        if parts
        else ""
    )
