"""Reading moments in two rounds: the likeliest first, further ones only where they could still change the choice."""

from collections.abc import Callable, Sequence

from rigcheck.face.picks_choose import ALTERNATES, apart_s, best_score
from rigcheck.face.picks_faults import faults_of
from rigcheck.face.picks_moments import Moment
from rigcheck.model.picking import PickGates, PickOutcome, PoseChoice, PoseReading

__all__ = ["read_in_rounds", "worth_reading"]

_WORTH = 0.05  # of score: a moment that could be better by less is not read


def read_in_rounds(
    moments: Sequence[Moment],
    read: Callable[[Sequence[Moment]], Sequence[PoseReading]],
    choose: Callable[[Sequence[PoseReading]], PickOutcome],
    gates: PickGates,
) -> tuple[tuple[PoseReading, ...], PickOutcome]:
    """Read the first moments and choose; then those of the others that are worth it, and choose again.

    Parameters
    ----------
    moments : sequence of Moment
    read : callable
        Reads some of them, in order of time.
    choose : callable
        From everything read.
    gates : PickGates
    """
    readings = list(read([moment for moment in moments if moment.first]))
    outcome = choose(readings)
    more = worth_reading(outcome, [moment for moment in moments if not moment.first], gates)
    if more:
        readings = sorted([*readings, *read(more)], key=lambda reading: reading.frame_idx)
        outcome = choose(readings)
    return tuple(readings), outcome


def worth_reading(outcome: PickOutcome, unread: Sequence[Moment], gates: PickGates) -> list[Moment]:
    """Which moments could still change the choice.

    Notes
    -----
    Of a pose without enough picks every moment. Otherwise one that by the first look, and if it were wholly still and
    sharp, could score more than 0.05 better than the worst pick; or, where alternates are lacking, one without a fault
    by the first look in another part of the clip.
    """
    by_pose = {choice.pose: choice for choice in outcome.choices}
    return [
        moment
        for moment in unread
        if any(_could_change(by_pose[pose], moment, gates) for pose in moment.poses if pose in by_pose)
    ]


def _could_change(choice: PoseChoice, moment: Moment, gates: PickGates) -> bool:
    if len(choice.picks) < choice.wanted:
        return True
    if faults_of(choice.pose, moment.numbers, gates):
        return False
    if best_score(choice.pose, moment.numbers, gates) > choice.picks[-1].score + _WORTH:
        return True
    taken = [pick.reading.time_s for pick in (*choice.picks, *choice.alternates)]
    return len(choice.alternates) < ALTERNATES and all(apart_s(moment.time_s, time) for time in taken)
