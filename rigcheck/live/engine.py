"""The live session: sources, measuring, judging and keeping put together, each in a thread of its own."""

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from threading import Condition, Event, Lock, Thread

from rigcheck.errors import ConfigError, RigcheckError
from rigcheck.live.ageing import OLD_AFTER_S, aged, aged_board, why_old
from rigcheck.live.beginning import Begun, begin
from rigcheck.live.board_session import BoardSession
from rigcheck.live.capture import SourceThread, feed_of
from rigcheck.live.face_session import FaceSession
from rigcheck.live.feed_file import PlayClock
from rigcheck.live.keep import Keeper
from rigcheck.live.measuring import newest_together
from rigcheck.live.options import LiveOptions
from rigcheck.live.pictures import PicturesForPage
from rigcheck.live.rates import Rate
from rigcheck.live.safety import safety_line
from rigcheck.live.shots import Shot
from rigcheck.live.state import Answer, BoardReading, Kept, LiveReading, Mode, Picture, SourceState
from rigcheck.live.stills import Still, stills_of

__all__ = ["LiveEngine"]

# A moment older than this is not kept as "now".
_STALE_S = 3.0
_BURST_S = 1.0
# What is being kept is written to its end; a measurement, whose processes may only be starting, is not waited for long.
_JOIN_S, _KEEP_S = 5.0, 300.0
_LEAST_CALIBRATED = 3


class LiveEngine:
    """A live session. All methods may be called from any thread.

    Parameters
    ----------
    options : LiveOptions

    Raises
    ------
    RigcheckError
        When sources or files are wrong, or do not belong together. Nothing is opened yet.

    Notes
    -----
    A thread a source, one that measures (with two of its own), one that judges, and one while something is kept.
    Nothing is written before :meth:`keep` or :meth:`calibrate`. Use it in a ``with`` statement, or call :meth:`stop`.
    """

    def __init__(self, options: LiveOptions) -> None:
        self._options = options
        self._begun: Begun = begin(options)
        self._changed = Condition()
        self._number = 0
        self._mode: Mode = options.mode
        self._stop = Event()
        clock = PlayClock()
        self._sources = [
            SourceThread(feed_of(request, clock=clock, loop=options.loop), self._tell)
            for request in self._begun.requests
        ]
        self._pages = [PicturesForPage(view, options.picture_height_px) for view in self._begun.views]
        self._face = FaceSession(self._begun, height_px=options.picture_height_px, aside=options.aside)
        self._board = None if self._begun.board is None else BoardSession(self._begun, self._tell)
        self._keeper = Keeper(options.out, self._begun.names, inputs=self._begun.inputs)
        self._record = self._begun.record
        self._keeping = ""
        self._kept: tuple[Kept, ...] = ()
        self._keep_lock = Lock()
        self._measured = Rate()
        self._threads: list[Thread] = []
        if options.mode == "board":
            self._check_board()

    def __enter__(self) -> "LiveEngine":
        """Start."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop."""
        self.stop()

    def start(self) -> None:
        """Open the sources and start measuring; returns at once."""
        for source in self._sources:
            source.start()
        for name, work in (("measuring", self._measure_on), ("judging", self._judge_on)):
            self._start_thread(name, work)

    def stop(self) -> None:
        """End everything: threads joined, devices released, pictures being kept written to the end."""
        self._stop.set()
        for source in self._sources:
            source.ask_to_stop()
        self._face.hurry()
        self._tell()
        for thread in list(self._threads):
            thread.join(_KEEP_S if thread.name.startswith("keeping") else _JOIN_S)
        for source in self._sources:
            source.stop()
        self._face.close()
        if self._board is not None:
            self._board.close()

    def picture(self, camera_idx: int, after: int = -1) -> Picture | None:
        """The newest upright picture of a camera; None when there is none newer than number `after`."""
        held = self._sources[self._begun.views[camera_idx].source_idx].newest()
        if not held or held[-1].number <= after:
            return None
        return self._pages[camera_idx].of(held[-1], self._begun.turns_deg[camera_idx])

    def wait_picture(self, camera_idx: int, after: int, timeout_s: float) -> Picture | None:
        """The same, waiting for one at most so long."""
        source = self._sources[self._begun.views[camera_idx].source_idx]

        def there() -> bool:
            held = source.newest()
            return self._stop.is_set() or bool(held and held[-1].number > after)

        with self._changed:
            self._changed.wait_for(there, timeout_s)
        return self.picture(camera_idx, after)

    def reading(self) -> LiveReading:
        """All that is known now."""
        now = time.monotonic()
        with self._changed:
            number, mode, keeping, kept = self._number, self._mode, self._keeping, self._kept
            record = self._record
        session = self._board if mode == "board" and self._board is not None else self._face
        at = session.measured_at_s
        sources = tuple(self._sources[view.source_idx].state(k) for k, view in enumerate(self._begun.views))
        return LiveReading(
            number=number,
            mode=mode,
            sources=sources,
            cameras=session.cameras(),
            answers=self._answers(sources, now) if mode == "face" else (),
            board=self._board_reading(now) if mode == "board" else None,
            measured_per_s=self._measured.per_s(now),
            age_ms=None if at is None else 1000.0 * max(now - at, 0.0),
            safety=safety_line(record, rest_after_min=self._options.rest_after_min),
            keeping=keeping,
            kept=kept,
        )

    def wait_reading(self, after: int, timeout_s: float) -> LiveReading:
        """Give the reading once its number is above `after`, or after this long."""
        with self._changed:
            self._changed.wait_for(lambda: self._stop.is_set() or self._number > after, timeout_s)
        return self.reading()

    def map_png(self, kind: str, camera_idx: int) -> bytes | None:
        """A transparent overlay for the page's picture, kind "focus" or "light"; None while there is none."""
        if kind not in ("focus", "light"):
            raise ConfigError(
                f"map {kind!r}: unknown, 'focus' or 'light' needed.", hint="ask for one of them."
            )
        if self._age_s(self._face.measured_at_s, time.monotonic()) > OLD_AFTER_S:
            return None
        return self._face.focus_map(camera_idx) if kind == "focus" else self._face.light_map(camera_idx)

    def set_mode(self, mode: Mode) -> None:
        """Look for the face or for the board."""
        if mode not in ("face", "board"):
            raise ConfigError(
                f"mode {mode!r}: unknown, 'face' or 'board' needed.", hint="ask for one of them."
            )
        if mode == "board":
            self._check_board()
        with self._changed:
            self._mode = mode
        self._tell()

    def keep(self) -> str:
        """Start keeping the moment: stills of each camera and a `fitting` report, in the out folder.

        Returns
        -------
        str
            The name of its numbered folder. How it went shows in ``LiveReading.kept``.

        Raises
        ------
        RigcheckError
            When something is being kept already, a source gives no pictures, or the folder cannot be written.
        """
        if not self._shown_now():
            raise ConfigError(
                "Nothing to keep: a camera has shown no picture in the last 3 s.",
                hint="wait until both pictures move, then keep again.",
            )
        name = self._claim("moment")
        self._start_thread(f"keeping {name}", lambda: self._keep(name))
        return name

    def calibrate(self) -> str:
        """Start `calibrate` on the views of the board kept so far; the result shows in ``LiveReading.kept``.

        Raises
        ------
        RigcheckError
            As of :meth:`keep`, and when too few views are kept.
        """
        if self._board is None:
            raise _no_board()
        moments = self._board.stills
        if len(moments) < _LEAST_CALIBRATED:
            raise ConfigError(
                f"{len(moments)} views of the board are kept, {_LEAST_CALIBRATED} or more needed.",
                hint="go on in board mode until it says enough.",
            )
        name = self._claim("calibration")
        self._start_thread(f"keeping {name}", lambda: self._calibrate(name, moments))
        return name

    def _check_board(self) -> None:
        if self._board is None:
            raise _no_board()
        self._board.refuse_proxy()

    def _start_thread(self, name: str, work: Callable[[], None]) -> None:
        thread = Thread(target=work, name=name, daemon=True)
        self._threads = [each for each in self._threads if each.is_alive()] + [thread]
        thread.start()

    def _tell(self) -> None:
        with self._changed:
            self._number += 1
            self._changed.notify_all()

    def _together(self) -> tuple[tuple[Shot, ...], float] | None:
        return newest_together([source.newest() for source in self._sources])

    def _answers(self, sources: Sequence[SourceState], now_s: float) -> tuple[Answer, ...]:
        answers, at_s = self._face.answers
        return aged(answers, self._age_s(at_s, now_s), why_old(sources))

    def _board_reading(self, now_s: float) -> BoardReading | None:
        if self._board is None:
            return None
        return aged_board(self._board.reading(), self._age_s(self._board.measured_at_s, now_s))

    def _age_s(self, at_s: float | None, now_s: float) -> float:
        """How old what was measured is; a still is of now until the next, while its folder is there."""
        if at_s is None:
            return 0.0
        stills = [each.kind == "folder" for each in self._begun.requests]
        if any(stills) and not any(source.state(0).state == "lost" for source in self._sources):
            found = self._together()
            if found is not None and at_s >= min(shot.captured_at_s for shot in found[0]):
                return 0.0
        return now_s - at_s

    def _shown_now(self) -> bool:
        """Whether each source's newest picture is of now; a still stays so until the next."""
        now = time.monotonic()
        for source, request in zip(self._sources, self._begun.requests, strict=True):
            held = source.newest()
            if not held or (request.kind != "folder" and now - held[-1].captured_at_s > _STALE_S):
                return False
        return True

    def _claim(self, kind: str) -> str:
        """Take the next name and say that pictures are being kept."""
        with self._keep_lock:
            if self._keeping:
                raise ConfigError(self._keeping, hint="wait until that is done.")
            self._keeper.check()
            name = self._keeper.next_name(kind)
            what = "Pictures are being kept" if kind == "moment" else "Views of the board are being kept"
            with self._changed:
                self._keeping = f"{what} in {self._keeper.out / name}."
        self._tell()
        return name

    def _done(self, kept: Kept) -> None:
        with self._changed:
            self._kept = (*self._kept, kept)
            self._keeping = ""
        self._tell()

    def _keep(self, name: str) -> None:
        try:
            moments = self._burst()
            given = self._begun.given
            described = self._face.rig_as_read
            if described != self._begun.known.rig and not self._begun.known.tables:
                given = replace(given, rig=described)  # stills do not say which range their values have
            kept, self._record = self._keeper.keep_moment(name, moments, given, self._record)
        except (RigcheckError, OSError) as error:
            kept = Kept(name=name, sentence=f"Nothing was kept: {error}")
        self._done(kept)

    def _calibrate(self, name: str, moments: tuple[tuple[Still, ...], ...]) -> None:
        try:
            board, rig = self._options.board, self._options.rig
            if board is None:
                raise _no_board()
            kept = self._keeper.keep_calibration(name, moments, board=board, rig=rig)
        except (RigcheckError, OSError) as error:
            kept = Kept(name=name, sentence=f"Nothing was kept: {error}")
        self._done(kept)

    def _burst(self) -> list[tuple[Still, ...]]:
        """Stills of the moment and of those after it, over a second; one alone where no newer comes."""
        count = max(self._options.stills, 1)
        moments: list[tuple[Still, ...]] = []
        end, last = time.monotonic() + 1.5 * _BURST_S, -1
        due = time.monotonic()
        while len(moments) < count and (time.monotonic() < end or not moments):
            found = self._together()
            number = -1 if found is None else sum(shot.number for shot in found[0])
            if found is not None and number > last and time.monotonic() >= due:
                moments.append(stills_of(self._begun.views, found[0]))
                last, due = number, due + _BURST_S / count
                continue
            if self._stop.wait(0.01):
                break
        if not moments:
            raise ConfigError("The session ended before a picture came.", hint="start it again.")
        return moments

    def _measure_on(self) -> None:
        """Measure until stopped; what ends it otherwise is a fault of ours, and is said before it shows itself."""
        try:
            self._measure_until_stopped()
        except Exception:
            # A measurement that the end did not wait for loses its processes half-way; nobody asks for it any more.
            if self._stop.is_set():
                return
            self._face.say_trouble("Measuring has stopped by a fault: end the session and start it again")
            self._tell()
            raise

    def _measure_until_stopped(self) -> None:
        last: tuple[int, ...] = ()
        least_s = 0.0 if not self._options.most_per_s else 1.0 / self._options.most_per_s
        while not self._stop.is_set():
            started = time.monotonic()
            found = self._together()
            numbers = () if found is None else tuple(shot.number for shot in found[0])
            if found is None or numbers == last:
                self._face.note()
                with self._changed:
                    self._changed.wait(0.1)
                continue
            last = numbers
            try:
                self._measure(*found)
            except RigcheckError as error:
                self._face.say_trouble(str(error))
            rest_s = started + least_s - time.monotonic()
            if rest_s > 0.0:
                self._face.note()
                self._stop.wait(rest_s)

    def _measure(self, shots: tuple[Shot, ...], apart_s: float) -> None:
        if self._mode == "board" and self._board is not None:
            self._face.note()
            self._board.take(shots, apart_s)
        else:
            self._face.take(shots, apart_s, [source.newest() for source in self._sources])
        self._measured.count(time.monotonic())
        self._tell()

    def _judge_on(self) -> None:
        """Judge what was measured, as often as leaves most of the time for measuring."""
        while not self._stop.is_set():
            if self._mode == "face" and self._face.judge():
                self._tell()
                self._face.look_longer()
            self._face.wait_for_more(self._stop)


def _no_board() -> ConfigError:
    return ConfigError(
        "Board mode: no board file was given.", hint="start again with the board file of the board you hold."
    )
