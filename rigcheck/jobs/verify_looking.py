"""A quick look for the board: key pictures at a glance, then the few views that tell most, closely."""

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from rigcheck.drift.stored import StoredRig
from rigcheck.drift.telling_views import telling_views
from rigcheck.geometry.board_views import View, usable_views
from rigcheck.jobs.glancing import ENOUGH_GLANCES, ENOUGH_KEYS, MOST_GLANCES, glance_positions
from rigcheck.jobs.inspecting import Light, Looked, OnProgress, rough_observation
from rigcheck.jobs.opening import OpenedFootage
from rigcheck.jobs.sensors import SensorWatch
from rigcheck.model import Frame, Observation, Rejection
from rigcheck.target import BoardDetector
from rigcheck.target.edges import EdgeBlurs, edge_blurs

# Moments looked at closely: six pairs tell every change that matters (tests/bench/bench_verify.py).
MOST_LOOKS = 6
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
    detector = BoardDetector(stored.calibration.board)
    sensors = SensorWatch([clip.info.camera for clip in footage.clips])
    with ThreadPoolExecutor(max_workers=2) as pool:
        glances = _Glances(
            footage=footage, stored=stored, detector=detector, pool=pool, tell=on_progress, sensors=sensors
        )
        places = glance_positions(footage)
        glances.at(places)
        further = [place for place in glance_positions(footage, more=True) if place not in places]
        if glances.usable() < ENOUGH_KEYS and further:
            glances.at(further)
        close, total = glances.chosen(), len(glances.places)
        on_progress(total, total + len(close))
        inspected = []
        for done, number in enumerate(close, start=1):
            moment = glances.moments[number]
            inspected.append(list(pool.map(lambda frame: _inspect(detector, frame, lights), moment)))
            on_progress(total + done, total + len(close))
    looked = _looked(inspected, [glances.places[number] for number in close], total, stored)
    return replace(looked, sensors=sensors.looks())


@dataclass(kw_only=True, eq=False)
class _Glances:
    """Moments glanced at so far, with their pictures."""

    footage: OpenedFootage
    stored: StoredRig
    detector: BoardDetector
    pool: ThreadPoolExecutor
    tell: OnProgress
    sensors: SensorWatch
    places: list[int] = field(default_factory=list)
    moments: list[Moment] = field(default_factory=list)
    views: list[View] = field(default_factory=list)

    def at(self, places: Sequence[int]) -> None:
        """Glance at these moments too."""
        total = len(self.places) + len(places) + MOST_LOOKS
        for place, moment in zip(places, _moments(self.footage, places), strict=True):
            seen = self.pool.map(self._glance, moment)
            self.places.append(place)
            self.moments.append(moment)
            self.views.append(tuple(seen))
            self.tell(len(self.places), total)

    def _glance(self, frame: Frame) -> Observation | None:
        self.sensors.see(frame)
        return rough_observation(self.detector, frame)

    def usable(self) -> int:
        """Moments at which every camera shows enough of the board."""
        kept = usable_views(self.views, self.stored.calibration.board)
        return sum(all(side is not None for side in view) for view in kept)

    def chosen(self) -> list[int]:
        """Which of them to look at closely."""
        return _chosen(self.views, self.stored)


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
