"""Why stretches that were seen in passing only are not proposed: faults that last, by the first look."""

from collections.abc import Iterator, Mapping, Sequence

from rigcheck.face.picks_faults import faults_of
from rigcheck.face.picks_glance import Glance
from rigcheck.face.picks_numbers import shape_parts
from rigcheck.face.picks_usual import ClipUsual, Sample, away
from rigcheck.model import Finding, FrameRef
from rigcheck.model.picking import PickGates, PickPose, PoseReading, RejectedMoment

__all__ = ["rejected_in_passing"]

_LEAST_LOOKS = 3  # looks in a row, about a third of a second, before a fault of the first look counts
_MOST = 40


def rejected_in_passing(
    pose: PickPose,
    glances: Sequence[Sequence[Glance]],
    samples: Mapping[int, Sample],
    usual: ClipUsual,
    gates: PickGates,
    *,
    told: Sequence[RejectedMoment] = (),
) -> tuple[RejectedMoment, ...]:
    """Find stretches with a fault by the first look of which no moment that was read tells.

    Parameters
    ----------
    pose : {"neutral", "bite", "side"}
    glances : sequence of sequences of Glance
        A camera each.
    samples : mapping of place to Sample
        See `picks_moments.looked_samples`.
    usual : ClipUsual
    gates : PickGates
    told : sequence of RejectedMoment
        Moments read in full.

    Returns
    -------
    tuple of RejectedMoment
        The middle of each stretch, at most forty, the longest ones, in order of time. Movement and sharpness are not
        among their faults: the first look does not measure them.
    """
    places = sorted(samples)
    faults = [
        {fault.code: fault for fault in faults_of(pose, shape_parts(away(samples[idx], usual)), gates)}
        for idx in places
    ]
    known: dict[str, list[int]] = {}
    for moment in told:
        for fault in moment.faults:
            known.setdefault(fault.code, []).append(moment.reading.frame_idx)
    found: dict[int, tuple[int, RejectedMoment]] = {}
    for code in dict.fromkeys(code for each in faults for code in each):
        for first, last in _runs([code in each for each in faults]):
            refs = glances[0][places[first]].ref, glances[0][places[last]].ref
            if any(refs[0].frame_idx <= idx <= refs[1].frame_idx for idx in known.get(code, ())):
                continue
            middle = (first + last) // 2
            pair = tuple(own[places[middle]].ref for own in glances)
            found.setdefault(middle, (last - first, _rejected(pose, pair, refs, faults[middle])))
    longest = sorted(found, key=lambda middle: -found[middle][0])[:_MOST]
    return tuple(found[middle][1] for middle in sorted(longest))


def _rejected(
    pose: PickPose,
    pair: tuple[FrameRef, ...],
    span: tuple[FrameRef, FrameRef],
    faults: Mapping[str, Finding],
) -> RejectedMoment:
    return RejectedMoment(
        pose=pose, reading=PoseReading(refs=pair, cameras={}), faults=tuple(faults.values()), span=span
    )


def _runs(marked: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """First and last of each run of True that is long enough."""
    start: int | None = None
    for k, mark in enumerate([*marked, False]):
        if mark and start is None:
            start = k
        elif not mark and start is not None:
            if k - start >= _LEAST_LOOKS:
                yield start, k - 1
            start = None
