"""The checks of `history`: what weeks of results say that no single one does."""

from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.history_words import Event, events_of, quantity_words
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY, judge
from rigcheck.drift.history import History
from rigcheck.model import Estimate, Status

_MOST_NAMED = 4
_LOOK = (
    "Find out what was done to the rig then (a knock, a lens touched, a part replaced); hold the board before it and "
    "run verify; calibrate anew if verify fails."
)
_LET_SETTLE = (
    "Let the cameras warm up for 15 to 30 minutes before calibrating and verifying; if it creeps from day to day, "
    "look for screws and printed parts that give."
)

__all__ = ["CHECKS"]


def _verdicts(history: History, limits: Limits) -> Outcome:
    band = limits.band("history.failed_rigs")
    failed = [rig for rig in history.rigs if rig.newest.verdict == "fail"]
    open_ones = [rig for rig in history.rigs if rig.newest.verdict in ("caution", "inconclusive")]
    estimate = Estimate(value=float(len(failed)), unit="rigs", n=len(history.rigs))
    status = judge(estimate, band)
    if status == "pass" and open_ones:
        status = "caution"
    parts = [f"{rig.name} {rig.newest.verdict} ({rig.newest.command})" for rig in history.rigs]
    action = ""
    if failed:
        action = f"Do not shoot with {_names([rig.name for rig in failed])}: follow its newest report first."
    elif status == "caution":
        action = f"Read the newest report of {_names([rig.name for rig in open_ones])}."
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=f"Newest result of each rig: {_names(parts, '; ')}.",
        action=action,
    )


def _names(words: list[str], between: str = ", ") -> str:
    shown = between.join(words[:_MOST_NAMED])
    return shown if len(words) <= _MOST_NAMED else f"{shown}{between}and {len(words) - _MOST_NAMED} more"


def _steps(history: History, limits: Limits) -> Outcome:
    return _changes(history, limits, ("step",), _LOOK)


def _slow(history: History, limits: Limits) -> Outcome:
    return _changes(history, limits, ("ramp", "warm-up"), _LET_SETTLE)


def _changes(history: History, limits: Limits, kinds: tuple[str, ...], action: str) -> Outcome:
    """Judge the most harmful change of these kinds since each rig's newest calibration."""
    band = limits.band("harm.depth_mm")
    tested = [
        series
        for rig in history.rigs
        for series in rig.series
        if series.in_force and series.behaviour.kind != "too few"
    ]
    if not tested:
        return not_applicable("no rig has three verifications against its newest calibration")
    found = [event for event in events_of(history) if event.in_force and event.kind in kinds]
    if not found:
        none = Estimate(value=0.0, unit="mm", n=sum(len(series.records) for series in tested))
        return Outcome(status="pass", estimate=none, limit=band.text, message=_nothing(history, kinds))
    judged = [(_judged(event, limits), event) for event in found]
    status, worst = max(judged, key=lambda one: (SEVERITY.index(one[0]), one[1].harm.value or 0.0))
    sentences = [f"{event.rig}: {event.sentence}" for _, event in judged]
    return Outcome(
        status=status,
        estimate=worst.harm if worst.harm.value is not None else worst.size,
        limit=band.text,
        message=_names(sentences, " "),
        action="" if status == "pass" else action,
    )


def _judged(event: Event, limits: Limits) -> Status:
    """Without a working distance a change is real, but how bad is not known."""
    return "caution" if event.harm.value is None else judge(event.harm, limits.band("harm.depth_mm"))


def _nothing(history: History, kinds: tuple[str, ...]) -> str:
    """Say how large a step would have been seen, in the number that matters most."""
    what = "No step" if "step" in kinds else "Nothing that creeps or warms up"
    seen = [
        (series.behaviour.seen_last * series.depth_per_unit, series)
        for rig in history.rigs
        for series in rig.series
        if series.in_force and series.behaviour.seen_last is not None and series.depth_per_unit is not None
    ]
    if "step" not in kinds or not seen:
        return f"{what} since the newest calibrations."
    harm, series = max(seen, key=lambda one: one[0])
    unit = "°" if series.unit == "deg" else f" {series.unit}"
    return (
        f"{what} since the newest calibrations. Least sharp is {quantity_words(series.quantity)}: a step at the newest "
        f"result is told in 95 of 100 cases from {series.behaviour.seen_last:.3f}{unit} on, {harm:.2f} mm on the face."
    )


def _days(history: History, limits: Limits) -> Outcome:
    band = limits.band("history.days_unverified")
    days = {rig.name: history.days_since(rig) for rig in history.rigs}
    late = [name for name, value in days.items() if judge(Estimate(value=value), band) != "pass"]
    worst = max(days, key=lambda name: days[name])
    estimate = Estimate(value=round(days[worst], 2), unit="days", n=len(days))
    return Outcome(
        status=judge(estimate, band),
        estimate=estimate,
        limit=band.text,
        message=f"Last looked at: {_names([f'{name} {value:.1f} days ago' for name, value in days.items()])}.",
        action=f"Verify {_names(late)} before using it again." if late else "",
    )


def _clocks(history: History, limits: Limits) -> Outcome:
    band = limits.band("history.clock_faults")
    troubles = [(rig.name, one) for rig in history.rigs for one in rig.troubles]
    wrong = [(name, one) for name, one in troubles if one.kind in ("backwards", "future")]
    estimate = Estimate(value=float(sum(one.n for _, one in wrong)), unit="results")
    sentences = [f"{name}: {one.sentence}" for name, one in troubles]
    status = judge(estimate, band)
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=_names(sentences, " ")
        if sentences
        else "Every result is dated after the calibration it used.",
        action=""
        if status == "pass"
        else "Set the clock of the machine that wrote them; the order of those results in time cannot be trusted.",
    )


def _damaged(history: History, limits: Limits) -> Outcome:
    band = limits.band("history.damaged_files")
    estimate = Estimate(value=float(len(history.skipped)), unit="files")
    status = judge(estimate, band)
    named = [f"{path}: {reason}" for path, reason in history.skipped]
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=f"Skipped: {_names(named, '; ')}." if named else "Every result found could be read.",
        action="" if status == "pass" else "Take copies of these files from a backup, or remove them.",
    )


def _scatter(history: History, limits: Limits) -> Outcome:
    band = limits.band("history.scatter_ratio")
    found = [
        (series.behaviour.scatter, rig.name, series)
        for rig in history.rigs
        for series in rig.series
        if series.behaviour.kind != "too few"
    ]
    if not found:
        return not_applicable("no number was measured three times in the same way")
    ratio, name, series = max(found, key=lambda one: one[0])
    estimate = Estimate(value=ratio, n=len(series.records))
    status = judge(estimate, band)
    label = f" ({series.label})" if series.label else ""
    if status == "pass":
        message = "From one result to the next the numbers scatter as their sigmas say."
    else:
        message = (
            f"{name}: {quantity_words(series.quantity)}{label} scatters {ratio:.1f} times as widely from one result to "
            "the next as its sigmas say; changes are told only beyond that."
        )
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=message,
        action=""
        if status == "pass"
        else "Something moves each time the rig is worn, packed or mounted: label worn and stand, and look for play.",
    )


CHECKS: tuple[Check[History], ...] = (
    Check(
        code="HIS01",
        title="Newest verdicts",
        meaning="Whether the newest result of any rig failed",
        remedy="Follow the newest report of that rig before it is used",
        limit="history.failed_rigs",
        measure=_verdicts,
    ),
    Check(
        code="HIS02",
        title="Steps",
        meaning="What the largest step since a rig's calibration (a knock, a refocus) does in depth on the face",
        remedy="Find what was done between the two results; verify, calibrate anew if that fails",
        limit="harm.depth_mm",
        measure=_steps,
        required=False,
    ),
    Check(
        code="HIS03",
        title="Creep and warming up",
        meaning="What the largest slow change since a rig's calibration does in depth on the face",
        remedy="Warm up 15 to 30 minutes; look for parts that give",
        limit="harm.depth_mm",
        measure=_slow,
        required=False,
    ),
    Check(
        code="HIS04",
        title="Days since a look",
        meaning="How long ago the rig with the oldest newest result was calibrated or verified",
        remedy="Verify it before it is used again",
        limit="history.days_unverified",
        measure=_days,
        required=False,
    ),
    Check(
        code="HIS05",
        title="Clocks",
        meaning="Whether results are dated before the calibration they used, or in the future",
        remedy="Set the clock of that machine",
        limit="history.clock_faults",
        measure=_clocks,
        required=False,
    ),
    Check(
        code="HIS06",
        title="Files that could not be read",
        meaning="How many results under the folder are damaged, too large or unreadable",
        remedy="Take them from a backup, or remove them",
        limit="history.damaged_files",
        measure=_damaged,
        required=False,
    ),
    Check(
        code="HIS07",
        title="Scatter against sigma",
        meaning="Whether a rig's numbers scatter from result to result more than their sigmas say",
        remedy="Label worn and stand; look for play in clamps and mounts",
        limit="history.scatter_ratio",
        measure=_scatter,
        required=False,
    ),
)
