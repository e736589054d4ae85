"""A shoot day as one page that leads to every report, in the order of the day."""

from collections.abc import Sequence
from dataclasses import dataclass

from rigcheck.model import Report
from rigcheck.model.day import DayRun, StepOutcome
from rigcheck.report.page import page_environment, report_parts
from rigcheck.report.verdict import STATUS_WORDS, ActionItem, actions_first, verdict_sentence

__all__ = ["day_page", "step_lines", "step_words"]

_MOST_ACTIONS = 3
_STATE_WORDS = {
    "measured": "Measured now",
    "unchanged": "Unchanged, not run again",
    "not measured": "Could not be measured",
    "held back": "Not run",
}


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One step: where its report is, what it says, what to do."""

    name: str
    href: str
    command: str
    who: str
    verdict: str
    state: str
    why: str
    sentence: str
    todo: tuple[ActionItem, ...]
    n_more: int
    hint: str
    mended_by: str


def day_page(report: Report, run: DayRun) -> str:
    """Write a day as one HTML page that needs nothing else, with links to the steps' reports beside it.

    Parameters
    ----------
    report : Report
    run : DayRun

    Returns
    -------
    str
        As :func:`rigcheck.report.calibration_page.calibration_page`; whatever comes from a file is escaped.
    """
    rows = tuple(_row(one, run.mended.get(one.step.name, "")) for one in run.outcomes)
    parts = report_parts(report) | {"title": run.title, "rows": rows}
    # What the steps without a result say stands in their rows.
    parts["notes"] = run.notes
    return page_environment().get_template("day.html.j2").render(parts)


def step_words(outcome: StepOutcome) -> str:
    """Say in a few words how a step went."""
    if outcome.report is None:
        return f"{_STATE_WORDS[outcome.state]}. {outcome.message}"
    unchanged = " (unchanged)" if outcome.state == "unchanged" else ""
    return f"{STATUS_WORDS[outcome.report.verdict]}{unchanged}. {verdict_sentence(outcome.report)}"


def step_lines(outcomes: Sequence[StepOutcome]) -> tuple[tuple[str, str], ...]:
    """Name of each step, how it went, and what to do first about it."""
    lines = []
    for outcome in outcomes:
        todo = () if outcome.report is None else actions_first(outcome.report.checks)
        first = outcome.hint if outcome.report is None else todo[0].action if todo else ""
        lines.append((outcome.step.name, f"{step_words(outcome)}{f' Do first: {first}' if first else ''}"))
    return tuple(lines)


def _when(created: str) -> str:
    """Date and minute of a time as results keep it."""
    return created[:16].replace("T", " ")


def _row(outcome: StepOutcome, mended_by: str) -> _Row:
    step, report = outcome.step, outcome.report
    todo = () if report is None else actions_first(report.checks)
    return _Row(
        name=step.name,
        href="" if report is None else f"{step.name}/report.html",
        command=step.command,
        who=", ".join(one for one in (step.rig, step.performer) if one is not None),
        verdict="inconclusive" if report is None else report.verdict,
        state=_STATE_WORDS[outcome.state],
        why=outcome.message if outcome.state != "unchanged" else f"made {_when(outcome.message)}",
        sentence="" if report is None else verdict_sentence(report),
        todo=todo[:_MOST_ACTIONS],
        n_more=max(len(todo) - _MOST_ACTIONS, 0),
        hint=outcome.hint,
        mended_by=mended_by,
    )
