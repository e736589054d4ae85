"""The checks of `day`: what its steps found, and whether all could be measured."""

from collections.abc import Sequence

from rigcheck.checks.core import Check, Outcome, not_measured
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY, Verdict, exit_code
from rigcheck.model import Estimate
from rigcheck.model.day import DayRun, StepOutcome

_CANNOT_MEASURE = 3
_MOST_NAMED = 6

__all__ = ["CHECKS", "day_exit_code"]


def day_exit_code(run: DayRun, verdict: Verdict) -> int:
    """Exit code of a day: 4 a step failed; else 3 one could not be measured; else as of any command."""
    unmeasured = any(outcome.report is None for outcome in run.counted)
    return _CANNOT_MEASURE if unmeasured and verdict != "fail" else exit_code(verdict)


def _verdicts(run: DayRun, limits: Limits) -> Outcome:
    band = limits.band("day.failed_steps")
    found = [(outcome, outcome.report.verdict) for outcome in run.counted if outcome.report is not None]
    if not found:
        none = Estimate(value=None, unit="steps", reason="no step could be measured")
        return not_measured(none, band.text, action="Mend what the steps ask for, then run the day again.")
    status = max((verdict for _, verdict in found), key=SEVERITY.index)
    worst = [outcome for outcome, verdict in found if verdict == status]
    failed = sum(verdict == "fail" for _, verdict in found)
    worst_first = sorted(found, key=lambda one: -SEVERITY.index(one[1]))
    words = _names([f"{outcome.step.name} {verdict}" for outcome, verdict in worst_first])
    mended = "".join(f" {by} mended {name}." for name, by in run.mended.items())
    return Outcome(
        status=status,
        estimate=Estimate(value=float(failed), unit="steps", n=len(found)),
        limit=band.text,
        message=f"{len(found)} of {len(run.counted)} steps that count have a result: {words}.{mended}",
        action="" if status == "pass" else f"Open and follow the reports of these steps: {_steps(worst)}.",
    )


def _measured(run: DayRun, limits: Limits) -> Outcome:
    band = limits.band("day.unmeasured_steps")
    faulty = [outcome for outcome in run.counted if outcome.state == "not measured"]
    waiting = [outcome for outcome in run.counted if outcome.state == "held back"]
    count = len(faulty) + len(waiting)
    estimate = Estimate(value=float(count), unit="steps", n=len(run.counted))
    if not count:
        message = "Every step has a result."
        return Outcome(status="pass", estimate=estimate, limit=band.text, message=message)
    parts = [f"{_steps(faulty)} could not be measured"] if faulty else []
    parts += [f"{_steps(waiting)} waits for another step"] if waiting else []
    first = faulty[0] if faulty else waiting[0]
    return Outcome(
        status="inconclusive",
        estimate=estimate,
        limit=band.text,
        message=f"{'; '.join(parts)}.",
        action=f"{first.step.name}: {first.hint}",
    )


def _steps(outcomes: Sequence[StepOutcome]) -> str:
    return _names([outcome.step.name for outcome in outcomes])


def _names(words: Sequence[str]) -> str:
    shown = ", ".join(words[:_MOST_NAMED])
    return shown if len(words) <= _MOST_NAMED else f"{shown} and {len(words) - _MOST_NAMED} more"


CHECKS: tuple[Check[DayRun], ...] = (
    Check(
        code="DAY01",
        title="Verdicts of the steps",
        meaning="How many steps of the day failed and were not mended by a later one; the worst speaks for the day",
        remedy="Open the report of that step and follow it",
        limit="day.failed_steps",
        measure=_verdicts,
    ),
    Check(
        code="DAY02",
        title="Steps measured",
        meaning="How many steps have no result, because their footage could not be read or a step they use failed",
        remedy="Mend what the step names, then run the day again: only what is missing runs",
        limit="day.unmeasured_steps",
        measure=_measured,
    ),
)
