"""Watching for hot pixels in the pictures that a job looks at anyway."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import repeat

from rigcheck.footage.hot_pixels import HotPixelLook, HotPixelWatch
from rigcheck.model import CalibrationRun, Frame

__all__ = ["SensorWatch", "with_hot_pixels"]


class SensorWatch:
    """Adds each picture once to its camera's sums; cameras may be added to at the same time, by a thread each."""

    def __init__(self, cameras: Sequence[str]) -> None:
        self._watches = {name: HotPixelWatch() for name in cameras}
        self._seen: dict[str, set[int]] = {name: set() for name in cameras}

    def see(self, frame: Frame) -> None:
        """Add a picture."""
        camera, index = frame.ref.camera, frame.ref.frame_idx
        if index not in self._seen[camera]:
            self._seen[camera].add(index)
            self._watches[camera].add(frame.grey8())

    def passing(
        self, moments: Iterator[tuple[Frame, ...]], wanted: Iterable[bool] | None = None
    ) -> Iterator[tuple[Frame, ...]]:
        """Yield the moments on, the pictures of those that are wanted (all, where not said) seen."""
        for moment, see in zip(moments, repeat(True) if wanted is None else wanted, strict=False):
            for frame in moment if see else ():
                self.see(frame)
            yield moment

    def looks(self) -> dict[str, HotPixelLook | None]:
        """What the pictures tell, by camera's name."""
        return {name: watch.look() for name, watch in self._watches.items()}


def with_hot_pixels(run: CalibrationRun, looks: Mapping[str, HotPixelLook | None]) -> CalibrationRun:
    """Keep each sensor's hot pixels, so that it is known again."""
    found = {name: () if look is None else look.hot_pixels_px for name, look in sorted(looks.items())}
    cameras = tuple(
        replace(entry, hot_pixels_px=found.get(entry.camera.name, ())) for entry in run.calibration.cameras
    )
    counts = ", ".join(f"{entry.camera.name} {len(entry.hot_pixels_px)}" for entry in cameras)
    note = "No hot pixels were seen by which the sensors could be known again."
    if any(found.values()):
        note = f"Hot pixels kept to know the sensors again: {counts}."
    return replace(run, calibration=replace(run.calibration, cameras=cameras), notes=(*run.notes, note))
