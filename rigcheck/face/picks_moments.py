"""Which moments of a clip are worth reading in full: the likeliest of each pose by the first look, spread over time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rigcheck.face.picks_glance import Glance
from rigcheck.face.picks_numbers import shape_parts
from rigcheck.face.picks_usual import Sample, away, clip_usual, sample_of_glances
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.model.picking import PickPose

__all__ = ["Moment", "candidate_moments", "looked_samples"]

MOST_MOMENTS = 40
_SPAN_S = 1.0 / 30.0  # the pictures beside a moment lie at least so far away
_APARTS_S = (1.0, 0.4, 0.0)  # of moments of one stretch: so far apart, where the clip is long enough
_HELD_S = 0.25
# What each number is divided by: about the size at which a moment is not proposed any more.
_NEUTRAL = {
    "lids_shut": 0.25,
    "vergence_deg": 8.0,
    "gaze_aside_deg": 6.0,
    "gaze_down_deg": 10.0,
    "lip_gap": 0.04,
    "seam_open": 0.003,
    "mouth_width": 0.03,
    "lip_height": 0.04,
    "brows": 0.013,
    "jaw_aside": 0.013,
    "moved": 0.25,
}
_BITE = {"no_teeth": 0.05, "row_gap": 0.012, "grimace": 0.03, "moved": 0.25}
_SIDE = {"turn_off_deg": 8.0, "lids_shut": 0.3, "lip_gap": 0.05, "moved": 0.25}
_SIDE_TURN_DEG = 20.0
_TEETH = 0.08
_MOST = 3.0
# A moment that takes so many pictures to fetch counts as worse by so much, about what moments of one rest differ by.
_DEAR, _DEAR_PICTURES = 1.0, 60.0
_FIRST = 5  # likeliest moments of each pose, read first: a pick, its alternates, and one to spare


@dataclass(frozen=True, kw_only=True)
class Moment:
    """A pair of pictures worth reading: its place in the sequences, those of its neighbours, and for which poses.

    `first` tells those to read first: the likeliest of each pose, and those read to explain the clip. `numbers` are
    the first look's, as `picks_numbers.shape_parts` gives them.
    """

    idx: int
    before_idx: int | None
    after_idx: int | None
    poses: tuple[PickPose, ...]
    time_s: float | None = None
    first: bool = True
    numbers: Mapping[str, float] = field(default_factory=dict)


def looked_samples(glances: Sequence[Sequence[Glance]]) -> dict[int, Sample]:
    """Moments at which the first camera was looked at closely, by place; other cameras' nearest look with it."""
    if not glances:
        return {}
    latest: dict[int, Glance] = {}
    samples = {}
    for idx, pair in enumerate(zip(*glances, strict=True)):
        for camera, glance in enumerate(pair):
            if glance.looked:
                latest[camera] = glance
        if pair[0].looked:
            samples[idx] = sample_of_glances(list(latest.values()))
    return samples


def candidate_moments(
    glances: Sequence[Sequence[Glance]],
    wanted: Mapping[PickPose, int],
    *,
    most: int = MOST_MOMENTS,
    fetch: FloatArray | None = None,
) -> tuple[Moment, ...]:
    """Choose the moments.

    Parameters
    ----------
    glances : sequence of sequences of Glance
        A camera each, of equal length: the pictures of pair k at place k.
    wanted : mapping of pose to count
        Poses asked for.
    most : int
        How many moments to choose in all.
    fetch : (N,) float64, optional
        How many pictures must be decoded to fetch each place again: of moments that are alike the cheapest is taken.

    Notes
    -----
    Likeliest first, the first five of a pose at least a second apart as far as the clip allows, others 0.4 s, then
    between them. A quarter of the places goes to stretches without one, so that what is missing can be explained.
    """
    samples = looked_samples(glances)
    seen = {idx: sample for idx, sample in samples.items() if sample.cameras}
    if not seen:
        return ()
    usual = clip_usual(list(seen.values()))
    poses = [pose for pose in wanted if wanted[pose] > 0]
    places = np.array(sorted(seen), dtype=np.int64)
    times = _times(glances[0], places)
    moved = _moved(glances, places, times)
    numbers = [shape_parts(away(seen[int(idx)], usual)) for idx in places]
    dear = np.zeros(len(places)) if fetch is None else _DEAR * np.minimum(fetch[places] / _DEAR_PICTURES, 1.0)
    chosen: dict[int, set[PickPose]] = {}
    likely: dict[int, list[PickPose]] = {}
    costs = {
        pose: dear + np.array([_cost(pose, each, moved[k]) for k, each in enumerate(numbers)])
        for pose in poses
    }
    for pose in poses:
        for rank, k in enumerate(_likeliest(costs[pose], times, (most - most // 4) // len(poses))):
            chosen.setdefault(k, set()).add(pose)
            if rank < _FIRST:
                likely.setdefault(k, []).append(pose)
    for k in _between(np.min(list(costs.values()), axis=0), times, list(chosen), max(most // 4, 1)):
        chosen[k] = set(poses)
        likely[k] = poses
    every = [glance.ref.time_s for glance in glances[0]]
    return tuple(
        Moment(
            idx=int(places[k]),
            before_idx=_beside(every, int(places[k]), -1),
            after_idx=_beside(every, int(places[k]), 1),
            poses=tuple(sorted(chosen[k])),
            time_s=every[int(places[k])],
            first=k in likely,
            numbers=numbers[k],
        )
        for k in sorted(chosen)
    )


def _times(glances: Sequence[Glance], places: IntArray) -> FloatArray:
    """Times of places; where pictures have none, their place counts as half a second each."""
    return np.array(
        [time if (time := glances[int(idx)].ref.time_s) is not None else 0.5 * float(idx) for idx in places]
    )


def _moved(glances: Sequence[Sequence[Glance]], places: IntArray, times: FloatArray) -> FloatArray:
    """Most change of eyes or mouth within a quarter of a second, less what the clip's still half has, (N,)."""
    every = _times(glances[0], np.arange(len(glances[0]), dtype=np.int64))
    change = np.array(
        [
            max((glance.moved.get(part, 0.0) for glance in pair for part in ("eyes", "mouth")), default=0.0)
            for pair in zip(*glances, strict=True)
        ]
    )
    floor = float(np.percentile(change, 25.0)) if len(change) else 0.0
    first = np.searchsorted(every, times - _HELD_S)
    last = np.searchsorted(every, times + _HELD_S, side="right")
    return np.array([float(change[i:j].max(initial=0.0)) - floor for i, j in zip(first, last, strict=True)])


def _cost(pose: PickPose, found: Mapping[str, float], moved: float) -> float:
    numbers = {**found, "moved": moved}
    lids = numbers.get("lids", 1.0)
    numbers["lids_shut"] = max(1.0 - lids, 0.0)
    numbers["no_teeth"] = max(_TEETH - numbers.get("teeth", 0.0), 0.0)
    numbers["turn_off_deg"] = abs(numbers.get("turned_deg", 0.0) - _SIDE_TURN_DEG)
    sizes = {"neutral": _NEUTRAL, "bite": _BITE, "side": _SIDE}[pose]
    parts = [
        min(max(abs(numbers[name]), 0.0) / size, _MOST) for name, size in sizes.items() if name in numbers
    ]
    return float(np.sum(np.square(parts)))


def _likeliest(costs: FloatArray, times: FloatArray, count: int) -> list[int]:
    """Cheapest places, the cheapest first: the first ones well apart in time, further ones less, then between them."""
    order = [int(k) for k in np.argsort(costs, kind="stable")]
    taken: list[int] = []
    for apart, most in zip(_APARTS_S, (min(_FIRST, count), count, count), strict=True):
        for k in order:
            if len(taken) >= max(most, 1):
                break
            if k not in taken and all(abs(times[k] - times[other]) >= apart for other in taken):
                taken.append(k)
    return taken


def _between(costs: FloatArray, times: FloatArray, taken: list[int], count: int) -> list[int]:
    """Further places, each in the longest stretch without one."""
    more: list[int] = []
    while len(more) < count and len(taken) + len(more) < len(times):
        more.append(_in_widest_gap(costs, times, [*taken, *more]))
    return more


def _in_widest_gap(costs: FloatArray, times: FloatArray, taken: list[int]) -> int:
    """Cheapest place in the middle half of the longest stretch without a place taken."""
    free = np.setdiff1d(np.arange(len(times)), taken)
    away = np.abs(times[free][:, None] - times[taken][None]).min(axis=1)
    inside = free[away >= 0.5 * away.max()]
    return int(inside[costs[inside].argmin()])


def _beside(times: Sequence[float | None], idx: int, step: int) -> int | None:
    """Nearest place before or after that is at least a thirtieth of a second away."""
    here = times[idx]
    if here is None:
        return None
    other = idx + step
    while 0 <= other < len(times):
        time = times[other]
        if time is not None and abs(time - here) >= _SPAN_S - 1e-3:
            return other
        other += step
    return None
