"""Looking through a clip for frames to pick: all of it in passing, then a few dozen moments in full."""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

from rigcheck.face.picks_glance import Glance, Glancer
from rigcheck.face.picks_moments import Moment
from rigcheck.face.picks_reading import CameraPictures, MomentReader
from rigcheck.jobs.opening import OpenedFootage
from rigcheck.model import Frame
from rigcheck.model.picking import PoseReading
from rigcheck.report import OnProgress

__all__ = ["MOST_GLANCES", "Glances", "look_through", "moment_at", "pictures_of", "read_moments"]

# Moments seen in passing, however long the clip: five minutes at 60 frames a second; of longer ones every second
# picture, every third, and so on, so that neither time nor memory grow without end.
MOST_GLANCES = 20_000
# Pictures away at which a moment's neighbours lie where the clip was seen in steps: a thirtieth of a second at 60.
_NEAR = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Glances:
    """What was seen in passing: a sequence of glances a camera, and the place in the footage of each moment."""

    by_camera: tuple[tuple[Glance, ...], ...]
    places: tuple[int, ...]
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
    places = range(0, count, -(-count // MOST_GLANCES))
    seen: list[list[Glance]] = [[] for _ in glancers]
    with ThreadPoolExecutor(max_workers=max(len(glancers), 1)) as pool:
        for done, frames in enumerate(_moments(footage, places), start=1):
            for own, glance in zip(seen, pool.map(_see, glancers, frames), strict=True):
                own.append(glance)
            if done % 8 == 0 or done == len(places):
                on_progress(done, len(places))
    names = [clip.info.camera for clip in footage.clips]
    return Glances(
        by_camera=tuple(tuple(own) for own in seen),
        places=tuple(places),
        turned_deg={name: one.turned_deg for name, one in zip(names, glancers, strict=True)},
    )


def _see(glancer: Glancer, frame: Frame) -> Glance:
    return glancer.see(frame)


def read_moments(
    footage: OpenedFootage,
    moments: Sequence[Moment],
    places: Sequence[int],
    readers: Sequence[MomentReader],
    on_progress: OnProgress,
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
    on_progress : callable
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


def moment_at(glances: Glances, frame_idx: int) -> Moment | None:
    """The moment whose picture of camera 1 has this number, with its neighbours; None when it was not seen."""
    own = glances.by_camera[0]
    at = [k for k, glance in enumerate(own) if glance.ref.frame_idx == frame_idx]
    if not at:
        return None
    index = at[0]
    return Moment(
        idx=index,
        before_idx=index - 1 if index > 0 else None,
        after_idx=index + 1 if index + 1 < len(own) else None,
        poses=("neutral",),
    )


def pictures_of(footage: OpenedFootage, glances: Glances, frame_idx: int) -> list[CameraPictures] | None:
    """The pictures of one moment, without its neighbours, fetched again; None when it was not seen."""
    moment = moment_at(glances, frame_idx)
    if moment is None:
        return None
    frames = next(iter(_moments(footage, [glances.places[moment.idx]])))
    return [CameraPictures(frame=frame, before=None, after=None) for frame in frames]


def _wanted(moment: Moment, places: Sequence[int], count: int) -> _Wanted:
    """A moment's places; where the clip was seen in steps its neighbours are the footage's own, not a step away."""
    place = places[moment.idx]
    if len(places) > 1 and places[1] - places[0] > _NEAR:
        before, after = place - _NEAR, place + _NEAR
        return _Wanted(
            place=place, before=before if before >= 0 else None, after=after if after < count else None
        )
    beside = [None if index is None else places[index] for index in (moment.before_idx, moment.after_idx)]
    return _Wanted(place=place, before=beside[0], after=beside[1])


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
