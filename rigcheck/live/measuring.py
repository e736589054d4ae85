"""Newest pictures of both cameras paired by time, and measured as a `fitting` measures them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rigcheck.jobs.moment import BegunMoment, Moment, MomentMeasurer
from rigcheck.landmarks import Looks
from rigcheck.live.shots import Shot, View
from rigcheck.model import Calibration, Frame, PerformerLooks, RigDescription
from rigcheck.model._arrays import FloatArray
from rigcheck.records import read_transfer_table

__all__ = ["FaceMeasurer", "Known", "described_as_read", "newest_together"]

# Pictures of one moment: further apart in time they are measured, but not matched.
TOGETHER_S = 0.02


def newest_together(held: Sequence[Sequence[Shot]]) -> tuple[tuple[Shot, ...], float] | None:
    """Of the shots held by each source, the newest that belong together, and how far apart they were taken, s.

    Parameters
    ----------
    held : sequence of sequences of Shot
        One or two sources, each oldest first.

    Returns
    -------
    (shots, apart_s) or None
        One shot a source; None while a source has none. Of the source whose newest is older that one, of the other
        the nearest to it in time.
    """
    if not all(held):
        return None
    if len(held) == 1:
        return (held[0][-1],), 0.0
    last = min(one[-1].captured_at_s for one in held)
    chosen = tuple(min(one, key=lambda shot: abs(shot.captured_at_s - last)) for one in held)
    return chosen, abs(chosen[0].captured_at_s - chosen[1].captured_at_s)


@dataclass(frozen=True, kw_only=True, eq=False)
class Known:
    """What is known before the first picture; a calibration of a proxy is left out by whoever makes this."""

    names: tuple[str, ...]
    rig: RigDescription | None
    calibration: Calibration | None
    looks: PerformerLooks
    landmark_looks: Looks
    tables: Mapping[str, Path]

    @property
    def proxy(self) -> bool:
        """Whether focus and light say nothing of the camera original."""
        return self.rig is not None and self.rig.proxy is not None


def described_as_read(known: Known, shots: Sequence[Shot], views: Sequence[View]) -> RigDescription | None:
    """The rig file, with the range that a source states where the rig file does not."""
    if known.rig is None:
        return None
    cameras = list(known.rig.cameras)
    for k, view in enumerate(views):
        stated = shots[view.source_idx].value_range
        if cameras[k].value_range is None and stated is not None:
            cameras[k] = replace(cameras[k], value_range=stated)
    return replace(known.rig, cameras=tuple(cameras))


class FaceMeasurer:
    """Measures moment after moment; made for the first pictures, and anew when their size, depth or colour changes.

    Parameters
    ----------
    known : Known
    shots, views : sequences
        First shots of the sources, and which part of which is each camera's.
    aside : bool
        Measure each camera in a process of its own.
    """

    def __init__(
        self, known: Known, shots: Sequence[Shot], views: Sequence[View], *, aside: bool = False
    ) -> None:
        self._known = known
        self.form = form_of(shots, views)
        self.rig = described_as_read(known, shots, views)
        frames = [view.frame(shots[view.source_idx], camera="", origin="") for view in views]
        self._measurer = MomentMeasurer(
            frames,
            rig=self.rig,
            calibration=known.calibration,
            looks=known.landmark_looks,
            full_range=any(shot.colour for shot in shots),
            tables=[self._table(k, frame) for k, frame in enumerate(frames)],
            aside=aside,
        )
        self.curves = self._measurer.curves

    def close(self) -> None:
        """Let its threads go."""
        self._measurer.close()

    def measure(self, frames: Sequence[Frame], *, matched: bool) -> Moment:
        """Measure one moment; of a proxy neither focus nor light."""
        return self.whole(self.begin(frames, matched=matched))

    def begin(self, frames: Sequence[Frame], *, matched: bool) -> BegunMoment:
        """Begin to measure one moment, for :meth:`whole`; see :meth:`MomentMeasurer.begin`."""
        return self._measurer.begin(frames, matched=matched and not self._known.proxy)

    def whole(self, begun: BegunMoment) -> Moment:
        """Wait for a moment; of a proxy neither focus nor light."""
        moment = begun.whole()
        if not self._known.proxy:
            return moment
        return replace(
            moment, cameras=tuple(replace(part, focus=None, exposure=None) for part in moment.cameras)
        )

    def _table(self, camera_idx: int, frame: Frame) -> FloatArray | None:
        path = self._known.tables.get(self._known.names[camera_idx])
        return None if path is None else read_transfer_table(path, bit_depth=frame.bit_depth)


def form_of(shots: Sequence[Shot], views: Sequence[View]) -> tuple[object, ...]:
    """What must stay the same from picture to picture for one measurer."""
    return tuple(
        (view.cut(shots[view.source_idx].image).shape, shots[view.source_idx].bit_depth) for view in views
    )
