"""One camera at one moment: its face found, then framing, focus and exposure; here, or in a process of its own."""

import signal
from collections.abc import Callable, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import Connection
from multiprocessing.connection import wait as wait_for_line
from typing import Any

from threadpoolctl import threadpool_limits

from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_moment import ExposureMoment, exposure_moment
from rigcheck.face.focus_moment import FocusMoment, focus_moment
from rigcheck.face.framing import CameraFraming, camera_framing
from rigcheck.face.framing_points import upright_face
from rigcheck.face.framing_pose import Optics
from rigcheck.jobs.shared_pictures import SharedPictures
from rigcheck.jobs.side_process import SideContext, keep_freed_memory
from rigcheck.landmarks import FaceFinder, Looks, NoFace
from rigcheck.model import FaceLandmarks, Frame
from rigcheck.opencv import cv2

__all__ = [
    "BegunCamera",
    "CameraAside",
    "CameraHere",
    "CameraMoment",
    "CameraSetup",
    "SideLost",
    "first_done",
]

# Painted dots do not come from picture to picture: after so many faces without they are looked for now and then.
_DOTLESS, _DOTS_EVERY = 2, 15
_END_S = 5.0  # within which a process that is let go has to end


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraMoment:
    """One camera's part. Without a face, `face` says why and nothing else is measured."""

    face: FaceLandmarks | NoFace
    framing: CameraFraming | None = None
    focus: FocusMoment | None = None
    exposure: ExposureMoment | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraSetup:
    """What is known of a camera before its first picture."""

    optics: Optics
    curve: LightCurve
    looks: Looks


class _Measuring:
    """Measures picture after picture of one camera: first :meth:`find`, then :meth:`rest` of the same picture."""

    def __init__(self, setup: CameraSetup) -> None:
        self._setup = setup
        self._finder = FaceFinder(setup.looks)
        self._before: Frame | None = None
        self._dotless = 0  # faces in a row

    def find(self, frame: Frame) -> FaceLandmarks | NoFace:
        face = self._finder.find(
            frame,
            mount_rotation_deg=self._setup.optics.mount_rotation_deg,
            dotted=self._dotless < _DOTLESS or self._dotless % _DOTS_EVERY == 0,
        )
        plain = isinstance(face, FaceLandmarks) and all(each.code != "dots" for each in face.findings)
        self._dotless = self._dotless + 1 if plain else 0
        return face

    def rest(self, frame: Frame, face: FaceLandmarks | NoFace) -> CameraMoment:
        before, self._before = self._before, frame
        if isinstance(face, NoFace):
            return CameraMoment(face=face)
        setup = self._setup
        turn = (setup.optics.mount_rotation_deg + face.turned_deg) % 360
        return CameraMoment(
            face=face,
            framing=camera_framing(face.ref.camera, (upright_face(face, turn),), setup.optics),
            focus=focus_moment(frame, face, before=before),
            exposure=exposure_moment(
                frame,
                face,
                setup.curve,
                facial_hair=setup.looks.facial_hair,
                hair_over_brows=setup.looks.hair_over_brows,
            ),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class BegunCamera:
    """A picture that is being measured: functions that wait for its face alone, and for all of it.

    `done` shows that something is there to be had: a future, or the line to a process.
    """

    face: Callable[[], FaceLandmarks | NoFace]
    whole: Callable[[], CameraMoment]
    done: Future[CameraMoment] | Connection


class SideLost(Exception):
    """The process of a camera has ended without having been asked to."""


class CameraHere:
    """A camera measured by a thread of this process, picture after picture."""

    def __init__(self, setup: CameraSetup) -> None:
        self._measuring = _Measuring(setup)
        self._thread = ThreadPoolExecutor(max_workers=1)

    def begin(self, frame: Frame, *, face_first: bool) -> BegunCamera:
        """Begin to measure the next picture; `face_first` says that its face will be asked for."""
        found = self._thread.submit(self._measuring.find, frame)
        whole = self._thread.submit(lambda: self._measuring.rest(frame, found.result()))
        return BegunCamera(face=found.result, whole=whole.result, done=whole)

    def forget(self) -> None:
        """Nobody will wait for what is begun."""

    def let_go(self) -> None:
        """Ask for nothing more."""

    def close(self) -> None:
        """Let the thread go."""
        self._thread.shutdown()


class CameraAside:
    """A camera measured in a process of its own: Python's threads take turns, two processes take two cores.

    Notes
    -----
    Starting takes a second or two. Each picture is put into memory that both see, each result copied back. Asked and
    waited for by one thread at a time, in turn; two pictures may be begun at once. When the process is lost,
    :class:`SideLost` is raised where its answer is waited for. It ends with this one, however that ends.
    """

    def __init__(self, setup: CameraSetup) -> None:
        context = SideContext()
        self._line, theirs = context.Pipe()
        self._pictures = SharedPictures()
        self._process = context.Process(target=_serve, args=(theirs, self._pictures, setup), daemon=True)
        self._process.start()
        theirs.close()
        self._unread = 0

    def begin(self, frame: Frame, *, face_first: bool) -> BegunCamera:
        """Begin to measure the next picture; `face_first` says that its face will be asked for, before the whole."""
        with suppress(OSError):
            self._line.send((self._pictures.put(frame), face_first))
        self._unread += 1 + face_first
        return BegunCamera(face=self._answer, whole=self._answer, done=self._line)

    def forget(self) -> None:
        """Read away what nobody will wait for any more."""
        with suppress(EOFError, OSError):
            while self._unread:
                self._read()

    def let_go(self) -> None:
        """Ask for nothing more: the process ends by itself."""
        self._line.close()

    def close(self) -> None:
        """End the process."""
        self.let_go()
        self._pictures.close()
        self._process.join(_END_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()

    def _read(self) -> object:
        self._unread -= 1
        return self._line.recv()

    def _answer(self) -> Any:  # noqa: ANN401 - of whichever was asked for next
        if not self._unread:
            raise ValueError("nothing is awaited of this camera")
        try:
            answer = self._read()
        except (EOFError, OSError) as error:
            raise SideLost from error
        if isinstance(answer, BaseException):
            raise answer
        return answer


def first_done(begun: Iterable[BegunCamera]) -> None:
    """Wait until one of several cameras has something to be had, or is lost."""
    every = [camera.done for camera in begun]
    futures = [each for each in every if isinstance(each, Future)]
    if futures:
        wait(futures, return_when=FIRST_COMPLETED)
        return
    with suppress(OSError):  # closed meanwhile
        wait_for_line([each for each in every if not isinstance(each, Future)])


def _serve(line: Connection, pictures: SharedPictures, setup: CameraSetup) -> None:
    """Answer what is asked until nobody is there any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where the context could not keep it away
    keep_freed_memory()
    cv2.setNumThreads(1)
    threadpool_limits(limits=1, user_api="blas")
    measuring = _Measuring(setup)
    with line, suppress(EOFError, OSError):
        while True:
            sent, face_first = line.recv()
            frame = pictures.get(sent)
            face = _tried(partial(measuring.find, frame))
            if face_first:
                line.send(face)
            failed = isinstance(face, Exception)
            line.send(face if failed else _tried(partial(measuring.rest, frame, face)))


def _tried(work: Callable[[], object]) -> Any:  # noqa: ANN401 - what the work gives, or what it failed by
    """What some work gives; an error is told where it is waited for."""
    try:
        return work()
    except Exception as error:
        return error
