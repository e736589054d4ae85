"""Face mode: measure the newest moment, judge beside it, and give what the page draws over the pictures."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Event, Lock

from rigcheck.face.fitting_run import camera_optics
from rigcheck.face.framing_points import UprightFace
from rigcheck.geometry.upright import upright_size
from rigcheck.jobs.fitting import check_size
from rigcheck.jobs.moment import BegunMoment, Moment
from rigcheck.landmarks import NoFace
from rigcheck.live.answers import not_judged_answer
from rigcheck.live.beginning import Begun
from rigcheck.live.judging import SUBJECTS, FaceJudge, Judging
from rigcheck.live.lasting import Lasting, Watched
from rigcheck.live.maps import focus_map, light_map
from rigcheck.live.measuring import FaceMeasurer, form_of
from rigcheck.live.shots import Shot
from rigcheck.live.state import Answer, CameraReading, Cross
from rigcheck.model import Frame, RigDescription

__all__ = ["FaceSession"]

_CROSSES = {
    "outer corner of the right eye": "eye_outer_right",
    "outer corner of the left eye": "eye_outer_left",
    "upper lip": "upper_lip_inner",
    "lower lip": "lower_lip_inner",
}
# Judging takes no more than a quarter of the time of one core. It is quick for a while after a move, while every moment
# makes the numbers surer, and slower once they are steady; a move ends the rest at once.
_REST, _AFTER_MOVE_REST_S, _STEADY_REST_S, _MOST_REST_S = 3.0, 0.3, 0.8, 1.5
_AFTER_MOVE_S = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class _Measured:
    moment: Moment
    frames: tuple[Frame, ...]
    at_s: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Running:
    moment: BegunMoment
    frames: tuple[Frame, ...]
    at_s: float
    matched: bool


class FaceSession:
    """Takes shots in one thread, judges in another, and is asked from any.

    Parameters
    ----------
    begun : Begun
    height_px : int
        Of the page's upright pictures.
    aside : bool
        Measure each camera in a process of its own.
    """

    def __init__(self, begun: Begun, *, height_px: int, aside: bool = False) -> None:
        self._begun = begun
        self._height_px, self._aside = height_px, aside
        self._lock = Lock()
        self._measurer: FaceMeasurer | None = None
        self._judge: FaceJudge | None = None
        self._lasting = Lasting(())
        self._newest: _Measured | None = None
        self._running: _Running | None = None
        self._answers: tuple[Answer, ...] = ()
        self._judged_at_s: float | None = None
        self._trouble = ""
        self._wake = Event()
        self._fresh: _Measured | None = None
        self._took_s = 0.0
        self._moved_at_s = time.monotonic()

    @property
    def answers(self) -> tuple[tuple[Answer, ...], float | None]:
        """The three answers, none before the first moment; and when the newest pictures they are from were taken."""
        with self._lock:
            return self._answers, self._judged_at_s

    @property
    def measured_at_s(self) -> float | None:
        """When the measured pictures were taken."""
        with self._lock:
            return None if self._newest is None else self._newest.at_s

    @property
    def rig_as_read(self) -> RigDescription | None:
        """The rig file with the range of values that the sources state; as given before the first moment."""
        with self._lock:
            return self._begun.known.rig if self._measurer is None else self._measurer.rig

    def close(self) -> None:
        """Let the measurer's threads go."""
        if self._measurer is not None:
            self._measurer.close()

    def say_trouble(self, trouble: str) -> None:
        """Show, in place of answers, why nothing can be measured, until something can; from the measuring thread."""
        self.close()
        self._running = None
        with self._lock:
            self._trouble = trouble
            self._measurer, self._newest, self._judge, self._judged_at_s = None, None, None, None
            self._fresh = None
            self._answers = tuple(not_judged_answer(subject, trouble) for subject in SUBJECTS)

    def take(self, shots: Sequence[Shot], apart_s: float, held: Sequence[tuple[Shot, ...]] = ()) -> None:
        """Measure a moment; of all pictures held of each source only the light is noted.

        Notes
        -----
        Back as soon as one camera is done with it, so that this camera need not wait for the other. The moment shows
        when the next is begun, or with :meth:`note`.
        """
        measurer = self._ready(shots)
        begun = self._begun
        at_s = min(shot.captured_at_s for shot in shots)
        frames = tuple(
            view.frame(shots[view.source_idx], camera=name, origin=begun.requests[view.source_idx].shown)
            for view, name in zip(begun.views, begun.names, strict=True)
        )
        matched = apart_s <= begun.together_s and self._wants_pair(at_s)
        moment = measurer.begin(frames, matched=matched)
        self.note()
        if held:
            self._lasting.take_pictures(held)
        moment.first()
        self._running = _Running(moment=moment, frames=frames, at_s=at_s, matched=matched)

    def note(self) -> None:
        """Wait for the moment taken last and note it, where that is still to be done; from the measuring thread."""
        running, self._running = self._running, None
        if running is None or self._measurer is None:
            return
        moment = self._measurer.whole(running.moment)
        measured = _Measured(moment=moment, frames=running.frames, at_s=running.at_s)
        with self._lock:
            judge, lasting = self._judge, self._lasting
            self._newest = self._fresh = measured
        lasting.take(moment, measured.frames, measured.at_s)
        if judge is not None and judge.take(moment, measured.at_s):
            self._moved_at_s = time.monotonic()
            self._wake.set()

    def _wants_pair(self, at_s: float) -> bool:
        """Whether to match skin at the moment at `at_s`; not twice in a row, since the last is not noted yet."""
        if self._judge is None or (self._running is not None and self._running.matched):
            return False
        return self._judge.wants_pair(at_s)

    def judge(self) -> bool:
        """Judge what is new; False when nothing is."""
        with self._lock:
            judge, newest, self._fresh = self._judge, self._fresh, None
        if judge is None or newest is None:
            self._took_s = 0.0
            return False
        started = time.monotonic()
        answers = judge.answers(newest.at_s)
        self._took_s = time.monotonic() - started
        with self._lock:
            self._answers, self._judged_at_s = answers, newest.at_s
        return True

    def look_longer(self) -> None:
        """Ask one of the questions that only seconds answer, where it is time for one; from the judging thread."""
        with self._lock:
            lasting, at_s = self._lasting, self._judged_at_s
        if at_s is not None:
            started = time.monotonic()
            lasting.ask(at_s)
            self._took_s += time.monotonic() - started

    def wait_for_more(self, stop: Event) -> None:
        """Rest between two judgings; a move of the hand ends it."""
        steady = time.monotonic() - self._moved_at_s > _AFTER_MOVE_S
        least = _STEADY_REST_S if steady else _AFTER_MOVE_REST_S
        rest = min(max(_REST * self._took_s, least), _MOST_REST_S)
        if not stop.is_set():
            self._wake.wait(rest)
        self._wake.clear()

    def hurry(self) -> None:
        """End the rest between two judgings."""
        self._wake.set()

    def cameras(self) -> tuple[CameraReading, ...]:
        """The measured points of each camera, or why there are none."""
        with self._lock:
            newest, trouble = self._newest, self._trouble
        if newest is None:
            return tuple(
                CameraReading(camera_idx=k, sentence=trouble or "Nothing is measured yet.")
                for k in range(len(self._begun.names))
            )
        return tuple(self._camera(k, newest) for k in range(len(newest.frames)))

    def focus_map(self, camera_idx: int) -> bytes | None:
        """Sharpness of the face's regions as an overlay."""
        with self._lock:
            newest, judge = self._newest, self._judge
        run = None if judge is None else judge.focus
        if newest is None or run is None:
            return None
        part = newest.moment.cameras[camera_idx].focus
        if part is None or not part.outlines:
            return None
        return focus_map(
            run,
            self._begun.limits,
            part,
            camera=self._begun.names[camera_idx],
            turn_deg=self._begun.turns_deg[camera_idx],
            height_px=self._map_height(camera_idx, newest),
        )

    def light_map(self, camera_idx: int) -> bytes | None:
        """Blown and dark skin as an overlay."""
        with self._lock:
            newest, measurer = self._newest, self._measurer
        if newest is None or measurer is None:
            return None
        part = newest.moment.cameras[camera_idx].exposure
        if part is None or part.layout is None:
            return None
        name = self._begun.names[camera_idx]
        band = self._begun.limits.band("exposure.shadow_noise_stops", camera=name)
        return light_map(
            part,
            measurer.curves[camera_idx],
            newest.frames[camera_idx].grey8(),
            caution_stops=band.caution or 0.0,
            turn_deg=self._begun.turns_deg[camera_idx],
            height_px=self._map_height(camera_idx, newest),
        )

    def _map_height(self, camera_idx: int, newest: _Measured) -> int:
        size = upright_size(newest.frames[camera_idx].size_px, self._begun.turns_deg[camera_idx])
        return min(self._height_px, size[1])

    def _ready(self, shots: Sequence[Shot]) -> FaceMeasurer:
        """The measurer for pictures of this form, made anew when they change."""
        if self._measurer is not None and self._measurer.form == form_of(shots, self._begun.views):
            return self._measurer
        self.close()
        self._running = None
        self._check_sizes(shots)
        measurer = FaceMeasurer(self._begun.known, shots, self._begun.views, aside=self._aside)
        lasting = Lasting(self._watched(measurer))
        judge = FaceJudge(self._judging(measurer, shots), lasting)
        with self._lock:
            self._measurer, self._judge, self._newest, self._trouble = measurer, judge, None, ""
            self._lasting, self._fresh = lasting, None
        return measurer

    def _check_sizes(self, shots: Sequence[Shot]) -> None:
        begun = self._begun
        self._measurer = None
        for k, view in enumerate(begun.views):
            height, width = view.cut(shots[view.source_idx].image).shape[:2]
            origin = begun.requests[view.source_idx].shown
            check_size(origin, begun.names[k], (width, height), begun.known.calibration, camera_idx=k)

    def _watched(self, measurer: FaceMeasurer) -> tuple[Watched, ...]:
        begun, rig = self._begun, measurer.rig
        return tuple(
            Watched(
                name=name,
                view=view,
                mount_rotation_deg=0 if rig is None else rig.cameras[k].mount_rotation_deg,
                curve=measurer.curves[k],
                shutter_s=None if rig is None else rig.cameras[k].shutter_s,
                frame_rate=None if rig is None or rig.frame_rate is None else float(rig.frame_rate),
            )
            for k, (name, view) in enumerate(zip(begun.names, begun.views, strict=True))
        )

    def _judging(self, measurer: FaceMeasurer, shots: Sequence[Shot]) -> Judging:
        begun, known = self._begun, self._begun.known
        described = tuple(
            None if measurer.rig is None else measurer.rig.cameras[k] for k in range(len(begun.names))
        )
        optics = tuple(
            camera_optics(
                view.frame(shots[view.source_idx], camera="", origin="").size_px,
                described[k],
                calibration=known.calibration,
                camera_idx=k,
                working_distance_mm=None if known.rig is None else known.rig.working_distance_mm,
            )
            for k, view in enumerate(begun.views)
        )
        calibration = known.calibration
        return Judging(
            names=begun.names,
            optics=optics,
            curves=measurer.curves,
            described=described,
            limits=begun.limits,
            stereo=None if calibration is None or calibration.stereo is None else calibration.rig,
            proxy=known.proxy,
            approved=begun.approved,
            approval=begun.approval,
            looks=known.looks,
        )

    def _camera(self, camera_idx: int, newest: _Measured) -> CameraReading:
        part = newest.moment.cameras[camera_idx]
        if isinstance(part.face, NoFace):
            label = f"{part.face.ref.label}: "
            return CameraReading(
                camera_idx=camera_idx, sentence=_capital(part.face.sentence.removeprefix(label))
            )
        crosses = () if part.framing is None else _crosses(part.framing.face)
        return CameraReading(camera_idx=camera_idx, crosses=crosses, face=True)


def _crosses(face: UprightFace) -> tuple[Cross, ...]:
    places = {
        "nostril base": (face.nostril_base_px, float(face.nostril_base_sigma_px.max())),
        "chin": (face.chin_px, face.sigma("chin")),
    }
    places |= {name: (face.point(point), face.sigma(point)) for name, point in _CROSSES.items()}
    width, height = face.size_px
    return tuple(
        Cross(
            name=name,
            x=float(at[0] + 0.5) / width,
            y=float(at[1] + 0.5) / height,
            sigma=sigma / width,
        )
        for name, (at, sigma) in places.items()
        if at[0] == at[0] and at[1] == at[1]
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
