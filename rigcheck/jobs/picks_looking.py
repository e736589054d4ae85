"""Looking through a clip for frames to pick: all of it in passing, then a few dozen moments in full."""

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np

from rigcheck.face.picks_glance import Glance, Glancer
from rigcheck.face.picks_moments import Moment
from rigcheck.face.picks_reading import CameraPictures, MomentReader
from rigcheck.jobs.opening import OpenedFootage
from rigcheck.model import Frame
from rigcheck.model._arrays import FloatArray
from rigcheck.model.picking import PoseReading
from rigcheck.report import OnProgress

__all__ = [
    "MOST_GLANCES",
    "Glances",
    "look_through",
    "pictures_at",
    "place_of",
    "read_moments",
    "reading_at",
    "seen_in_steps",
]

# Moments seen in passing, however long the clip: of long ones fewer a second, so that memory does not grow without end.
MOST_GLANCES = 20_000
# Moments a second that are seen at least, where the clip is not too long: a blink of a tenth of a second is seen twice.
_LEAST_RATE = 25.0
# Pictures away at which a moment's neighbours lie where the clip was seen in steps: a thirtieth of a second at 60.
_NEAR = 2
_WAITING = 4  # pictures of each camera that wait to be seen


@dataclass(frozen=True, kw_only=True, eq=False)
class Glances:
    """What was seen in passing: a sequence of glances a camera, and the place in the footage of each moment.

    `fetch` (N,) is how many pictures must be decoded to fetch each moment again.
    """

    by_camera: tuple[tuple[Glance, ...], ...]
    places: tuple[int, ...]
    fetch: FloatArray
    turned_deg: Mapping[str, int]


def look_through(footage: OpenedFootage, glancers: Sequence[Glancer], on_progress: OnProgress) -> Glances:
    """See every moment of the footage in passing, each camera in a thread of its own.

    Parameters
    ----------
    footage : OpenedFootage
    glancers : sequence of Glancer
        One a camera.
    on_progress : callable

    Raises
    ------
    InputError
        When a picture cannot be decoded.
    """
    count = _count(footage)
    places = range(0, count, _step(footage, count))
    seen: list[list[Future[Glance]]] = [[] for _ in glancers]
    with ExitStack() as stack:
        # A thread a camera: pictures are seen in order, and no camera waits for the other's close look.
        pools = [stack.enter_context(ThreadPoolExecutor(max_workers=1)) for _ in glancers]
        for done, frames in enumerate(_moments(footage, places), start=1):
            for own, pool, glancer, frame in zip(seen, pools, glancers, frames, strict=True):
                own.append(pool.submit(glancer.see, frame))
                if done > _WAITING:
                    own[done - 1 - _WAITING].result()
            if done % 8 == 0 or done == len(places):
                on_progress(done, len(places))
    names = [clip.info.camera for clip in footage.clips]
    return Glances(
        by_camera=tuple(tuple(each.result() for each in own) for own in seen),
        places=tuple(places),
        fetch=_fetch(footage, places),
        turned_deg={name: one.turned_deg for name, one in zip(names, glancers, strict=True)},
    )


def seen_in_steps(footage: OpenedFootage, glances: Glances) -> int | None:
    """Every how many pictures were seen, where that is too seldom for a short blink; else None."""
    step = glances.places[1] - glances.places[0] if len(glances.places) > 1 else 1
    return step if step > 1 and step > _step(footage, 1) else None


def _step(footage: OpenedFootage, count: int) -> int:
    rate = footage.clips[0].info.frame_rate
    often_enough = 1 if rate is None else max(int(float(rate) / _LEAST_RATE), 1)
    return max(often_enough, -(-count // MOST_GLANCES))


def _fetch(footage: OpenedFootage, places: range) -> FloatArray:
    """How many pictures must be decoded to fetch each moment again, with the neighbours it is read with."""
    if footage.pairing is not None:
        keys = footage.pairing.key_pairs
    else:
        keys = np.flatnonzero(np.isin(footage.clips[0].indices, footage.clips[0].key_indices))
    wanted = np.arange(places.start, places.stop, places.step)
    from_place = wanted - max(_NEAR, places.step)
    last = np.searchsorted(keys, from_place, side="right") - 1
    start = np.where(last >= 0, keys[np.maximum(last, 0)], 0) if len(keys) else np.zeros(len(wanted))
    return np.asarray(wanted + _NEAR - start, dtype=np.float64)


def read_moments(
    footage: OpenedFootage,
    moments: Sequence[Moment],
    places: Sequence[int],
    readers: Sequence[MomentReader],
    *,
    on_progress: OnProgress,
    keep: Callable[[Sequence[Frame]], None],
) -> tuple[PoseReading, ...]:
    """Read moments in full, in the order of time, few pictures in memory at a time.

    Parameters
    ----------
    footage : OpenedFootage
    moments : sequence of Moment
        Their indices count among `places`.
    places : sequence of int
        See `Glances`.
    readers : sequence of MomentReader
        Each reads in a thread of its own.
    on_progress, keep : callable
        `keep` is given the pictures of every moment.
    """
    wanted = [_wanted(moment, places, _count(footage)) for moment in moments]
    due: dict[int, list[_Wanted]] = {}
    needed: dict[int, int] = {}
    for each in wanted:
        due.setdefault(max(each.all), []).append(each)
        for place in each.all:
            needed[place] = needed.get(place, 0) + 1
    order = sorted(needed)
    kept: dict[int, tuple[Frame, ...]] = {}
    free = list(readers)
    waiting: deque[tuple[int, MomentReader, Future[PoseReading]]] = deque()
    readings: list[tuple[int, PoseReading]] = []

    def wait() -> None:
        at, reader, future = waiting.popleft()
        readings.append((at, future.result()))
        free.append(reader)
        on_progress(len(readings), len(moments))

    with ThreadPoolExecutor(max_workers=len(readers)) as pool:
        for place, frames in zip(order, _moments(footage, order), strict=True):
            kept[place] = frames
            for each in due.get(place, ()):
                keep(kept[each.place])
                if not free:
                    wait()
                reader = free.pop()
                waiting.append((each.place, reader, pool.submit(reader.read, _pictures(each, kept))))
                for used in each.all:
                    needed[used] -= 1
                    if not needed[used]:
                        del kept[used]
        while waiting:
            wait()
    return tuple(reading for _, reading in sorted(readings, key=lambda each: each[0]))


@dataclass(frozen=True, kw_only=True)
class _Wanted:
    """Places in the footage of a moment's picture and of its neighbours."""

    place: int
    before: int | None
    after: int | None

    @property
    def all(self) -> tuple[int, ...]:
        return tuple(each for each in (self.before, self.place, self.after) if each is not None)


def place_of(footage: OpenedFootage, frame_idx: int) -> int | None:
    """Place in the footage of camera 1's picture of this number; None when it lies outside."""
    own = footage.clips[0].indices if footage.pairing is None else footage.pairing.indices[:, 0]
    at = np.flatnonzero(own == frame_idx)
    return int(at[0]) if len(at) else None


def pictures_at(footage: OpenedFootage, place: int) -> list[CameraPictures]:
    """The pictures of one place of the footage, without neighbours, fetched again."""
    frames = next(iter(_moments(footage, [place])))
    return [CameraPictures(frame=frame, before=None, after=None) for frame in frames]


def reading_at(footage: OpenedFootage, place: int, reader: MomentReader) -> PoseReading:
    """Read the moment at one place of the footage in full."""
    wanted = _beside(place, _count(footage))
    frames = dict(zip(wanted.all, _moments(footage, wanted.all), strict=True))
    return reader.read(_pictures(wanted, frames))


def _wanted(moment: Moment, places: Sequence[int], count: int) -> _Wanted:
    """A moment's places; where the clip was seen in steps its neighbours are the footage's own, not a step away."""
    place = places[moment.idx]
    if len(places) > 1 and places[1] - places[0] > _NEAR:
        return _beside(place, count)
    beside = [None if index is None else places[index] for index in (moment.before_idx, moment.after_idx)]
    return _Wanted(place=place, before=beside[0], after=beside[1])


def _beside(place: int, count: int) -> _Wanted:
    before, after = place - _NEAR, place + _NEAR
    return _Wanted(
        place=place, before=before if before >= 0 else None, after=after if after < count else None
    )


def _pictures(wanted: _Wanted, kept: Mapping[int, tuple[Frame, ...]]) -> list[CameraPictures]:
    before, after = (None if k is None else kept[k] for k in (wanted.before, wanted.after))
    return [
        CameraPictures(
            frame=frame,
            before=None if before is None else before[camera],
            after=None if after is None else after[camera],
        )
        for camera, frame in enumerate(kept[wanted.place])
    ]


def _count(footage: OpenedFootage) -> int:
    return len(footage.clips[0]) if footage.pairing is None else footage.pairing.n_pairs


def _moments(footage: OpenedFootage, places: Sequence[int] | range) -> Iterator[tuple[Frame, ...]]:
    """The pictures of moments, ascending, each once."""
    if footage.pairing is not None:
        yield from footage.pairing.pairs_at(list(places))
        return
    clip = footage.clips[0]
    indices = clip.indices
    for frame in clip.frames_at([int(indices[place]) for place in places]):
        yield (frame,)
