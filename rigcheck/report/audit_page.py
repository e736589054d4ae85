"""A day of takes as one self-contained HTML page."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass

from rigcheck.checks.audit import take_findings
from rigcheck.checks.audit_words import event_sentence
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY
from rigcheck.model import Estimate, Report
from rigcheck.model.take import AuditRun, TakeRecord
from rigcheck.records.takes_table import TableRow
from rigcheck.report.audit_figures import DayLine, day_chart
from rigcheck.report.numbers import format_value
from rigcheck.report.page import page_environment, report_parts

# Pictures of failing takes that the page carries; the others stay in the work folder's records.
_MOST_PICTURES = 12
_USE_WORDS = {
    "start": "start",
    "end": "end",
    "between": "between start and end",
    "recalibrate": "recalibrate with a known length",
    "not measured": "not measured",
}

__all__ = ["audit_page", "take_lines"]


@dataclass(frozen=True, kw_only=True)
class _Found:
    """What a check says of one take."""

    code: str
    status: str
    words: str


@dataclass(frozen=True, kw_only=True)
class _TakePart:
    """One take's line."""

    number: int
    name: str
    recorded: str
    performer: str
    status: str
    use: str
    start: str
    left: str
    because: str
    found: tuple[_Found, ...]
    findings: tuple[str, ...]
    picture: str


def audit_page(report: Report, run: AuditRun, rows: Sequence[TableRow]) -> str:
    """Write an audit as one HTML page that needs nothing else.

    Parameters
    ----------
    report : Report
    run : AuditRun
    rows : sequence of TableRow
        One a take, in the order of the day.
    """
    limits = Limits(report.limits)
    shown = _shown(run, rows)
    parts = [
        _part(number, run, record, row, limits, shown)
        for number, (record, row) in enumerate(zip(run.records, rows, strict=True), start=1)
    ]
    worst = sorted(
        parts, key=lambda one: (-SEVERITY.index(_status(rows, one)), -_harm(rows, one), one.number)
    )
    values = report_parts(report) | {
        "takes": parts,
        "worst": worst,
        "pictured": [one for one in worst if one.picture],
        "events": [] if run.day is None else [event_sentence(run.day, one) for one in run.day.events],
        "charts": _charts(run, rows),
        "cameras": run.cameras,
        "reference": run.reference,
        "calibrated": run.calibrated,
    }
    return page_environment().get_template("audit.html.j2").render(values)


def take_lines(run: AuditRun) -> tuple[tuple[str, str], ...]:
    """Say in a line for the terminal what happened, and how many takes use which calibration."""
    out = []
    if run.day is not None:
        out += [("Pair", event_sentence(run.day, event)) for event in run.day.events]
    counts: dict[str, int] = {}
    for use in run.uses:
        counts[_USE_WORDS[use.use]] = counts.get(_USE_WORDS[use.use], 0) + 1
    words = ", ".join(f"{count} {word}" for word, count in counts.items())
    out.append(("Calibration to use", f"{words} (takes.csv)"))
    return tuple(out)


def _status(rows: Sequence[TableRow], part: _TakePart) -> str:
    return rows[part.number - 1].status


def _harm(rows: Sequence[TableRow], part: _TakePart) -> float:
    return rows[part.number - 1].start_mm.value or 0.0


def _shown(run: AuditRun, rows: Sequence[TableRow]) -> set[str]:
    """Takes whose picture the page carries: those that fail, the most harmful first, and the take before."""
    failing = [row for row in rows if row.status == "fail"]
    failing.sort(key=lambda row: -(row.start_mm.value or 0.0))
    return {row.take for row in failing[:_MOST_PICTURES]}


def _part(
    number: int, run: AuditRun, record: TakeRecord, row: TableRow, limits: Limits, shown: set[str]
) -> _TakePart:
    found = [
        _Found(code=code, status=one.status, words=one.words)
        for code, one in take_findings(run, record, limits)
        if one.status not in ("pass", "skipped")
    ]
    found.sort(key=lambda one: -_severity(one.status))
    picture = ""
    if record.picture and record.name in shown:
        picture = base64.b64encode(record.picture).decode("ascii")
    return _TakePart(
        number=number,
        name=record.name,
        recorded=record.take.recorded or "",
        performer=record.take.performer or "",
        status=row.status,
        use=_USE_WORDS[row.use],
        start=_number(row.start_mm),
        left=_number(row.left_mm) + (" with the best at hand" if row.use == "recalibrate" else ""),
        because=row.because,
        found=tuple(found),
        findings=record.findings,
        picture=picture,
    )


def _severity(status: str) -> int:
    return [str(one) for one in SEVERITY].index(status)


def _number(estimate: Estimate) -> str:
    return "–" if estimate.value is None else format_value(estimate.value, estimate.sigma, "mm")


def _charts(run: AuditRun, rows: Sequence[TableRow]) -> list[dict[str, object]]:
    """A drawing a quantity: what changes over the day, take by take."""
    marks = [row.status for row in rows]
    out: list[dict[str, object]] = []
    lines = [
        DayLine(
            title="Depth error on the face with the start calibration, mm",
            values=tuple(row.start_mm for row in rows),
        )
    ]
    for name, title in (
        ("convergence_deg", "Convergence, degrees"),
        ("across_deg", "Across, degrees"),
        ("twist_deg", "Twist, degrees"),
    ):
        values = tuple(record.number(f"geometry.{name}") for record in run.records)
        lines.append(DayLine(title=f"{title} (each take by itself)", values=values))
    for camera in run.cameras:
        for name, title in (
            (f"slip.{camera}.moved_mm", "Helmet slip, mm, in the picture of"),
            (f"focus.{camera}.ratio", "Sharpness against the first take,"),
            (f"light.{camera}.stops", "Light against the first take, stops,"),
        ):
            values = tuple(run.change(record.name, name) for record in run.records)
            lines.append(
                DayLine(title=f"{title} {camera}", values=values, usual=float(name.startswith("focus")))
            )
    for line in lines:
        if any(one.value is not None for one in line.values):
            out.append({"title": line.title, "svg": day_chart(line, marks)})
    return out
