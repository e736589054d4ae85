"""The checks of `audit` that look at the day as a whole: its start, steps, drift, calibrations at both ends, looks."""

from collections.abc import Callable

from rigcheck.checks.audit_words import EVENT_WORDS, event_sentence, seen_sentence
from rigcheck.checks.core import Outcome, not_applicable
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY, judge
from rigcheck.model import Estimate, Status
from rigcheck.model.auditing import DayEvent, EventKind
from rigcheck.model.take import AuditRun

__all__ = ["ends_apart", "events_of_day", "level_of_day", "looks_changed"]

_RECALIBRATE = (
    "Look at the table of takes: it says which calibration each take should use. Where it says to recalibrate, hold "
    "the board before the rig as it is now, run calibrate, and audit again with --end-calibration."
)


def level_of_day(run: AuditRun, limits: Limits) -> Outcome:
    """Whether the pair already stood otherwise when the first take was recorded."""
    band = limits.band("harm.depth_mm")
    if run.day is None:
        return not_applicable(run.day_reason)
    level = run.day.level
    if level is None:
        return not_applicable("the calibration carries no uncertainty to compare with")
    if not level.apart:
        return Outcome(
            status="pass",
            estimate=Estimate(value=level.distance, n=level.n_takes),
            limit=f"≤ {level.threshold:.1f} (chi-square)",
            message=f"The day's first {level.n_takes} takes agree with the calibration, its own uncertainty counted.",
        )
    status = judge(level.harm_mm, band)
    harm = "" if level.harm_mm.value is None else f"{level.harm_mm.value:.2f} mm in depth on the face"
    return Outcome(
        status="caution" if status in ("pass", "skipped") else status,
        estimate=level.harm_mm,
        limit=band.text,
        message=f"From the first take on the pair stood otherwise than when calibrated: {harm}. Something happened "
        "between the calibration and the first take.",
        action=_RECALIBRATE,
    )


def events_of_day(kind: EventKind) -> Callable[[AuditRun, Limits], Outcome]:
    """Make the question for the worst event of a kind."""

    def measure(run: AuditRun, limits: Limits) -> Outcome:
        band = limits.band("harm.depth_mm")
        if run.day is None:
            return not_applicable(run.day_reason)
        if len(run.day.names) < 3:
            return not_applicable("three takes are needed to tell that something changed between them")
        found = [event for event in run.day.events if event.kind == kind]
        if not found:
            none = Estimate(value=0.0, unit="mm", n=len(run.day.names))
            return Outcome(
                status="pass",
                estimate=none,
                limit=band.text,
                message=f"{EVENT_WORDS[kind]} during the day. {seen_sentence(run.day)}".strip(),
            )
        judged: list[tuple[Status, DayEvent]] = [
            ("caution" if judge(e.harm_mm, band) == "pass" else judge(e.harm_mm, band), e) for e in found
        ]
        status, worst = max(judged, key=lambda one: (SEVERITY.index(one[0]), one[1].harm_mm.value or 0.0))
        return Outcome(
            status=status,
            estimate=worst.harm_mm,
            limit=band.text,
            message=" ".join(event_sentence(run.day, event) for _, event in judged),
            action=_RECALIBRATE,
        )

    return measure


def ends_apart(run: AuditRun, limits: Limits) -> Outcome:
    """What the difference between both calibrations does on the face."""
    band = limits.band("harm.depth_mm")
    if run.ends is None:
        return not_applicable("no calibration of the end of the day was given")
    harm = run.ends.harm_mm
    status = judge(harm, band)
    words = "differ beyond their uncertainty" if run.ends.apart else "agree within their uncertainty"
    length = run.ends.baseline_mm
    baseline = (
        ""
        if length.value is None
        else f" The baseline, which no take shows, differs by {length.value:+.3f} mm."
    )
    return Outcome(
        status=status if run.ends.apart or status in ("pass", "skipped") else "caution",
        estimate=harm,
        limit=band.text,
        message=f"The calibrations at start and end of the day {words}.{baseline}",
        action="" if status == "pass" else _RECALIBRATE,
    )


def looks_changed(run: AuditRun, limits: Limits) -> Outcome:
    """Whether the performer looks as approved, by the record."""
    if not run.looks and not any(one.take.performer for one in run.records):
        return not_applicable("no performer's record with an approved fitting was given")
    band = limits.band("audit.changed_looks")
    value = Estimate(value=float(len(run.looks)), unit="looks")
    status = judge(value, band)
    changed = ", ".join(name.replace("_", " ") for name in run.looks)
    return Outcome(
        status=status,
        estimate=value,
        limit=band.text,
        message=f"Changed since the fitting was approved: {changed}."
        if changed
        else "The looks are as approved.",
        action=""
        if status == "pass"
        else "Film neutral and bite again with these looks before the face is calibrated.",
    )
