"""What shows only over seconds: flicker, noise against the transfer curve, things before the face, a covered mouth.

Moments that were measured are looked at again, seldom and one question at a time, with the functions of `fitting`.
"""

import time
from collections.abc import Sequence
from dataclasses import replace

from rigcheck.face.exposure_run import CameraExposure, ExposureRun
from rigcheck.face.fitting_run import FittingRun
from rigcheck.jobs.moment import Moment
from rigcheck.live.lasting_camera import LastingCamera, Watched
from rigcheck.live.shots import Shot
from rigcheck.model import Frame

__all__ = ["Lasting", "Watched"]

_ASKING_S = 0.05


class Lasting:
    """Takes moments in the measuring thread, and asks one question at a time in the judging thread.

    Parameters
    ----------
    cameras : sequence of Watched
        One or two.

    Notes
    -----
    Nothing is forgotten when the hand moves boom, ring or lamp: what stands before the face shows best while the helmet
    is rocked, and a lamp beats on.
    """

    def __init__(self, cameras: Sequence[Watched]) -> None:
        self._cameras = tuple(LastingCamera(each) for each in cameras)

    def take_pictures(self, held: Sequence[tuple[Shot, ...]]) -> None:
        """Note the light of all pictures held of each source."""
        for camera in self._cameras:
            camera.trace.take(held[camera.watched.view.source_idx])

    def take(self, moment: Moment, frames: Sequence[Frame], at_s: float) -> None:
        """Note a measured moment."""
        for camera, part, frame in zip(self._cameras, moment.cameras, frames, strict=True):
            camera.take(part, frame, at_s)

    def ask(self, now_s: float) -> None:
        """Ask what has waited longest beyond its time, one question after another; after a dear one the rest wait."""
        until_s = time.monotonic() + _ASKING_S
        while time.monotonic() < until_s:
            camera = max(self._cameras, key=lambda each: each.waited_s(now_s), default=None)
            if camera is None or camera.waited_s(now_s) < 0.0:
                return
            camera.ask(now_s)

    def into_framing(self, run: FittingRun, now_s: float) -> FittingRun:
        """The run with what was found before the faces."""
        covers, numbers = dict(run.covers), dict(run.measurements)
        for camera in self._cameras:
            cover, name = camera.cover(now_s), camera.watched.name
            if cover is not None:
                covers[name] = cover
                numbers[f"framing.{name}.covered_share"] = cover.share
            mouth = camera.number("mouth_detail", now_s)
            if mouth is not None:
                numbers[f"framing.{name}.mouth_detail"] = mouth
        return replace(run, covers=covers, measurements=numbers)

    def into_light(self, run: ExposureRun, now_s: float) -> ExposureRun:
        """The run with what was found of the light over time and of its noise."""
        numbers, cameras = dict(run.measurements), list[CameraExposure]()
        watching = {camera.watched.name: camera for camera in self._cameras}
        for found in run.cameras:
            camera = watching.get(found.name)
            beat, slope = (
                (None, None) if camera is None else (camera.beat(now_s), camera.number("noise_slope", now_s))
            )
            if beat is not None:
                numbers |= {name: each for name, each in beat.measurements.items() if each.value is not None}
            if slope is not None:
                numbers[f"exposure.{found.name}.noise_slope"] = slope
            cameras.append(found if beat is None else replace(found, flicker=beat.cameras[0].flicker))
        return replace(run, cameras=tuple(cameras), measurements=numbers)
