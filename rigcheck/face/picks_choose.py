"""Choose for each pose: what speaks against a moment, a score whose parts are named, alternates from other moments."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from rigcheck.face.picks_faults import FAULTS, excess_of, faults_of
from rigcheck.face.picks_glance import Glance
from rigcheck.face.picks_moments import looked_samples
from rigcheck.face.picks_numbers import moment_numbers, sharpest
from rigcheck.face.picks_passing import rejected_in_passing
from rigcheck.face.picks_reasons import reason_sentence
from rigcheck.face.picks_usual import ClipUsual, clip_usual, sample_of_reading
from rigcheck.model import Estimate, Finding
from rigcheck.model.picking import (
    Pick,
    PickGates,
    PickOutcome,
    PickPose,
    PickReason,
    PoseChoice,
    PoseReading,
    RejectedMoment,
)

__all__ = ["ALTERNATES", "apart_s", "best_score", "choose_picks"]

ALTERNATES = 3
_APART_S = 1.0  # picks and alternates of one pose come from moments at least so far apart
_APART_FRAMES = 2  # where pictures have no times
_FEWEST_GLANCES = 12
# How fast a score falls: at the limit it is exp(-0.5 · 2²) = 0.14.
_STEEP = 2.0
_NOT_TRIED = {"no_teeth", "not_turned", "no_face"}  # nothing else is said of a pose that nobody held
_ROWS_UNSEEN = 0.4  # better than a line near the limit, worse than one seen thin
_WEIGHTS = {
    "lips_apart": 2.0,
    "mouth_open": 0.5,
    "eyes_shut": 1.0,
    "blink_near": 0.5,
    "lips_near": 0.5,
    "looks_near": 1.5,
    "soft": 1.0,
    "moving": 1.0,
    "rows_apart": 2.0,
    "grimace": 1.0,
    "no_teeth": 1.5,
}


def choose_picks(
    readings: Sequence[PoseReading],
    wanted: Mapping[PickPose, int],
    gates: PickGates,
    *,
    glances: Sequence[Sequence[Glance]] = (),
    reference: PoseReading | None = None,
) -> PickOutcome:
    """Choose.

    Parameters
    ----------
    readings : sequence of PoseReading
        Moments read in full.
    wanted : mapping of pose to count
    gates : PickGates
    glances : sequence of sequences of Glance
        The first look, a camera each: what is usual is taken from there, since it is spread evenly over the clip.
    reference : PoseReading, optional
        A moment that a person declares right.

    Notes
    -----
    A moment with any fault is rejected for that pose with all of them. The score of the others is the weighted mean of
    exp(-0.5 (2 x)²) over the measures, x being how near each lies to its limit.
    """
    samples = {id(reading): sample_of_reading(reading) for reading in readings}
    seen = {idx: sample for idx, sample in looked_samples(glances).items() if sample.cameras}
    looked = list(seen.values())
    basis = looked if len(looked) >= _FEWEST_GLANCES else [s for s in samples.values() if s.cameras]
    given = None if reference is None else sample_of_reading(reference)
    usual = clip_usual(basis, reference=given)
    best = sharpest(readings)
    numbers = {
        id(reading): moment_numbers(reading, samples[id(reading)], usual, sharpest=best, glances=glances)
        for reading in readings
    }
    choices = [_choice(pose, count, readings, numbers, gates) for pose, count in wanted.items() if count > 0]
    in_passing = {
        each.pose: rejected_in_passing(each.pose, glances, seen, usual, gates, told=each.rejected)
        for each in choices
    }
    return PickOutcome(
        choices=tuple(replace(each, rejected=(*each.rejected, *in_passing[each.pose])) for each in choices),
        usual=_usual_estimates(usual),
    )


def _choice(
    pose: PickPose,
    count: int,
    readings: Sequence[PoseReading],
    numbers: Mapping[int, Mapping[str, float]],
    gates: PickGates,
) -> PoseChoice:
    good: list[Pick] = []
    rejected: list[RejectedMoment] = []
    for reading in readings:
        own = numbers[id(reading)]
        faults = (*_unseen(reading), *faults_of(pose, own, gates))
        if faults:
            rejected.append(RejectedMoment(pose=pose, reading=reading, faults=faults))
        else:
            good.append(_pick(pose, reading, own, gates))
    good.sort(key=lambda pick: -pick.score)
    apart = _from_different_moments(good, count + ALTERNATES)
    return PoseChoice(
        pose=pose,
        wanted=count,
        picks=tuple(apart[:count]),
        alternates=tuple(apart[count:]),
        rejected=tuple(rejected),
        missing=() if apart else _missing(rejected, pose),
    )


def _unseen(reading: PoseReading) -> tuple[Finding, ...]:
    """Cameras that show no usable face."""
    return tuple(finding for finding in reading.findings if finding.code == "no_face")


def _pick(pose: PickPose, reading: PoseReading, numbers: Mapping[str, float], gates: PickGates) -> Pick:
    reasons = _reasons(pose, numbers, gates)
    return Pick(
        pose=pose,
        reading=reading,
        score=_mean(reasons),
        reasons=tuple(reasons),
        numbers={name: Estimate(value=value, n=1) for name, value in numbers.items()},
    )


def best_score(pose: PickPose, numbers: Mapping[str, float], gates: PickGates) -> float:
    """Give the score of a moment of which only these numbers are known, everything else being at its best.

    Parameters
    ----------
    pose : {"neutral", "bite", "side"}
    numbers : mapping of str to float
        See `picks_numbers.moment_numbers`.
    gates : PickGates
    """
    reasons = _reasons(pose, numbers, gates)
    known = {reason.code for reason in reasons}
    best = [
        PickReason(code=rule.code, sentence="", score=1.0, weight=_weight(rule.code))
        for rule in FAULTS[pose]
        if rule.code not in known
    ]
    return _mean([*reasons, *best])


def _reasons(pose: PickPose, numbers: Mapping[str, float], gates: PickGates) -> list[PickReason]:
    reasons = []
    for rule in FAULTS[pose]:
        near = excess_of(rule, numbers, gates)
        if near is None:
            continue
        reasons.append(
            PickReason(
                code=rule.code,
                sentence=reason_sentence(rule, numbers),
                score=float(np.exp(-0.5 * (_STEEP * near) ** 2)),
                weight=_weight(rule.code),
            )
        )
    if pose == "bite" and "row_gap" not in numbers:
        reasons.append(
            PickReason(
                code="rows_apart",
                sentence="no line between the rows of teeth seen: one row hides the other, or a lip does",
                score=_ROWS_UNSEEN,
                weight=_weight("rows_apart"),
            )
        )
    return reasons


def _weight(code: str) -> float:
    return _WEIGHTS.get(code, 0.7)


def _mean(reasons: Sequence[PickReason]) -> float:
    total = sum(reason.weight for reason in reasons)
    return sum(reason.weight * reason.score for reason in reasons) / total if total else 0.0


def _from_different_moments(picks: Sequence[Pick], count: int) -> list[Pick]:
    """Best first, each at least a second from those before it; nearer ones only where nothing else is left."""
    taken: list[Pick] = []
    for pick in picks:
        if len(taken) < count and all(_apart(pick, other) for other in taken):
            taken.append(pick)
    return taken


def _apart(first: Pick, second: Pick) -> bool:
    times = first.reading.time_s, second.reading.time_s
    if times[0] is None or times[1] is None:
        return abs(first.frame_idx - second.frame_idx) >= _APART_FRAMES
    return apart_s(*times)


def apart_s(first_s: float | None, second_s: float | None) -> bool:
    """Whether two times count as different moments; unknown ones do."""
    return first_s is None or second_s is None or abs(first_s - second_s) >= _APART_S


def _missing(rejected: Sequence[RejectedMoment], pose: PickPose) -> tuple[str, ...]:
    """What keeps the clip from a good moment: faults of the moments that came nearest, the commonest first.

    Moments in which the pose was tried at all come before others; of them a moment comes the nearer, the fewer faults
    it has.
    """
    if not rejected:
        return ("nothing_seen",)
    codes = [{fault.code for fault in moment.faults} for moment in rejected]
    tried = [moment for moment, own in zip(rejected, codes, strict=True) if not own & _NOT_TRIED] or rejected
    fewest = min(len(moment.faults) for moment in tried)
    near = [moment for moment in tried if len(moment.faults) <= fewest + (pose != "neutral")]
    counts = Counter(fault.code for moment in near for fault in moment.faults)
    return tuple(code for code, _ in counts.most_common())


def _usual_estimates(usual: ClipUsual) -> dict[str, Estimate]:
    return {
        f"{camera}.{name}": Estimate(value=value, n=usual.n)
        for camera, row in usual.numbers.items()
        for name, value in row.items()
    }
