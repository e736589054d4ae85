"""One camera over the last seconds: its small pictures with their faces, its light and noise, and what was found."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_curve import NoiseLevel, noise_levels, noise_slope
from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_moment import ExposureMoment
from rigcheck.face.exposure_run import CameraExposed, ExposureRun, exposure_run
from rigcheck.face.framing_cover import Cover, fixed_before_face, work_picture
from rigcheck.face.framing_detail import mouth_detail
from rigcheck.face.framing_points import UprightFace, upright_face
from rigcheck.geometry.upright import upright_picture
from rigcheck.jobs.moment import CameraMoment
from rigcheck.live.light_trace import LightTrace
from rigcheck.live.shots import View, grey_of
from rigcheck.model import Estimate, FaceLandmarks, Frame

__all__ = ["LastingCamera", "Watched"]

# Small pictures are kept so often and so many: of eight, half the clear clips showed a thing that was not there, of
# sixteen none (draws from a rendered talker whose helmet is rocked).
_PICTURE_EVERY_S, _MOST_PICTURES = 0.4, 16
# Of them so many tell whether the mouth is seen; and pictures whose noise is held against the curve, as in a fitting.
_MOUTH_PICTURES, _NOISE_PICTURES = 3, 3
# Each question is asked again after so long: a third of a second of processor goes into what stands before the face, a
# tenth into noise.
_FLICKER_S, _MOUTH_S, _COVER_S, _NOISE_S = 1.0, 1.5, 12.0, 12.0
# The dear ones are asked sooner while an answer waits to be found again, or pictures are lacking.
_SOON_S = 3.0
# A finding without a newer one is withdrawn after so long: while the face holds still nothing new can be found.
_KEPT_S = 20.0
# A finding like the one shown is shown in its place only when its size has strayed by this share.
_STRAYS = 0.25
_BEATS_ALIKE_HZ = 1.0

_FindingT = TypeVar("_FindingT")


class _Held(Generic[_FindingT]):
    """A finding that is shown once it was found twice in a row, and until another was."""

    def __init__(
        self, alike: Callable[[_FindingT, _FindingT], bool], size: Callable[[_FindingT], float]
    ) -> None:
        self._alike, self._size = alike, size
        self._shown: _FindingT | None = None
        self._waiting: _FindingT | None = None
        self._at_s = float("-inf")

    @property
    def waits(self) -> bool:
        """Whether the last finding is to be found again before it is shown."""
        return self._waiting is not None

    def take(self, found: _FindingT, at_s: float) -> None:
        shown, waiting = self._shown, self._waiting
        self._at_s = at_s
        if shown is not None and self._alike(found, shown):
            self._waiting = None
            if abs(self._size(found) - self._size(shown)) > _STRAYS * self._size(shown):
                self._shown = found
        elif waiting is not None and self._alike(found, waiting):
            self._shown, self._waiting = found, None
        else:
            self._waiting = found

    def at(self, now_s: float) -> _FindingT | None:
        return self._shown if now_s - self._at_s <= _KEPT_S else None


@dataclass(frozen=True, kw_only=True, eq=False)
class Watched:
    """One camera as it is watched: its part of a source's pictures, how it is mounted, what is known of its light."""

    name: str
    view: View
    mount_rotation_deg: int
    curve: LightCurve
    shutter_s: float | None = None
    frame_rate: float | None = None


class LastingCamera:
    """Filled in the measuring thread, asked in the judging thread.

    Parameters
    ----------
    watched : Watched
    """

    def __init__(self, watched: Watched) -> None:
        self.watched = watched
        self.trace = LightTrace(watched.view, watched.curve, stated_rate=watched.frame_rate)
        self._lock = Lock()
        self._pictures: deque[tuple[FaceLandmarks, NDArray[np.float32]]] = deque(maxlen=_MOST_PICTURES)
        self._pictured_s = float("-inf")
        self._newest: tuple[Frame, ExposureMoment] | None = None
        self._noise: deque[tuple[NoiseLevel, ...]] = deque(maxlen=_NOISE_PICTURES)
        self._beat = _Held[ExposureRun](_beat_alike, _swing)
        self._cover = _Held[Cover](_cover_alike, lambda found: found.share.value or 0.0)
        self._numbers: dict[str, tuple[float, Estimate]] = {}
        self._questions: dict[Callable[[float], None], float] = {
            self._ask_flicker: _FLICKER_S,
            self._ask_mouth: _MOUTH_S,
            self._ask_cover: _COVER_S,
            self._ask_noise: _NOISE_S,
        }
        self._asked_s = dict.fromkeys(self._questions, float("-inf"))

    def take(self, part: CameraMoment, frame: Frame, at_s: float) -> None:
        """Note a measured moment; keep a small picture now and then."""
        face = part.face
        if not isinstance(face, FaceLandmarks):
            self.trace.lay(None)
            return
        self.trace.lay(part.exposure)
        with self._lock:
            self._newest = None if part.exposure is None else (frame, part.exposure)
            if at_s - self._pictured_s < _PICTURE_EVERY_S:
                return
            self._pictured_s = at_s
        upright = upright_picture(grey_of(frame.image, frame.bit_depth), self._turn_deg(face))
        small = work_picture(upright)
        with self._lock:
            self._pictures.append((face, small))

    def waited_s(self, now_s: float) -> float:
        """For how long beyond its time the question has waited that waited longest."""
        return max(self._waited_s(ask, now_s) for ask in self._questions)

    def ask(self, now_s: float) -> None:
        """Ask that question."""
        ask = max(self._questions, key=lambda each: self._waited_s(each, now_s))
        self._asked_s[ask] = now_s
        ask(now_s)

    def beat(self, now_s: float) -> ExposureRun | None:
        """The light over time: a run with nothing else in it."""
        return self._beat.at(now_s)

    def cover(self, now_s: float) -> Cover | None:
        """What stands still before the face; None while that could not be told."""
        return self._cover.at(now_s)

    def number(self, name: str, now_s: float) -> Estimate | None:
        """`mouth_detail` or `noise_slope`."""
        at_s, number = self._numbers.get(name, (float("-inf"), None))
        return number if now_s - at_s <= _KEPT_S else None

    def _waited_s(self, ask: Callable[[float], None], now_s: float) -> float:
        few = len(self._pictures) < _MOST_PICTURES
        soon: dict[Callable[[float], None], bool] = {
            self._ask_cover: few or self._cover.waits,
            self._ask_noise: len(self._noise) < _NOISE_PICTURES,
        }
        every_s = _SOON_S if soon.get(ask) else self._questions[ask]
        return now_s - self._asked_s[ask] - every_s

    def _turn_deg(self, face: FaceLandmarks) -> int:
        return (self.watched.mount_rotation_deg + face.turned_deg) % 360

    def _ask_flicker(self, now_s: float) -> None:
        run = self.trace.series()
        if run is None:
            return
        series, rate = run
        exposed = CameraExposed(
            name=self.watched.name,
            curve=self.watched.curve,
            moments=(),
            series=series,
            frame_rate=rate,
            shutter_s=self.watched.shutter_s,
        )
        # Runs do not overlap: a lamp turned down is in one of them only, and is not found twice.
        self.trace.forget()
        found = exposure_run([exposed])
        if found.cameras[0].flicker is not None:
            self._beat.take(found, now_s)

    def _ask_cover(self, now_s: float) -> None:
        faces, pictures = self._last(_MOST_PICTURES)
        if len(faces) < _MOST_PICTURES:
            return
        found = fixed_before_face(faces, pictures)
        if found.share.value is not None:
            self._cover.take(found, now_s)

    def _ask_mouth(self, now_s: float) -> None:
        self._keep("mouth_detail", mouth_detail(*self._last(_MOUTH_PICTURES)), now_s)

    def _ask_noise(self, now_s: float) -> None:
        with self._lock:
            newest = self._newest
        curve = self.watched.curve
        # A curve that is unknown, or any shape, contradicts nothing.
        if newest is None or newest[1].layout is None or curve.light is None or curve.transfer == "table":
            return
        self._noise.append(noise_levels(newest[0], newest[1].layout, curve))
        if len(self._noise) == _NOISE_PICTURES:
            self._keep("noise_slope", noise_slope([level for each in self._noise for level in each]), now_s)

    def _keep(self, name: str, number: Estimate, now_s: float) -> None:
        if number.value is not None:
            self._numbers[name] = now_s, number

    def _last(self, count: int) -> tuple[list[UprightFace], list[NDArray[np.float32]]]:
        """The newest small pictures and their faces, in the order of time."""
        with self._lock:
            kept = list(self._pictures)[-count:]
        faces = [upright_face(face, self._turn_deg(face)) for face, _ in kept]
        return faces, [picture for _, picture in kept]


def _beat_alike(one: ExposureRun, other: ExposureRun) -> bool:
    first, second = one.cameras[0].flicker, other.cameras[0].flicker
    if first is None or second is None or first.found != second.found:
        return False
    if not first.found or first.beat.value is None or second.beat.value is None:
        return True
    return abs(first.beat.value - second.beat.value) <= _BEATS_ALIKE_HZ


def _cover_alike(one: Cover, other: Cover) -> bool:
    return bool(one.where) == bool(other.where)


def _swing(run: ExposureRun) -> float:
    flicker = run.cameras[0].flicker
    return 0.0 if flicker is None or flicker.stops.value is None else flicker.stops.value
