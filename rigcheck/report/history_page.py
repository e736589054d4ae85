"""Weeks of results as one self-contained HTML page."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta

from markupsafe import Markup

from rigcheck.checks.history_words import Event, events_of, quantity_words, when_text
from rigcheck.drift.change_point import SESSION_GAP_H
from rigcheck.drift.history import History, RigHistory, Series
from rigcheck.drift.run_record import RunRecord
from rigcheck.model import Report
from rigcheck.report.numbers import format_value
from rigcheck.report.page import page_environment, report_parts
from rigcheck.report.time_chart import Line, TimeSpan, mark_sample, time_chart, verdict_strip
from rigcheck.report.verdict import MARKS, STATUS_WORDS

_MOST_ROWS = 20
_MOST_COPIES = 20
_MOST_CHARTS = 14
_MOST_RIGS = 60

__all__ = ["history_page", "rig_lines"]


@dataclass(frozen=True, kw_only=True)
class _Chart:
    """One quantity over time."""

    title: str
    unit: str
    svg: Markup
    words: str


@dataclass(frozen=True, kw_only=True)
class _RigPart:
    """One rig's section."""

    name: str
    named: bool
    anchor: str
    newest: RunRecord
    when: str
    newest_word: str
    newest_mark: str
    days: str
    counts: str
    recalibrations: tuple[str, ...]
    legend: tuple[tuple[Markup, str], ...]
    strip: Markup
    strip_words: str
    charts: tuple[_Chart, ...]
    events: tuple[Event, ...]
    troubles: tuple[str, ...]
    rows: tuple[dict[str, str], ...]
    n_rows: int


def history_page(report: Report, history: History) -> str:
    """Write a history as one HTML page that needs nothing else.

    Parameters
    ----------
    report : Report
    history : History

    Returns
    -------
    str
        As :func:`rigcheck.report.calibration_page.calibration_page`; every name in it comes from a file and is
        escaped.
    """
    events = events_of(history)
    parts = report_parts(report) | {
        "history": history,
        "rigs": tuple(
            _rig_part(history, rig, number, events) for number, rig in enumerate(history.rigs[:_MOST_RIGS], 1)
        ),
        "n_rigs": len(history.rigs),
        "n_results": sum(len(rig.records) for rig in history.rigs),
        "copies": history.copies[:_MOST_COPIES],
        "skipped": history.skipped,
    }
    return page_environment().get_template("history.html.j2").render(parts)


def rig_lines(history: History) -> tuple[tuple[str, str], ...]:
    """Say in a line for each rig how it stands, and in one for each change since its calibration: name and text."""
    out = []
    events = events_of(history)
    for rig in history.rigs[:_MOST_RIGS]:
        word = STATUS_WORDS.get(rig.newest.verdict, rig.newest.verdict).lower()
        days = f"{history.days_since(rig):.1f} days ago"
        out.append((rig.name, f"{_counts(rig)}; newest {rig.newest.command} {word}, {days}"))
        out += [(rig.name, event.sentence) for event in events if event.rig == rig.name and event.in_force]
    return tuple(out)


def _rig_part(history: History, rig: RigHistory, number: int, events: tuple[Event, ...]) -> _RigPart:
    span = _span(rig)
    marks = _label_marks(rig)
    newest = rig.newest
    return _RigPart(
        name=rig.name,
        named=rig.named,
        anchor=f"rig-{number}",
        newest=newest,
        when=_local(newest),
        newest_word=STATUS_WORDS.get(newest.verdict, newest.verdict),
        newest_mark=MARKS.get(newest.verdict, "–"),
        days=f"{history.days_since(rig):.1f}",
        counts=_counts(rig),
        recalibrations=tuple(
            when_text(moment) + (" (its result is not in the folder)" if told else "")
            for moment, told in rig.recalibrations
        ),
        legend=tuple((mark_sample(mark), label) for label, mark in marks.items()),
        strip=verdict_strip(
            [one.moment for one in rig.records], [MARKS.get(one.verdict, "–") for one in rig.records], span
        ),
        strip_words=_strip_words(rig),
        charts=_charts(rig, span, marks),
        events=tuple(event for event in events if event.rig == rig.name),
        troubles=tuple(one.sentence for one in rig.troubles),
        rows=tuple(_row(one) for one in reversed(rig.records[-_MOST_ROWS:])),
        n_rows=len(rig.records),
    )


def _span(rig: RigHistory) -> TimeSpan:
    first, last = rig.records[0].moment, rig.records[-1].moment
    inside = tuple(moment for moment, _ in rig.recalibrations if first <= moment <= last)
    return TimeSpan(first=first, last=last, recalibrations=inside)


_CALIBRATIONS = "calibrations"
_PLAIN = "verifications"


def _label_marks(rig: RigHistory) -> dict[str, int]:
    """A mark for the calibrations and one for each label, in the order of the legend."""
    words = [_CALIBRATIONS] if any(one.command == "calibrate" for one in rig.records) else []
    words += [f"verifications, {label}" if label else _PLAIN for label in rig.labels]
    return {word: number for number, word in enumerate(words)}


def _mark_of(series: Series, marks: dict[str, int]) -> int:
    if series.calibration is None:
        return marks[_CALIBRATIONS]
    return marks[f"verifications, {series.label}" if series.label else _PLAIN]


def _counts(rig: RigHistory) -> str:
    calibrated = sum(one.command == "calibrate" for one in rig.records)
    verified = len(rig.records) - calibrated
    words = [f"{calibrated} calibration{'' if calibrated == 1 else 's'}"] if calibrated else []
    words += [f"{verified} verification{'' if verified == 1 else 's'}"] if verified else []
    return " and ".join(words)


def _strip_words(rig: RigHistory) -> str:
    found: dict[str, int] = defaultdict(int)
    for one in rig.records:
        found[STATUS_WORDS.get(one.verdict, one.verdict).lower()] += 1
    return ", ".join(f"{count} {word}" for word, count in found.items())


def _charts(rig: RigHistory, span: TimeSpan, marks: dict[str, int]) -> tuple[_Chart, ...]:
    grouped: dict[str, list[Series]] = defaultdict(list)
    for series in rig.series:
        grouped[series.quantity].append(series)
    out = []
    for quantity, members in list(grouped.items())[:_MOST_CHARTS]:
        lines = [_line(series, _mark_of(series, marks)) for series in members]
        out.append(
            _Chart(
                title=quantity_words(quantity),
                unit={"deg": "degrees"}.get(members[0].unit, members[0].unit),
                svg=time_chart(lines, span),
                words=_chart_words(members),
            )
        )
    return tuple(out)


def _line(series: Series, mark: int) -> Line:
    kind = series.behaviour.kind
    return Line(
        moments=tuple(one.moment for one in series.records),
        values=series.values,
        sigmas=series.sigmas,
        mark=mark,
        curve=None if kind == "too few" else series.behaviour.curve,
        told=kind in ("step", "ramp", "warm-up"),
        pause_s=SESSION_GAP_H * 3600.0 if kind == "warm-up" else float("inf"),
    )


def _chart_words(members: list[Series]) -> str:
    """Newest value, and how large a step would have been seen since the newest calibration."""
    newest = max(members, key=lambda one: one.records[-1].moment)
    sigma = float(newest.sigmas[-1])
    value = format_value(float(newest.values[-1]), sigma if sigma > 0 else None, newest.unit)
    text = f"newest {value}"
    seen = [one for one in members if one.in_force and one.behaviour.seen_last is not None]
    if seen:
        worst = max(seen, key=lambda one: one.behaviour.seen_last or 0.0)
        smallest = worst.behaviour.seen_last or 0.0
        text += f"; a step at the newest result is told from {format_value(smallest, None, worst.unit)} on"
        if worst.depth_per_unit is not None:
            text += f" ({smallest * worst.depth_per_unit:.2f} mm on the face)"
    return text


def _row(one: RunRecord) -> dict[str, str]:
    harm = one.harm_mm
    return {
        "when": _local(one),
        "command": one.command,
        "label": one.label,
        "verdict": one.verdict,
        "failed": " ".join(one.failed),
        "harm": "–" if harm is None else format_value(harm.value, harm.sigma, "mm"),
        "path": one.path,
    }


def _local(one: RunRecord) -> str:
    """The time by the result's own clock, with its distance from UTC where there is one."""
    offset = one.offset_min
    if offset is None:
        return f"{when_text(one.moment)}, no time zone"
    text = when_text(one.moment + timedelta(minutes=offset))
    sign = "−" if offset < 0 else "+"
    return f"{text} UTC" if offset == 0 else f"{text} UTC{sign}{abs(offset) // 60:02d}:{abs(offset) % 60:02d}"
