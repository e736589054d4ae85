"""Video files played at their own rate, so that everything can be tried without a camera."""

import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from threading import Lock

import av

from rigcheck.errors import InputError
from rigcheck.footage.containers import opened, picture_streams
from rigcheck.footage.video import threaded
from rigcheck.live.decoded import DecodedShots
from rigcheck.live.feeds import Ended, SourceLost
from rigcheck.live.shots import Shot

__all__ = ["FileFeed", "PlayClock"]

_USUAL_RATE = 30.0
# A reader this late makes time wait, for both files of a pair alike.
_LATE_S = 0.25
_NAP_S = 0.2


class PlayClock:
    """When a picture of a played file is due; shared by the files of a pair, so that they stay together."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._start_s: float | None = None

    def due_s(self, played_s: float) -> float:
        """Monotonic time at which `played_s` from the start is due; the first question starts the clock."""
        with self._lock:
            if self._start_s is None:
                self._start_s = time.monotonic() - played_s
            return self._start_s + played_s

    def wait_for(self, late_s: float) -> None:
        """Make time wait for a reader that cannot keep up."""
        with self._lock:
            if self._start_s is not None:
                self._start_s += late_s


class FileFeed:
    """A video file.

    Parameters
    ----------
    path : Path
    clock : PlayClock
    loop : bool
        Play it again when it ends.
    """

    stalled_after_s: float = 1.0
    lost_after_s: float | None = None
    stalled_remedy = "the disk or this machine is too slow for the file"

    def __init__(self, path: Path, *, clock: PlayClock, loop: bool = False) -> None:
        self.name = str(path)
        self._path = path
        self._clock = clock
        self._loop = loop
        self._shots = DecodedShots(self.name)
        self._open = ExitStack()
        self._pictures: Iterator[tuple[float, av.VideoFrame]] = iter(())
        self._waiting: tuple[float, av.VideoFrame] | None = None
        self._before_s = 0.0  # played in earlier rounds
        self._last_s = 0.0
        self._period_s = 1.0 / _USUAL_RATE

    def open(self) -> None:
        """Open the file at its start."""
        self.close()
        try:
            container = self._open.enter_context(opened(self._path))
        except InputError as error:
            raise SourceLost(error.message, error.hint) from error
        streams = picture_streams(container)
        if not streams:
            raise SourceLost(f"{self.name} holds no pictures", "name a video file")
        threaded(streams[0])
        rate = streams[0].guessed_rate or streams[0].average_rate
        self._period_s = 1.0 / float(rate) if rate else 1.0 / _USUAL_RATE
        self._pictures = self._timed(container, streams[0])

    def read(self) -> Shot | None:
        """The next picture when it is due; None while it is not."""
        if self._waiting is None:
            self._waiting = next(self._pictures, None)
            if self._waiting is None:
                self._at_end()
                return None
        played_s, frame = self._waiting
        due = self._clock.due_s(self._before_s + played_s)
        ahead = due - time.monotonic()
        if ahead > _NAP_S:
            time.sleep(_NAP_S)
            return None
        if ahead > 0:
            time.sleep(ahead)
        elif -ahead > _LATE_S:
            self._clock.wait_for(-ahead)
        self._waiting, self._last_s = None, played_s
        return self._shots.shot(frame, due)

    def close(self) -> None:
        """Close the file."""
        self._pictures, self._waiting = iter(()), None
        self._open.close()

    def _at_end(self) -> None:
        if not self._loop:
            raise Ended
        self._before_s += self._last_s + self._period_s
        self.open()

    def _timed(
        self, container: av.container.InputContainer, stream: av.video.stream.VideoStream
    ) -> Iterator[tuple[float, av.VideoFrame]]:
        """Pictures with their times from the first one's."""
        start = None
        try:
            for count, frame in enumerate(container.decode(stream)):
                at = count * self._period_s if frame.time is None else float(frame.time)
                start = at if start is None else start
                yield at - start, frame
        except av.error.FFmpegError as error:
            raise SourceLost(
                f"{self.name} cannot be read on ({error.strerror})", "copy the file again"
            ) from error
