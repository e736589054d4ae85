"""A quick look for the board: key pictures at a glance, then the few views that tell most, closely."""

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from rigcheck.drift.stored import StoredRig
from rigcheck.drift.telling_views import telling_views
from rigcheck.footage import Clip
from rigcheck.geometry.board_views import View, usable_views
from rigcheck.jobs.looking import Light, Looked, OnProgress, rough_observation
from rigcheck.jobs.opening import OpenedFootage
from rigcheck.model import Frame, Observation, Rejection
from rigcheck.model._arrays import IntArray
from rigcheck.target import BoardDetector
from rigcheck.target.edges import EdgeBlurs, edge_blurs

# Moments glanced at: enough that eight telling ones are among them.
MOST_GLANCES = 24
ENOUGH_GLANCES = 12
# Moments looked at closely: six pairs decide (handbook of the field), two more in case of blur or a hand in the way.
MOST_LOOKS = 8
# Where key pictures are few, pictures this far behind them are decoded too, the nearest first.
_BEHIND_KEYS = (12, 24, 36, 48, 60, 90, 120)

__all__ = ["ENOUGH_GLANCES", "MOST_GLANCES", "MOST_LOOKS", "glance_positions", "look_quickly"]

Moment = tuple[Frame, ...]


def look_quickly(
    footage: OpenedFootage, stored: StoredRig, lights: Mapping[str, Light], on_progress: OnProgress
) -> Looked:
    """Find the board in a few moments of today's footage.

    Parameters
    ----------
    footage : OpenedFootage
    stored : StoredRig
        Says which moments tell most.
    lights : mapping of camera name to Light
    on_progress : callable
        Called with what is done and what there is to do.

    Returns
    -------
    Looked
        With views of the moments looked at closely only.

    Raises
    ------
    InputError
        When a picture cannot be decoded.
    """
    board = stored.calibration.board
    places = glance_positions(footage)
    total = len(places) + MOST_LOOKS
    detector = BoardDetector(board)
    moments: list[Moment] = []
    glanced: list[View] = []
    with ThreadPoolExecutor(max_workers=2) as pool:
        for done, moment in enumerate(_moments(footage, places), start=1):
            moments.append(moment)
            glanced.append(tuple(pool.map(lambda frame: rough_observation(detector, frame), moment)))
            on_progress(done, total)
        close = _chosen(glanced, stored)
        on_progress(len(places), len(places) + len(close))
        inspected = []
        for done, number in enumerate(close, start=1):
            inspected.append(list(pool.map(lambda frame: _inspect(detector, frame, lights), moments[number])))
            on_progress(len(places) + done, len(places) + len(close))
    return _looked(inspected, [places[number] for number in close], len(places), stored)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Inspected:
    found: Observation | Rejection
    edges: EdgeBlurs | None


def _inspect(detector: BoardDetector, frame: Frame, lights: Mapping[str, Light]) -> _Inspected:
    image = frame.grey8()
    table = lights.get(frame.ref.camera, Light()).table
    found = detector.detect(image, frame.ref)
    edges = None
    if isinstance(found, Observation):
        edges = edge_blurs(image, found, detector.spec, linear_light=table)
    return _Inspected(found=found, edges=edges)


def _looked(
    inspected: Sequence[Sequence[_Inspected]], places: Sequence[int], looked: int, stored: StoredRig
) -> Looked:
    views, positions = [], []
    for place, seen in zip(places, inspected, strict=True):
        view = tuple(one.found if isinstance(one.found, Observation) else None for one in seen)
        if any(side is not None for side in view):
            views.append(view)
            positions.append(place)
    every = [one for seen in inspected for one in seen]
    return Looked(
        views=tuple(views),
        positions=tuple(positions),
        rejected=tuple(one.found for one in every if isinstance(one.found, Rejection)),
        looked=looked,
        worth=len(usable_views(views, stored.calibration.board)),
        edges=tuple(one.edges for one in every if one.edges is not None),
    )


def _chosen(glanced: Sequence[View], stored: StoredRig) -> list[int]:
    """Which moments to look at closely; spread over the clip where a glance sees no board at all."""
    board, whole = stored.calibration.board, len(stored.models)
    kept = [(number, usable_views([view], board)) for number, view in enumerate(glanced)]
    seen = [(number, views[0]) for number, views in kept if views]
    both = [one for one in seen if all(side is not None for side in one[1])]
    pool = both if whole == 2 and len(both) >= min(MOST_LOOKS, len(seen)) else seen
    if not pool:
        return sorted(set(np.linspace(0, len(glanced) - 1, MOST_LOOKS).round().astype(int).tolist()))
    telling = telling_views([view for _, view in pool], board, stored, most=MOST_LOOKS)
    return [pool[k][0] for k in telling]


def _moments(footage: OpenedFootage, places: Sequence[int]) -> Iterator[Moment]:
    if footage.pairing is not None:
        yield from footage.pairing.pairs_at(places)
        return
    clip = footage.clips[0]
    indices = clip.indices
    yield from ((frame,) for frame in clip.frames_at([int(indices[k]) for k in places]))


def glance_positions(footage: OpenedFootage) -> list[int]:
    """Which moments to glance at: key pictures, and where they are few, pictures soon behind them."""
    count = len(footage.clips[0].indices) if footage.pairing is None else footage.pairing.n_pairs
    if any(clip.info.kind != "video" for clip in footage.clips) or count <= ENOUGH_GLANCES:
        return _spread(np.arange(count), MOST_GLANCES)
    keys = _key_positions(footage)
    found = keys
    for behind in _BEHIND_KEYS:
        if len(found) >= ENOUGH_GLANCES:
            break
        found = np.union1d(found, keys + behind)
        found = found[found < count]
    return _spread(found, MOST_GLANCES)


def _key_positions(footage: OpenedFootage) -> IntArray:
    """Positions of key pictures: of both cameras, else of camera 1; the first picture is one."""
    first: Clip = footage.clips[0]
    if footage.pairing is None:
        keys = np.flatnonzero(np.isin(first.indices, first.key_indices))
    else:
        keys = footage.pairing.key_pairs
        if not len(keys):
            keys = np.flatnonzero(np.isin(footage.pairing.indices[:, 0], first.key_indices))
    return np.asarray(np.union1d(keys, [0]), dtype=np.int64)


def _spread(places: IntArray, most: int) -> list[int]:
    if len(places) <= most:
        return [int(place) for place in places]
    picked = np.linspace(0, len(places) - 1, most).round().astype(int)
    return [int(places[k]) for k in np.unique(picked)]
