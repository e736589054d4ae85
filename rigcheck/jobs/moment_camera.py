"""One camera at one moment: its face found, then framing, focus and exposure; here, or in a process of its own."""

import signal
from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

from threadpoolctl import threadpool_limits

from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_moment import ExposureMoment, exposure_moment
from rigcheck.face.focus_moment import FocusMoment, focus_moment
from rigcheck.face.framing import CameraFraming, camera_framing
from rigcheck.face.framing_points import upright_face
from rigcheck.face.framing_pose import Optics
from rigcheck.jobs.side_process import SideContext
from rigcheck.landmarks import FaceFinder, Looks, NoFace
from rigcheck.model import FaceLandmarks, Frame
from rigcheck.opencv import cv2

__all__ = ["CameraAside", "CameraHere", "CameraMoment", "CameraSetup", "SideLost"]

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
        self._frame: Frame | None = None
        self._before: Frame | None = None

    def find(self, frame: Frame) -> FaceLandmarks | NoFace:
        if frame is not self._frame:  # asked again when the other camera's process was lost
            self._before, self._frame = self._frame, frame
        return self._finder.find(frame, mount_rotation_deg=self._setup.optics.mount_rotation_deg)

    def rest(self, face: FaceLandmarks | NoFace) -> CameraMoment:
        frame, setup = self._frame, self._setup
        if isinstance(face, NoFace) or frame is None:
            return CameraMoment(face=face)
        turn = (setup.optics.mount_rotation_deg + face.turned_deg) % 360
        return CameraMoment(
            face=face,
            framing=camera_framing(face.ref.camera, (upright_face(face, turn),), setup.optics),
            focus=focus_moment(frame, face, before=self._before),
            exposure=exposure_moment(
                frame,
                face,
                setup.curve,
                facial_hair=setup.looks.facial_hair,
                hair_over_brows=setup.looks.hair_over_brows,
            ),
        )


class SideLost(Exception):
    """The process of a camera has ended without having been asked to."""


class CameraHere:
    """A camera measured by threads of this process. What is begun is given as a function that waits for it."""

    def __init__(self, setup: CameraSetup, threads: Executor) -> None:
        self._measuring = _Measuring(setup)
        self._threads = threads

    def find(self, frame: Frame) -> Callable[[], FaceLandmarks | NoFace]:
        """Begin to find the face of the next picture."""
        return self._threads.submit(self._measuring.find, frame).result

    def rest(self, face: FaceLandmarks | NoFace) -> Callable[[], CameraMoment]:
        """Begin to measure the rest of that picture."""
        return self._threads.submit(self._measuring.rest, face).result

    def close(self) -> None:
        """Nothing to let go."""


class CameraAside:
    """A camera measured in a process of its own: Python's threads take turns, two processes take two cores.

    Notes
    -----
    Starting takes a second or two. Each picture is copied there, each result back. Asked and waited for by one thread
    at a time, in turn. When the process is lost, :class:`SideLost` is raised. It ends with this one, however that ends.
    """

    def __init__(self, setup: CameraSetup) -> None:
        context = SideContext()
        self._line, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, setup), daemon=True)
        self._process.start()
        theirs.close()
        self._unread = 0

    def find(self, frame: Frame) -> Callable[[], FaceLandmarks | NoFace]:
        """Begin to find the face of the next picture."""
        return self._asked("find", frame)

    def rest(self, face: FaceLandmarks | NoFace) -> Callable[[], CameraMoment]:
        """Begin to measure the rest of that picture."""
        return self._asked("rest", face)

    def close(self) -> None:
        """End the process."""
        self._line.close()
        self._process.join(_END_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()

    def _asked(self, what: str, about: object) -> Callable[[], Any]:
        try:
            while self._unread:  # nobody waited for it, since the other camera failed first
                self._read()
            self._line.send((what, about))
        except (EOFError, OSError) as error:
            raise SideLost from error
        self._unread += 1
        return self._answer

    def _read(self) -> object:
        answer = self._line.recv()
        self._unread -= 1
        return answer

    def _answer(self) -> object:
        try:
            answer = self._read()
        except (EOFError, OSError) as error:
            raise SideLost from error
        if isinstance(answer, BaseException):
            raise answer
        return answer


def _serve(line: Connection, setup: CameraSetup) -> None:
    """Answer what is asked until nobody is there any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where the context could not keep it away
    cv2.setNumThreads(1)
    threadpool_limits(limits=1, user_api="blas")
    measuring = _Measuring(setup)
    with line, suppress(EOFError, OSError):
        while True:
            what, about = line.recv()
            answer: object
            try:
                answer = measuring.find(about) if what == "find" else measuring.rest(about)
            except Exception as error:  # told where it is waited for
                answer = error
            line.send(answer)
