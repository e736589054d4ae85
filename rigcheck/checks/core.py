"""What a check is, and how a list of them is run over one body of evidence."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from typing import Generic, TypeVar

from rigcheck.checks.limits import Limits
from rigcheck.model import CheckResult, Estimate, Status

__all__ = ["Check", "Outcome", "not_applicable", "not_measured", "run_checks", "written"]

EvidenceT = TypeVar("EvidenceT")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What one check found: a CheckResult without the check's own name.

    `applies` is False when the question does not arise, so that skipping it holds up no verdict.
    """

    status: Status
    estimate: Estimate
    limit: str
    message: str
    action: str = ""
    applies: bool = True


@dataclass(frozen=True, kw_only=True)
class Check(Generic[EvidenceT]):
    """One question to the evidence.

    Parameters
    ----------
    code : str
        Three letters and two digits. Never changes its meaning, is never used again.
    title : str
        Names the number judged.
    meaning, remedy : str
        For the table in the README: what the number says, and what to do when it is bad.
    limit : str
        Quantity in `limits` that it is judged by, without the last word; empty when there is none.
    measure : callable
        Evidence and limits to an Outcome.
    requires : tuple of str
        Codes of checks without which this one means nothing.
    required : bool
        Whether the verdict stays open while this one does.
    """

    code: str
    title: str
    meaning: str
    remedy: str
    limit: str
    measure: Callable[[EvidenceT, Limits], Outcome]
    requires: tuple[str, ...] = ()
    required: bool = True

    def run(self, evidence: EvidenceT, limits: Limits) -> CheckResult:
        """Judge the evidence; ValueError when the check says something is wrong but not what to do."""
        return self.result(self.measure(evidence, limits))

    def result(self, outcome: Outcome) -> CheckResult:
        """Put the check's name to an outcome."""
        if outcome.status != "pass" and not outcome.action:
            raise ValueError(f"{self.code}: status {outcome.status} without an action")
        return CheckResult(
            code=self.code,
            title=self.title,
            status=outcome.status,
            estimate=outcome.estimate,
            limit=outcome.limit,
            message=written(outcome.message),
            action=outcome.action,
            required=self.required and outcome.applies,
        )


# Nothing but nought, with a sign: what is left of a small number.
_SIGNED_NOUGHT = re.compile(r"(?<![\w.\u2212-])[+-](0(?:\.0+)?)(?![\d.])")
_MINUS = re.compile(r"(?<![\w.\u2212-])(?<!-frames )-(?=\d)")
_DEGREES = re.compile(r"(?<=\d) deg\b")
_PERCENT = re.compile(r"(?<=\d)%")


def written(sentence: str) -> str:
    """Numbers in a sentence as the tables write them; not for actions, which may hold options to type."""
    unsigned = _SIGNED_NOUGHT.sub(r"\1", sentence)
    spaced = _PERCENT.sub(" %", unsigned)
    return _DEGREES.sub("\N{DEGREE SIGN}", _MINUS.sub("\N{MINUS SIGN}", spaced))


def not_measured(estimate: Estimate, limit: str, *, action: str) -> Outcome:
    """Skip, because the number could not be had; its reason is the message."""
    return Outcome(
        status="skipped",
        estimate=estimate,
        limit=limit,
        message=f"Not judged: {estimate.reason}.",
        action=action,
    )


def not_applicable(reason: str) -> Outcome:
    """Skip, because the question does not arise."""
    return Outcome(
        status="skipped",
        estimate=Estimate(value=None, reason=reason),
        limit="",
        message=f"Not judged: {reason}.",
        action="Nothing to do.",
        applies=False,
    )


def run_checks(
    checks: Sequence[Check[EvidenceT]], evidence: EvidenceT, limits: Limits
) -> tuple[CheckResult, ...]:
    """Run checks in the order of their requirements.

    Parameters
    ----------
    checks : sequence of Check
    evidence : object
        What the checks' measures take.
    limits : Limits

    Returns
    -------
    tuple of CheckResult
        In the order given. A check that requires a failed one, directly or not, is skipped and says which.

    Raises
    ------
    ValueError
        When a code appears twice, or a check requires one that is not here or, in a circle, itself.
    """
    by_code = {check.code: check for check in checks}
    if len(by_code) != len(checks):
        raise ValueError("checks: a code appears twice")
    unknown = {code for check in checks for code in check.requires} - by_code.keys()
    if unknown:
        raise ValueError(f"checks: unknown code required: {', '.join(sorted(unknown))}")
    try:
        order = tuple(TopologicalSorter({check.code: check.requires for check in checks}).static_order())
    except CycleError as error:
        raise ValueError(f"checks: required in a circle: {error.args[1]}") from error
    results: dict[str, CheckResult] = {}
    blocked_by: dict[str, str] = {}
    for code in order:
        check = by_code[code]
        blockers = [blocked_by[needed] for needed in check.requires if needed in blocked_by]
        result = check.result(_blocked(by_code[blockers[0]])) if blockers else check.run(evidence, limits)
        if blockers or result.status == "fail":
            blocked_by[code] = blockers[0] if blockers else code
        results[code] = result
    return tuple(results[check.code] for check in checks)


def _blocked(cause: Check[EvidenceT]) -> Outcome:
    reason = f"{cause.code} ({cause.title}) failed, without which this number means nothing"
    return Outcome(
        status="skipped",
        estimate=Estimate(value=None, reason=reason),
        limit="",
        message=f"Not judged: {reason}.",
        action=f"Mend {cause.code} first.",
    )
