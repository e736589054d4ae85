"""What was planted on the demo day, and whether the reports say so: each answer is taken from a step's own result."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.checks.history_words import events_of
from rigcheck.demo.clips import CalibrationShoot
from rigcheck.demo.day_plan import (
    KNOCK_DEG,
    KNOCKED_FROM,
    LAMPS_STOPS,
    N_TAKES,
    OVEREXPOSED_STOPS,
    SHIFT_DOWN_MM,
    held_s,
    picks_clip,
)
from rigcheck.demo.truth import compare_with_truth
from rigcheck.jobs.audit import AuditResult
from rigcheck.jobs.calibrate import CalibrationResult
from rigcheck.jobs.compare import ComparisonResult
from rigcheck.jobs.handover import Handover
from rigcheck.jobs.history import HistoryResult
from rigcheck.jobs.picks import PicksResult
from rigcheck.model import CheckResult, Estimate, Report
from rigcheck.model.auditing import OBSERVABLE, DayEvent
from rigcheck.report import STATUS_WORDS, format_value

__all__ = [
    "Planted",
    "audited",
    "calibrated",
    "compared",
    "fitted_right",
    "fitted_wrong",
    "handed_over",
    "picked",
    "remembered",
    "verified",
]

# An estimate whose error is larger than so many of its own sigmas does not tell what was planted.
_MOST_SIGMAS = 4.0
_USABLE = ("pass", "caution")
_BAD = ("fail", "inconclusive", "caution")


@dataclass(frozen=True, kw_only=True)
class Planted:
    """Something planted, what the report says of it, and whether that is right."""

    what: str
    found: str
    right: bool


def calibrated(result: CalibrationResult, shoot: CalibrationShoot, what: str) -> Planted:
    """Hold a calibration against the rig that was rendered."""
    rows = compare_with_truth(result.run.calibration, shoot.day.truth)
    focused = " and ".join(f"{lens.focused_at_mm:.0f}" for lens in shoot.day.lenses)
    errors = [abs(row.error_in_sigmas) for row in rows if row.error_in_sigmas is not None and row.truth != 0]
    depth = rows[-1]
    claimed = "" if depth.sigma is None else f", {depth.sigma:.3f} mm were claimed"
    return Planted(
        what=f"Nothing wrong: {what}, its lenses focused at {focused} mm",
        found=f"{_peace(result.report)} Of {len(errors)} numbers the worst lies {max(errors):.1f} of its sigmas off "
        f"the truth. Depth on the face is wrong by {depth.estimate:.3f} mm{claimed}.",
        right=result.report.verdict in _USABLE and max(errors) < _MOST_SIGMAS,
    )


def fitted_wrong(report: Report) -> tuple[Planted, ...]:
    """Look for the faults of the first fitting."""
    low = _number(report, "framing.upper.nostril_offset_y_px")
    left = [_number(report, f"exposure.{camera}.side_ratio_stops") for camera in ("upper", "lower")]
    return (
        _spoken(
            report,
            f"Helmet too high: the face {SHIFT_DOWN_MM:.0f} mm too low in the frame",
            ("FRM03", "FRM04", "FRM05"),
            certain=low > 0,
        ),
        _spoken(
            report,
            f"Lamps on the performer's left {LAMPS_STOPS:g} stops stronger than those on the right",
            ("EXP05",),
            certain=max(left) > 0,
        ),
        _spoken(report, f"All of it {OVEREXPOSED_STOPS:g} stop too bright", ("EXP01",)),
    )


def fitted_right(report: Report) -> Planted:
    """See whether the mended fitting is left in peace."""
    return Planted(
        what="Nothing wrong: helmet set right, boom longer, lamps even",
        found=_peace(report),
        right=report.verdict in _USABLE,
    )


def picked(result: PicksResult, shoot: CalibrationShoot) -> tuple[Planted, ...]:
    """See whether the picks lie where neutral and bite were held."""
    clip = picks_clip(shoot)
    out = []
    for choice in result.run.outcome.choices:
        if choice.pose not in ("neutral", "bite"):
            continue
        first, last = held_s(clip.script, choice.pose)
        times = [clip.middle_s(pick.frame_idx) for pick in (*choice.picks, *choice.alternates)]
        seen = ", ".join(f"{time:.2f} s" for time in times) or "none"
        out.append(
            Planted(
                what=f"The {choice.pose} is held from {first:.1f} to {last:.1f} s of {clip.seconds:.1f} s, among other "
                "faces",
                found=f"Picked with its alternates: {seen}.",
                right=bool(times) and all(first <= time <= last for time in times),
            )
        )
    return tuple(out)


def verified(report: Report, *, knocked: bool) -> Planted:
    """See whether the knock is told, and nothing where there was none."""
    harm = _check(report, "VER01").message
    if not knocked:
        return Planted(
            what="Nothing wrong: the rig as calibrated",
            found=f"{_verdict(report)} {harm}",
            right=report.verdict == "pass",
        )
    changes = {name: report.measurements[f"change.{name}_deg"] for name in KNOCK_DEG}
    return Planted(
        what=f"The lower camera knocked: {_turns(KNOCK_DEG)}",
        found=f"{_verdict(report)} {harm} Measured: {_measured(changes)}.",
        right=report.verdict == "fail" and _agree(changes),
    )


def compared(result: ComparisonResult) -> Planted:
    """See whether both calibrations differ by the knock."""
    pose = result.comparison.pose
    changes = {} if pose is None else {name: pose.carried[f"{name}_deg"] for name in KNOCK_DEG}
    return Planted(
        what=f"The knock lies between the two: {_turns(KNOCK_DEG)}",
        found=f"{_verdict(result.report)} Measured: {_measured(changes)}.",
        right=result.report.verdict == "fail" and _agree(changes),
    )


def audited(result: AuditResult) -> tuple[Planted, ...]:
    """See whether the audit tells the take of the knock, and takes nothing else for one."""
    day, name = result.run.day, f"take_{KNOCKED_FROM:02d}"
    events = () if day is None else day.events
    told = _check(result.report, "AUD05").message
    steps = [day.names[event.first] for event in events if event.kind == "step"] if day is not None else []
    changes = _turned(events[0]) if events else {}
    uses = {use.take: use.use for use in result.run.uses}
    right_uses = sum(
        uses.get(f"take_{number:02d}") == ("start" if number < KNOCKED_FROM else "end")
        for number in range(1, N_TAKES + 1)
    )
    still = ("AUD06", "AUD12", "AUD13", "AUD14", "AUD15", "AUD17", "AUD18", "AUD21")
    alarms = [check for code in still if (check := _check(result.report, code)).status in _BAD]
    return (
        Planted(
            what=f"The lower camera knocked before {name} of {N_TAKES}: {_turns(KNOCK_DEG)}",
            found=f"{told} Measured: {_measured(changes)}.",
            right=steps == [name] and _agree(changes),
        ),
        Planted(
            what=f"Morning's calibration holds before {name}, the evening's from it on",
            found=f"{right_uses} of {N_TAKES} takes are sent to the right calibration.",
            right=right_uses == N_TAKES,
        ),
        Planted(
            what="Nothing else: the helmet sits otherwise in each take, by 0.7 mm at most; light, focus and lens stay",
            found=" ".join(f"{one.code} {STATUS_WORDS[one.status]}: {one.message}" for one in alarms)
            or "No slow drift, no slip, no change of light, sharpness or lens, no other performer is told.",
            right=not alarms,
        ),
    )


def remembered(result: HistoryResult) -> Planted:
    """See whether the history tells the knock between the verifications."""
    events = [one for one in events_of(result.history) if one.kind == "step"]
    turn = [one for one in events if "convergence" in one.series.quantity]
    return Planted(
        what="The knock lies between the verifications of midday and evening",
        found=" ".join(one.sentence for one in events) or "No step is told.",
        right=bool(turn) and _near(turn[0].size, KNOCK_DEG["convergence"]),
    )


def handed_over(made: Handover, count: int, differ: Sequence[str]) -> Planted:
    """See whether what was handed over is whole."""
    return Planted(
        what="Nothing wrong: the day's results packed, then checked as the receiver would",
        found=" ".join(differ)
        or f"All {count} files are as their sums say, {made.bytes / 1e6:.0f} MB; {len(made.left_out)} files left out, "
        "pictures of the performer among them, as the manifest says.",
        right=not differ,
    )


def _spoken(report: Report, what: str, codes: Sequence[str], *, certain: bool = True) -> Planted:
    """See whether one of some checks speaks up; its words, and what it asks for."""
    spoke = [check for code in codes if (check := _check(report, code)).status in _BAD]
    first = min(spoke, key=lambda check: _BAD.index(check.status), default=None)
    if first is None:
        return Planted(what=what, found=f"{', '.join(codes)} say nothing.", right=False)
    do = first.action.partition(". ")[0].rstrip(".")
    words = f"{first.code} {STATUS_WORDS[first.status]}: {first.message} Do: {do}."
    return Planted(what=what, found=words, right=certain)


def _peace(report: Report) -> str:
    """The verdict, and all that is not good."""
    bad = [
        one for one in report.checks if one.status in _BAD and (one.required or one.status != "inconclusive")
    ]
    return " ".join([_verdict(report), *(f"{one.code}: {one.message}" for one in bad)])


def _verdict(report: Report) -> str:
    return f"{STATUS_WORDS[report.verdict]}."


def _check(report: Report, code: str) -> CheckResult:
    return next(check for check in report.checks if check.code == code)


def _number(report: Report, name: str) -> float:
    return report.measurements[name].value or 0.0


def _turns(turns: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {value:+.2f}°" for name, value in turns.items())


def _measured(changes: Mapping[str, Estimate]) -> str:
    return ", ".join(
        f"{name} {format_value(one.value, one.sigma, 'deg')}"
        for name, one in changes.items()
        if one.value is not None
    )


def _turned(event: DayEvent) -> dict[str, Estimate]:
    """The turns of an event that were planted, with their sigmas."""
    places = {name: OBSERVABLE.index(f"{name}_deg") for name in KNOCK_DEG}
    return {
        name: Estimate(
            value=float(event.change[k]), sigma=float(np.sqrt(event.covariance[k, k])), unit="deg", n=1
        )
        for name, k in places.items()
    }


def _agree(changes: Mapping[str, Estimate]) -> bool:
    return bool(changes) and all(_near(one, KNOCK_DEG[name]) for name, one in changes.items())


def _near(found: Estimate, truth: float) -> bool:
    """Whether a measured turn is the planted one within its sigmas."""
    if found.value is None or not found.sigma:
        return False
    return abs(found.value - truth) < _MOST_SIGMAS * found.sigma
