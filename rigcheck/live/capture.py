"""A source in a thread of its own: it holds the newest few pictures, and goes on by itself after a failure."""

import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from threading import Event, Lock, Thread

import av

from rigcheck.live.feed_device import DeviceFeed
from rigcheck.live.feed_file import FileFeed, PlayClock
from rigcheck.live.feed_folder import FolderFeed
from rigcheck.live.feed_stream import StreamFeed
from rigcheck.live.feeds import Ended, Feed, SourceLost
from rigcheck.live.shots import Shot
from rigcheck.live.sources import SourceRequest
from rigcheck.live.state import SourceKind, SourceState
from rigcheck.opencv import cv2

__all__ = ["SourceThread", "feed_of"]

# Pictures held of a source: enough to find the partner in time among the other source's.
_HELD = 4
_RATE_OVER_S = 2.0
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 8.0
_STOP_S = 8.0


def feed_of(request: SourceRequest, *, clock: PlayClock, loop: bool) -> Feed:
    """What reads a source as typed."""
    match request.kind:
        case "device":
            return DeviceFeed(request.place)
        case "stream":
            return StreamFeed(request.place, shown=request.shown)
        case "folder":
            return FolderFeed(Path(request.place))
        case "file":
            return FileFeed(Path(request.place), clock=clock, loop=loop)


class SourceThread:
    """Reads one source until it is stopped.

    Parameters
    ----------
    feed : Feed
    on_shot : callable
        Called, in this source's thread, after each picture and each change of state.

    Notes
    -----
    Never more than four pictures are held, and they turn into arrays only where somebody looks. A lost source is opened
    again after 0.5 s, then after twice as long each time, up to 8 s.
    """

    def __init__(self, feed: Feed, on_shot: Callable[[], None]) -> None:
        self._feed = feed
        self._on_shot = on_shot
        self._lock = Lock()
        self._held: deque[Shot] = deque(maxlen=_HELD)
        self._times: deque[float] = deque()
        self._trouble: SourceLost | None = None
        self._ended = False
        self._started_s = time.monotonic()
        self._stop = Event()
        self._thread = Thread(target=self._run, name=f"source {feed.name}", daemon=True)

    @property
    def name(self) -> str:
        """The source for a person."""
        return self._feed.name

    def start(self) -> None:
        """Start reading."""
        self._started_s = time.monotonic()
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Ask the thread to end, without waiting for it."""
        self._stop.set()

    def stop(self) -> bool:
        """Ask the thread to end and wait for it; False when a driver holds it longer than 8 s."""
        self.ask_to_stop()
        if self._thread.ident is not None:
            self._thread.join(_STOP_S)
        return not self._thread.is_alive()

    def newest(self) -> tuple[Shot, ...]:
        """The pictures held, oldest first."""
        with self._lock:
            return tuple(self._held)

    def state(self, camera_idx: int) -> SourceState:
        """How the source does now."""
        now = time.monotonic()
        with self._lock:
            recent = [at for at in self._times if now - at <= _RATE_OVER_S]
            last = self._times[-1] if self._times else None
            trouble, ended = self._trouble, self._ended
        since = None if last is None else now - last
        state, sentence = self._judged(trouble, ended, now - (last or self._started_s), seen=last is not None)
        return SourceState(
            camera_idx=camera_idx,
            name=self.name,
            state=state,
            sentence=sentence,
            seconds_since_picture=since,
            pictures_per_s=len(recent) / _RATE_OVER_S,
        )

    def _judged(
        self, trouble: SourceLost | None, ended: bool, since_s: float, *, seen: bool
    ) -> tuple[SourceKind, str]:
        feed = self._feed
        if ended:
            return "ended", "The file was played to its end."
        if trouble is not None:
            return "lost", f"{_capital(trouble.why)}: {trouble.remedy}. It is tried again by itself."
        if since_s <= feed.stalled_after_s:
            return ("running", "Pictures come in.") if seen else ("stalled", "The first picture is awaited.")
        what = f"No new picture for {since_s:.0f} s" if seen else f"No picture yet after {since_s:.0f} s"
        return "stalled", f"{what}: {feed.stalled_remedy}. It goes on by itself."

    def _run(self) -> None:
        wait_s = _FIRST_WAIT_S
        try:
            while not self._stop.is_set():
                try:
                    self._feed.open()
                    self._read_on()
                    return
                except (
                    SourceLost,
                    OSError,
                    ValueError,
                    RuntimeError,
                    cv2.error,
                    av.error.FFmpegError,
                ) as error:
                    if self._told(_lost(self.name, error)):
                        wait_s = _FIRST_WAIT_S
                    self._feed.close()
                    self._stop.wait(wait_s)
                    wait_s = min(2.0 * wait_s, _LONGEST_WAIT_S)
        finally:
            self._feed.close()

    def _told(self, lost: SourceLost) -> bool:
        """Note the failure; True when pictures had come since the one before."""
        with self._lock:
            fresh = self._trouble is None
            self._trouble = lost
        self._on_shot()
        return fresh

    def _read_on(self) -> None:
        """Read until stopped, ended or lost."""
        last = time.monotonic()
        while not self._stop.is_set():
            try:
                shot = self._feed.read()
            except Ended:
                with self._lock:
                    self._ended = True
                self._on_shot()
                return
            now = time.monotonic()
            if shot is not None:
                last = now
                self._take(shot, now)
            elif self._feed.lost_after_s is not None and now - last > self._feed.lost_after_s:
                raise SourceLost(f"{self.name} has fallen silent", self._feed.stalled_remedy)

    def _take(self, shot: Shot, now: float) -> None:
        with self._lock:
            self._trouble = None
            self._held.append(shot)
            self._times.append(now)
            while len(self._times) > 1 and now - self._times[0] > _RATE_OVER_S:
                self._times.popleft()
        self._on_shot()


def _lost(name: str, error: Exception) -> SourceLost:
    """What a feed said, or what a library let through."""
    if isinstance(error, SourceLost):
        return error
    return SourceLost(
        f"{name} failed ({error})", "check the source, and start the session again if it stays so"
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
