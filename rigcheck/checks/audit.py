"""The checks of `audit`: each question put to every take, the worst speaks; and the pair over the day."""

from collections.abc import Callable, Sequence

from rigcheck.checks import audit_takes as takes
from rigcheck.checks.audit_day import ends_apart, events_of_day, level_of_day, looks_changed
from rigcheck.checks.audit_takes import JudgeTake, TakeFinding
from rigcheck.checks.audit_words import listed
from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY
from rigcheck.model import Estimate, Status
from rigcheck.model.take import AuditRun, TakeRecord

__all__ = ["CHECKS", "TAKE_CHECKS", "take_findings", "take_status"]

_Measure = Callable[[AuditRun, Limits], Outcome]


def _over_takes(judge_take: JudgeTake, what: str, action: str) -> _Measure:
    def measure(run: AuditRun, limits: Limits) -> Outcome:
        found = [
            (record, one) for record in run.records if (one := judge_take(run, record, limits)) is not None
        ]
        if not found:
            return not_applicable(f"no take has a say in {what}")
        measured = [(record, one) for record, one in found if one.status != "skipped"]
        if not measured:
            reason = found[0][1].words
            return not_applicable(f"{what} was measured in no take ({reason})")
        worst = max(measured, key=lambda each: (SEVERITY.index(each[1].status), _size(each[1])))
        return _outcome(measured, worst, len(found) - len(measured), action)

    return measure


def _size(finding: TakeFinding) -> float:
    value = finding.estimate.value
    if value is None:
        return -float("inf")
    below = finding.band is not None and finding.band.worse == "below"
    return -value if below else value


def _outcome(
    found: Sequence[tuple[TakeRecord, TakeFinding]],
    worst: tuple[TakeRecord, TakeFinding],
    not_measured: int,
    action: str,
) -> Outcome:
    record, finding = worst
    status = finding.status
    bad = [each.name for each, one in found if one.status in ("fail", "inconclusive", "caution")]
    count = f"{len(bad)} of {len(found)} takes: {listed(bad)}. " if bad else f"{len(found)} takes. "
    measured = finding.estimate
    words = finding.words.rstrip(".")
    message = f"{count}{'Worst' if bad else 'Nearest to a limit'}, {record.name}: {words}."
    if len(found) > 1 and len({one.words for _, one in found}) == 1:
        message = f"All {len(found)} takes: {words}."
    if not_measured:
        message += f" Not measured in {not_measured}."
    return Outcome(
        status=status,
        estimate=Estimate(
            value=measured.value,
            sigma=measured.sigma,
            unit=measured.unit,
            n=len(found),
            reason=measured.reason,
        ),
        limit="" if finding.band is None else finding.band.text,
        message=message,
        action="" if status == "pass" else action,
    )


def _check(
    code: str,
    title: str,
    meaning: str,
    remedy: str,
    limit: str,
    judge_take: JudgeTake,
    *,
    required: bool = False,
) -> Check[AuditRun]:
    return Check(
        code=code,
        title=title,
        meaning=meaning,
        remedy=remedy,
        limit=limit,
        measure=_over_takes(judge_take, title[:1].lower() + title[1:], f"{remedy}."),
        required=required,
    )


# Code, title, what it says, what to do, limit, question: those put to each take by itself.
TAKE_CHECKS: tuple[takes.TakeQuestion, ...] = (
    takes.TakeQuestion(code="AUD01", judge=takes.readable),
    takes.TakeQuestion(code="AUD02", judge=takes.face_seen),
    takes.TakeQuestion(code="AUD03", judge=takes.geometry_measured),
    takes.TakeQuestion(code="AUD07", judge=takes.harm_of_take),
    takes.TakeQuestion(code="AUD09", judge=takes.exchanged),
    takes.TakeQuestion(code="AUD10", judge=takes.offset),
    takes.TakeQuestion(code="AUD11", judge=takes.offset_change),
    takes.TakeQuestion(code="AUD12", judge=takes.slip),
    takes.TakeQuestion(code="AUD13", judge=takes.slip_turn),
    takes.TakeQuestion(code="AUD14", judge=takes.sharpness),
    takes.TakeQuestion(code="AUD15", judge=takes.light),
    takes.TakeQuestion(code="AUD16", judge=takes.skin_blown),
    takes.TakeQuestion(code="AUD17", judge=takes.lens_spot),
    takes.TakeQuestion(code="AUD18", judge=takes.lens_veil),
    takes.TakeQuestion(code="AUD19", judge=takes.lost_pictures),
    takes.TakeQuestion(code="AUD20", judge=takes.other_settings),
    takes.TakeQuestion(code="AUD21", judge=takes.other_face),
    takes.TakeQuestion(code="AUD23", judge=takes.board_verified),
)


def take_findings(run: AuditRun, record: TakeRecord, limits: Limits) -> tuple[tuple[str, TakeFinding], ...]:
    """What the questions put to each take find in this one, by their codes."""
    found = ((question.code, question.judge(run, record, limits)) for question in TAKE_CHECKS)
    return tuple((code, one) for code, one in found if one is not None)


def take_status(run: AuditRun, record: TakeRecord, limits: Limits) -> Status:
    """The worst that is found in a take."""
    statuses: list[Status] = [one.status for _, one in take_findings(run, record, limits)]
    if not statuses:
        return "pass"
    worst = max(statuses, key=SEVERITY.index)
    return "pass" if worst == "skipped" else worst


_HARM = "harm.depth_mm"
CHECKS: tuple[Check[AuditRun], ...] = (
    _check(
        "AUD01",
        "Takes that could be read",
        "Whether every take could be opened and its pictures decoded",
        "Copy the take again from the camera card, or take it out of the day",
        "audit.unreadable_takes",
        takes.readable,
        required=True,
    ),
    _check(
        "AUD02",
        "Face in the frame",
        "In what share of the moments looked at the face is seen",
        "Look at that take: is the face covered, dark or out of the frame?",
        "audit.seen_share",
        takes.face_seen,
    ),
    _check(
        "AUD03",
        "Takes whose geometry was measured",
        "Whether enough detail of the face was found in both pictures",
        "Read why in the table of takes; of such a take nothing is known about the pair",
        "audit.unmeasured_takes",
        takes.geometry_measured,
    ),
    Check(
        code="AUD04",
        title="Start of the day against the calibration",
        meaning="Whether the pair already stood otherwise when the first take was recorded",
        remedy="Recalibrate; use the table of takes",
        limit=_HARM,
        measure=level_of_day,
    ),
    Check(
        code="AUD05",
        title="Steps during the day",
        meaning="What the largest sudden change between two takes does in depth on the face",
        remedy="Use the calibration the table gives each take; recalibrate where it says so",
        limit=_HARM,
        measure=events_of_day("step"),
    ),
    Check(
        code="AUD06",
        title="Slow drift",
        meaning="What the largest slow change over several takes does in depth on the face",
        remedy="Use the table of takes; look for screws and printed parts that give, let the rig warm up",
        limit=_HARM,
        measure=events_of_day("drift"),
    ),
    _check(
        "AUD07",
        "Worst take on the face",
        "Depth error on the face in the worst take, read with the calibration at the start",
        "Use the calibration the table gives this take",
        _HARM,
        takes.harm_of_take,
        required=True,
    ),
    Check(
        code="AUD08",
        title="Calibrations at start and end",
        meaning="What the difference between both calibrations does in depth on the face",
        remedy="Use the table of takes: it says from which take on the later one holds",
        limit=_HARM,
        measure=ends_apart,
        required=False,
    ),
    _check(
        "AUD09",
        "Cameras in their places",
        "Whether the face fits better with the two cameras' files exchanged",
        "Exchange the two files of that take, or name them right",
        "audit.exchanged_ratio",
        takes.exchanged,
    ),
    _check(
        "AUD10",
        "Time between the cameras",
        "By how much one camera takes its pictures later than the other",
        "Check genlock and shutters; where it is a whole number of frames, the pairing is wrong",
        "sync.offset_ms",
        takes.offset,
    ),
    _check(
        "AUD11",
        "Drift of the time between the cameras",
        "How that time changed since the first take in which it was measured",
        "Jam the timecode again more often; check that both cameras are locked to one clock",
        "sync.offset_ms",
        takes.offset_change,
    ),
    _check(
        "AUD12",
        "Helmet slip",
        "How far the face sits from where it sat in the approved fitting, or in the first take; with a calibration, "
        "less what a knocked camera moved its own picture",
        "Seat the helmet as approved; check pads, chin strap and boom mark",
        "refit.shift_mm",
        takes.slip,
    ),
    _check(
        "AUD13",
        "Helmet turned",
        "How far the face is turned in the picture from how it was",
        "Seat the helmet as approved; check that the bar is not loose",
        "refit.turn_deg",
        takes.slip_turn,
    ),
    _check(
        "AUD14",
        "Sharpness over the day",
        "How sharp the same regions of the face are against the first take",
        "Check focus ring and lock, distance and lens; clean the lens",
        "audit.sharpness_ratio",
        takes.sharpness,
    ),
    _check(
        "AUD15",
        "Light over the day",
        "How much brighter or darker the skin is than in the first take",
        "Check lamps, their batteries, iris and gain",
        "audit.light_stops",
        takes.light,
    ),
    _check(
        "AUD16",
        "Blown skin",
        "What share of the skin has lost all detail to the light",
        "Dim or move the lamps",
        "exposure.blown_share",
        takes.skin_blown,
    ),
    _check(
        "AUD17",
        "Spot on the lens",
        "Whether a spot of the picture lost contrast against the other takes; with a calibration also against the "
        "other camera on the same skin, from the first take on",
        "Clean the lens; look for a cable or strap before it",
        "audit.spot_share",
        takes.lens_spot,
    ),
    _check(
        "AUD18",
        "Fog or grease",
        "Whether the whole picture lost contrast against the other takes; with a calibration also against the other "
        "camera on the same skin, from the first take on: a film that both lenses have then is not seen",
        "Clean the lens and let it dry; warm it before it is used in breath",
        "audit.veil",
        takes.lens_veil,
    ),
    _check(
        "AUD19",
        "Dropped and repeated pictures",
        "What share of the pictures is missing, or written twice",
        "Check cards, cables and the recorder's load; tell the next department which takes",
        "audit.lost_pictures",
        takes.lost_pictures,
    ),
    _check(
        "AUD20",
        "Settings through the day",
        "Whether size, rate and depth are the same in all takes",
        "Set the cameras back; a take of another size or rate needs its own calibration and conversion",
        "audit.other_settings",
        takes.other_settings,
        required=True,
    ),
    _check(
        "AUD21",
        "One performer",
        "Whether the pupils stand as far apart as in the other takes; a performer of the same eye distance is not told",
        "Check that this take is of this performer, and of this rig",
        "audit.eyes_apart_mm",
        takes.other_face,
    ),
    Check(
        code="AUD22",
        title="Looks as approved",
        meaning="Whether make-up, hair, glasses are as in the approved fitting, by the performer's record",
        remedy="Film neutral and bite again with the new looks",
        limit="audit.changed_looks",
        measure=looks_changed,
        required=False,
    ),
    _check(
        "AUD23",
        "Board held up in a take",
        "What verify makes of a board that was held up",
        "Read what verify says; run it on that take by itself",
        "",
        takes.board_verified,
    ),
)
