"""The moments since the hand last moved something, judged as `fitting` judges a clip."""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from threading import Lock

import numpy as np

from rigcheck.checks import EXPOSURE_CHECKS, FOCUS_CHECKS, FRAMING_CHECKS, Limits, run_checks
from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_run import CameraExposed, exposure_run
from rigcheck.face.fitting_run import CameraSeen, fitting_run
from rigcheck.face.focus_pair import FocusPair
from rigcheck.face.focus_run import CameraFocused, FocusRun, focus_run
from rigcheck.face.framing_points import upright_face
from rigcheck.face.framing_pose import Optics
from rigcheck.geometry.spread import evenly
from rigcheck.jobs.fitting_focus import PROXY_FOCUS
from rigcheck.jobs.fitting_light import PROXY_LIGHT
from rigcheck.jobs.moment import CameraMoment, Moment
from rigcheck.landmarks import NoFace
from rigcheck.live.answers import answer_of, no_face_answer, not_judged_answer, settled
from rigcheck.live.lasting import Lasting
from rigcheck.live.signals import focus_signals, framing_signals, light_signals
from rigcheck.live.state import Answer, Subject
from rigcheck.live.steady import SURELY_AFTER, ChangeWatch, steadied
from rigcheck.model import (
    ApprovedFitting,
    CameraDescription,
    Estimate,
    FaceLandmarks,
    PerformerLooks,
    Report,
    StereoRig,
)

__all__ = ["SUBJECTS", "FaceJudge", "Judging"]

SUBJECTS: tuple[Subject, ...] = ("framing", "focus", "light")
# Moments judged together: the newest of these seconds, and no more than that.
_AGE_S, _MOST = 3.0, 45
# Of them as many are judged, spread over the time.
_JUDGED = 15
# Matched skin is made seldom and counts longer, and the planes of focus are fitted to it seldom: half a second of
# processor time each. At once when the first two are there, which hold enough patches.
_FIRST_PAIRS, _MOST_PAIRS, _PAIR_AGE_S, _PAIR_EVERY_S, _PLANES_EVERY_S = 2, 3, 8.0, 1.5, 4.0
# The widest mouths since the last move say what room the jaw needs.
_WIDEST = 3
# Without a face for this long a camera is said to show none.
_FACELESS_S = 0.7


@dataclass(frozen=True, kw_only=True, eq=False)
class Judging:
    """What judging needs beside the moments; one entry a camera."""

    names: tuple[str, ...]
    optics: tuple[Optics, ...]
    curves: tuple[LightCurve, ...]
    described: tuple[CameraDescription | None, ...]
    limits: Limits
    stereo: StereoRig | None = None
    proxy: bool = False
    approved: Report | None = None
    approval: ApprovedFitting | None = None
    looks: PerformerLooks = field(default_factory=PerformerLooks)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Taken:
    """One subject's moments as they are judged: of each camera, and what is shown of them."""

    parts: tuple[tuple[CameraMoment, ...], ...]
    held: Mapping[str, Estimate]
    round: int

    def faces(self, camera_idx: int) -> list[FaceLandmarks]:
        """Those pictures of a camera that show a face, in the order of time."""
        found = (part.face for part in self.parts[camera_idx])
        return [face for face in found if isinstance(face, FaceLandmarks)]


@dataclass(eq=False)
class _Subject:
    """One subject's moments since its last move, what is shown of it, and what was found last."""

    watch: ChangeWatch = field(default_factory=ChangeWatch)
    moments: deque[tuple[float, Moment]] = field(default_factory=lambda: deque(maxlen=_MOST))
    held: Mapping[str, Estimate] = field(default_factory=dict)
    shown: Answer | None = None
    found: Answer | None = None
    moved: bool = True
    round: int = 0

    def restart(self) -> None:
        """Forget what came before a move."""
        kept = list(self.moments)[-SURELY_AFTER:]
        self.moments.clear()
        self.moments.extend(kept)
        self.held, self.moved = {}, True
        self.round += 1

    def take(self, at_s: float, moment: Moment) -> None:
        """Take the newest moment, and let those go that are too old."""
        self.moments.append((at_s, moment))
        while self.moments and at_s - self.moments[0][0] > _AGE_S:
            self.moments.popleft()

    def taken(self, cameras: int) -> _Taken:
        """What is to be judged now."""
        chosen = evenly([moment for _, moment in self.moments], _JUDGED)
        parts = tuple(tuple(moment.cameras[k] for moment in chosen) for k in range(cameras))
        return _Taken(parts=parts, held=self.held, round=self.round)

    def settle(self, now: Answer, held: Mapping[str, Estimate], judged_round: int) -> Answer:
        """Show an answer; one that was judged before the newest move is dropped."""
        if judged_round != self.round and self.shown is not None:
            return self.shown
        self.held = held
        self.shown = settled(self.shown, self.found, now, moved=self.moved)
        self.found, self.moved = now, False
        return self.shown


@dataclass(frozen=True, kw_only=True, eq=False)
class _Found:
    """One subject judged: its answer, and its numbers as they are held."""

    answer: Answer
    held: Mapping[str, Estimate] = field(default_factory=dict)


class FaceJudge:
    """Takes moments in one thread and gives the three answers in another.

    Parameters
    ----------
    known : Judging
    lasting : Lasting, optional
        What shows only over more seconds, for whoever fills it.

    Notes
    -----
    Each subject is judged over its moments of the last three seconds, but never across a move: of the boom (which
    concerns all three), of the focus ring, or of the light. Numbers are then held while they stray within their sigma.
    """

    def __init__(self, known: Judging, lasting: Lasting | None = None) -> None:
        self._known = known
        self._lasting = lasting or Lasting(())
        self._lock = Lock()
        self._subjects = {name: _Subject() for name in SUBJECTS}
        self._pairs: deque[tuple[float, FocusPair]] = deque(maxlen=_MOST_PAIRS)
        self._widest: list[list[FaceLandmarks]] = [[] for _ in known.names]
        self._last_face_s = [float("-inf")] * len(known.names)
        self._no_face: list[NoFace | None] = [None] * len(known.names)
        self._focus: FocusRun | None = None
        self._planes: dict[str, Estimate] = {}
        self._planes_at_s = float("-inf")

    def wants_pair(self, at_s: float) -> bool:
        """Whether the skin of the moment at `at_s` is to be matched between the cameras."""
        if self._known.stereo is None or self._known.proxy:
            return False
        with self._lock:
            return len(self._pairs) < _FIRST_PAIRS or at_s - self._pairs[-1][0] >= _PAIR_EVERY_S

    @property
    def focus(self) -> FocusRun | None:
        """The steady numbers of focus judged last."""
        with self._lock:
            return self._focus

    def take(self, moment: Moment, at_s: float) -> bool:
        """Take the newest moment; True when the hand has moved something."""
        with self._lock:
            for subject in self._subjects.values():
                subject.take(at_s, moment)
            moved = self._note_faces(moment, at_s) and self._note_moves(moment)
            if moment.pair is not None:
                self._pairs.append((at_s, moment.pair))
            while self._pairs and at_s - self._pairs[0][0] > _PAIR_AGE_S:
                self._pairs.popleft()
            self._keep_widest(moment)
        return moved

    def answers(self, now_s: float) -> tuple[Answer, ...]:
        """Give the three answers, as steady as the moments allow.

        Parameters
        ----------
        now_s : float
            Time of the newest moment taken.
        """
        with self._lock:
            taken = {name: self._subjects[name].taken(len(self._known.names)) for name in SUBJECTS}
            pairs = list(self._pairs)
            widest = [list(kept) for kept in self._widest]
            missing = self._missing(now_s, taken["framing"])
        if missing is not None:
            reason, camera = missing
            both = len(self._known.names) > 1
            found = {
                name: _Found(answer=no_face_answer(name, reason, camera=camera, both=both))
                for name in SUBJECTS
            }
        else:
            found = {
                "framing": self._framing(taken["framing"], widest, now_s),
                "focus": self._focused(taken["focus"], pairs),
                "light": self._lit(taken["light"], now_s),
            }
        with self._lock:
            return tuple(
                self._subjects[name].settle(found[name].answer, found[name].held, taken[name].round)
                for name in SUBJECTS
            )

    def _note_faces(self, moment: Moment, at_s: float) -> bool:
        for k, part in enumerate(moment.cameras):
            if isinstance(part.face, FaceLandmarks):
                self._last_face_s[k], self._no_face[k] = at_s, None
            else:
                self._no_face[k] = part.face
        return all(each is None for each in self._no_face)

    def _note_moves(self, moment: Moment) -> bool:
        """Restart what has moved: with the frame everything, else focus or light alone."""
        found = {
            "framing": framing_signals(moment),
            "focus": focus_signals(moment),
            "light": light_signals(moment),
        }
        moved = {name for name in SUBJECTS if self._subjects[name].watch.moved(found[name])}
        if "framing" in moved:
            for name in set(SUBJECTS) - moved:
                self._subjects[name].watch.forget()
            moved = set(SUBJECTS)
            self._widest = [[] for _ in self._known.names]
        if moved & {"framing", "focus"}:
            self._pairs.clear()
            self._planes, self._planes_at_s = {}, float("-inf")
        for name in moved:
            self._subjects[name].restart()
        return bool(moved)

    def _keep_widest(self, moment: Moment) -> None:
        for kept, part in zip(self._widest, moment.cameras, strict=True):
            if isinstance(part.face, FaceLandmarks):
                kept.append(part.face)
                kept.sort(key=_mouth_gap, reverse=True)
                del kept[_WIDEST:]

    def _missing(self, now_s: float, taken: _Taken) -> tuple[NoFace, str] | None:
        """Why a camera has shown no face for a while."""
        for k, reason in enumerate(self._no_face):
            recent = now_s - self._last_face_s[k] <= _FACELESS_S
            if reason is not None and not (recent and taken.faces(k)):
                return reason, self._known.names[k]
        return None

    def _framing(self, taken: _Taken, widest: Sequence[Sequence[FaceLandmarks]], now_s: float) -> _Found:
        known = self._known
        seen = [self._seen(k, taken, widest[k]) for k in range(len(known.names))]
        if not all(one.faces for one in seen):
            answer = Answer(
                subject="framing", status="inconclusive", headline="Looking for the face", move=""
            )
            return _Found(answer=answer)
        run = fitting_run(seen, rig=known.stereo, approved=known.approved)
        run = self._lasting.into_framing(run, now_s)
        run = replace(
            run,
            looks=known.looks,
            approved_looks=None if known.approval is None else known.approval.looks,
            measurements=steadied(taken.held, run.measurements),
        )
        answer = answer_of("framing", run_checks(FRAMING_CHECKS, run, known.limits))
        return _Found(answer=answer, held=run.measurements)

    def _seen(self, camera_idx: int, taken: _Taken, widest: Sequence[FaceLandmarks]) -> CameraSeen:
        """The faces since the last move, in the order of time, the widest mouths among them."""
        near = taken.faces(camera_idx)
        before = [face for face in widest if all(face is not each for each in near)]
        faces = sorted((*before, *near), key=lambda face: face.ref.frame_idx)
        return CameraSeen(
            optics=self._known.optics[camera_idx],
            name=self._known.names[camera_idx],
            faces=tuple(faces),
            looked=len(taken.parts[camera_idx]) + len(before),
        )

    def _focused(self, taken: _Taken, pairs: Sequence[tuple[float, FocusPair]]) -> _Found:
        known = self._known
        if known.proxy:
            return _Found(answer=not_judged_answer("focus", PROXY_FOCUS))
        cameras = [
            CameraFocused(
                name=name,
                moments=tuple(part.focus for part in taken.parts[k] if part.focus is not None),
                described=known.described[k],
            )
            for k, name in enumerate(known.names)
        ]
        run = focus_run(cameras)
        planes = self._fitted_planes(cameras, pairs, run)
        # Until the planes are fitted, focus is judged by detail, as without a calibration.
        run = replace(
            run, measurements=steadied(taken.held, planes | dict(run.measurements)), calibrated=bool(planes)
        )
        with self._lock:
            self._focus = run
        return _Found(
            answer=answer_of("focus", run_checks(FOCUS_CHECKS, run, known.limits)), held=run.measurements
        )

    def _fitted_planes(
        self, cameras: Sequence[CameraFocused], pairs: Sequence[tuple[float, FocusPair]], bare: FocusRun
    ) -> dict[str, Estimate]:
        """What matched skin adds to the numbers; fitted anew only now and then."""
        with self._lock:
            planes, at_s = self._planes, self._planes_at_s
        if len(pairs) < _FIRST_PAIRS or pairs[-1][0] - at_s < _PLANES_EVERY_S:
            return planes
        full = focus_run(cameras, [pair for _, pair in pairs], self._known.stereo)
        planes = {name: number for name, number in full.measurements.items() if name not in bare.measurements}
        with self._lock:
            # A move while this was fitted makes it out of date.
            if self._pairs and self._pairs[0][0] <= pairs[-1][0]:
                self._planes, self._planes_at_s = planes, pairs[-1][0]
        return planes

    def _lit(self, taken: _Taken, now_s: float) -> _Found:
        known = self._known
        if known.proxy:
            return _Found(answer=not_judged_answer("light", PROXY_LIGHT))
        cameras = [
            CameraExposed(
                name=name,
                curve=known.curves[k],
                moments=tuple(part.exposure for part in taken.parts[k] if part.exposure is not None),
            )
            for k, name in enumerate(known.names)
        ]
        run = self._lasting.into_light(exposure_run(cameras), now_s)
        run = replace(run, measurements=steadied(taken.held, run.measurements))
        return _Found(
            answer=answer_of("light", run_checks(EXPOSURE_CHECKS, run, known.limits)), held=run.measurements
        )


def _mouth_gap(face: FaceLandmarks) -> float:
    # The gap between the lips does not depend on how the picture is turned.
    gap = upright_face(face, 0).mouth_gap
    return gap if np.isfinite(gap) else -1.0
