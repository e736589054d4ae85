"""Looking at footage in a single pass: clips that must be decoded whole, and key pictures that are not worth two."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.footage import Pairing
from rigcheck.geometry.board_views import View, usable_views
from rigcheck.jobs.inspecting import Inspected, Light, Looked, Search, gathered, glanced_observation, inspect
from rigcheck.jobs.moving import RUN_PICTURES, Moving, moving_of, moving_run, refused, run_starts
from rigcheck.model import Frame, Rejection
from rigcheck.opencv import cv2
from rigcheck.target import BoardDetector

Moment = tuple[Frame, ...]
Fetch = Callable[[Sequence[int]], Iterator[Moment]]

_WORKERS = 2
# Pieces of work that wait, their pictures in memory with them.
_MOST_WAITING = 5
_JPEG_QUALITY = 92

__all__ = ["kept_picture", "look_in_one_pass"]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Group:
    """What was seen of moments that follow each other: the one looked at fully, and those only glanced at."""

    place: int
    seen: tuple[Inspected, ...]
    kept: dict[tuple[str, int], bytes]
    rejected: tuple[Rejection, ...]
    worth: int


@dataclass(frozen=True, kw_only=True, eq=False)
class _Asked:
    """Moments still wanted for one piece of work, and those that came; `run` tells a run from a group."""

    places: tuple[int, ...]
    run: bool
    came: list[Moment] = field(default_factory=list)


def look_in_one_pass(
    fetch: Fetch, places: Sequence[int], search: Search, *, most: int, pairing: Pairing | None = None
) -> Looked:
    """Look for the board at moments spread over a clip, decoding each once.

    Parameters
    ----------
    fetch : callable
        Yields the moments at ascending places.
    places : sequence of int
        Moments to look at.
    search : Search
    most : int
        Moments to look at fully: of those that follow each other the sharpest one, as a glance tells.
    pairing : Pairing, optional
        With it, runs of pictures of the moving board are looked at on the way.

    Returns
    -------
    Looked
        With the pictures that were looked at fully, as they cannot be had again without decoding all.

    Raises
    ------
    InputError
        When a picture cannot be decoded.
    """
    starts = [] if pairing is None else run_starts(pairing)
    refusal = None if pairing is None else refused(pairing, starts)
    starts = [] if refusal is not None else starts
    groups = [_Asked(places=tuple(part.tolist()), run=False) for part in _split(places, most)]
    runs = [_Asked(places=tuple(range(start, start + RUN_PICTURES)), run=True) for start in starts]
    done = _work(fetch, groups, runs, search)
    moving = refusal
    if pairing is not None and refusal is None:
        moving = moving_of(pairing, starts, tuple(run for run in done.runs if run is not None))
    return _looked(done.groups, len(places), search, moving)


def kept_picture(jpeg: bytes) -> NDArray[np.uint8]:
    """Return a picture that was kept, (H, W) uint8."""
    return np.asarray(cv2.imdecode(np.frombuffer(jpeg, dtype=np.uint8), cv2.IMREAD_GRAYSCALE), dtype=np.uint8)


def _split(places: Sequence[int], most: int) -> list[NDArray[np.int64]]:
    return np.array_split(np.asarray(places, dtype=np.int64), min(len(places), most))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Done:
    groups: tuple[_Group, ...]
    runs: tuple[tuple[View, ...] | None, ...]


def _work(fetch: Fetch, groups: Sequence[_Asked], runs: Sequence[_Asked], search: Search) -> _Done:
    """Hand each piece of work on as soon as its last picture is decoded."""
    wanted = sorted({place for asked in (*groups, *runs) for place in asked.places})
    asking: dict[int, list[_Asked]] = {place: [] for place in wanted}
    for asked in (*groups, *runs):
        for place in asked.places:
            asking[place].append(asked)
    detector = BoardDetector(search.board)
    waiting: deque[Future[_Group] | Future[tuple[View, ...] | None]] = deque()
    found_groups: list[Future[_Group]] = []
    found_runs: list[Future[tuple[View, ...] | None]] = []
    with ThreadPoolExecutor(max_workers=_WORKERS) as pool:
        for done, (place, moment) in enumerate(zip(wanted, fetch(wanted), strict=True), start=1):
            for asked in asking[place]:
                asked.came.append(moment)
                if len(asked.came) < len(asked.places):
                    continue
                came = list(asked.came)
                asked.came.clear()
                if asked.run:
                    found_runs.append(pool.submit(moving_run, detector, came))
                    waiting.append(found_runs[-1])
                else:
                    found_groups.append(pool.submit(_look_at_group, detector, asked.places, came, search))
                    waiting.append(found_groups[-1])
            while len(waiting) > _MOST_WAITING:
                waiting.popleft().result()
            search.on_progress(done, len(wanted))
        return _Done(
            groups=tuple(one.result() for one in found_groups), runs=tuple(one.result() for one in found_runs)
        )


def _look_at_group(
    detector: BoardDetector, places: Sequence[int], moments: Sequence[Moment], search: Search
) -> _Group:
    """Glance at moments that follow each other, and look fully at the one where most is seen, and sharpest."""
    glances = [tuple(detector.glance(frame.grey8()) for frame in moment) for moment in moments]
    views = [
        tuple(glanced_observation(glance, frame) for glance, frame in zip(seen, moment, strict=True))
        for seen, moment in zip(glances, moments, strict=True)
    ]
    usable = [bool(usable_views([view], search.board)) for view in views]
    best = max(range(len(moments)), key=lambda k: _how_well(views[k]))
    rejected = [
        _unseen(frame)
        for k, (moment, view) in enumerate(zip(moments, views, strict=True))
        for frame, side in zip(moment, view, strict=True)
        if side is None and k != best
    ]
    seen = tuple(
        inspect(detector, frame, search.lights.get(frame.ref.camera, Light()), glanced=glance)
        for frame, glance in zip(moments[best], glances[best], strict=True)
    )
    return _Group(
        place=places[best],
        seen=seen,
        kept={(frame.ref.camera, frame.ref.frame_idx): _jpeg(frame) for frame in moments[best]},
        rejected=tuple(rejected),
        worth=sum(usable) - usable[best],
    )


def _how_well(view: View) -> tuple[int, float]:
    """How many cameras see the board, and how sharply; motion blurs too."""
    soft = [float(side.sigma_px.max()) for side in view if side is not None]
    return len(soft), -max(soft, default=0.0)


def _unseen(frame: Frame) -> Rejection:
    sentence = f"{frame.ref.label}: no board seen at a glance."
    return Rejection(ref=frame.ref, code="no-board-at-a-glance", sentence=sentence)


def _jpeg(frame: Frame) -> bytes:
    _, encoded = cv2.imencode(".jpg", frame.grey8(), [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    return np.asarray(encoded).tobytes()


def _looked(groups: Sequence[_Group], looked: int, search: Search, moving: Moving | None) -> Looked:
    found = gathered([(group.place, group.seen) for group in groups], search)
    unseen = tuple(one for group in groups for one in group.rejected)
    return replace(
        found,
        rejected=(*unseen, *found.rejected),
        looked=looked,
        worth=found.worth + sum(group.worth for group in groups),
        moving=moving,
        kept={key: jpeg for group in groups for key, jpeg in group.kept.items()},
    )
