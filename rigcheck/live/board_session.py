"""Board mode within a session: made for the first pictures, whose size it needs to know."""

from collections.abc import Callable, Sequence
from threading import Lock

from rigcheck.calibration import CameraSetup
from rigcheck.jobs.opening import refuse_proxy
from rigcheck.live.beginning import Begun
from rigcheck.live.board_mode import BoardMode
from rigcheck.live.kept_views import KeptViews
from rigcheck.live.shots import Shot
from rigcheck.live.state import BoardReading, CameraReading
from rigcheck.live.stills import Still, stills_of

__all__ = ["BoardSession"]


class BoardSession:
    """Takes shots in one thread and is asked from any.

    Parameters
    ----------
    begun : Begun
        With a board.
    on_change : callable
        Called when a view was kept.
    """

    def __init__(self, begun: Begun, on_change: Callable[[], None]) -> None:
        self._begun = begun
        self._on_change = on_change
        self._lock = Lock()
        self._sizes: tuple[tuple[int, int], ...] = ()
        self._mode: BoardMode | None = None
        self._kept: KeptViews | None = None
        self._at_s: float | None = None

    def refuse_proxy(self) -> None:
        """Raise ConfigError when the rig file marks the pictures as a proxy."""
        refuse_proxy(self._begun.known.rig)

    @property
    def measured_at_s(self) -> float | None:
        """When the pictures last looked at were taken."""
        with self._lock:
            return self._at_s

    @property
    def stills(self) -> tuple[tuple[Still, ...], ...]:
        """Pictures of the views kept."""
        with self._lock:
            return () if self._kept is None else self._kept.stills

    def close(self) -> None:
        """End its threads."""
        if self._mode is not None:
            self._mode.close()

    def take(self, shots: Sequence[Shot], apart_s: float) -> None:
        """Look for the board in a moment; pictures further apart than one moment are looked at and not kept."""
        begun = self._begun
        frames = [
            view.frame(shots[view.source_idx], camera=name, origin=begun.requests[view.source_idx].shown)
            for view, name in zip(begun.views, begun.names, strict=True)
        ]
        mode = self._ready(tuple(frame.size_px for frame in frames))
        at_s = min(shot.captured_at_s for shot in shots)
        together = apart_s <= begun.together_s
        mode.take(frames, at_s, lambda: stills_of(begun.views, shots), together=together)
        with self._lock:
            self._at_s = at_s

    def reading(self) -> BoardReading:
        """How far filming the board is."""
        with self._lock:
            mode = self._mode
        return BoardReading(sentence="Pictures are awaited.") if mode is None else mode.reading()

    def cameras(self) -> tuple[CameraReading, ...]:
        """Where each camera sees the board."""
        with self._lock:
            mode = self._mode
        if mode is not None:
            return mode.cameras()
        return tuple(
            CameraReading(camera_idx=k, sentence="Nothing is measured yet.")
            for k in range(len(self._begun.names))
        )

    def _ready(self, sizes: tuple[tuple[int, int], ...]) -> BoardMode:
        """The mode for pictures of these sizes; other sizes are another camera setting, and start anew."""
        if self._mode is not None and sizes == self._sizes:
            return self._mode
        self.close()
        begun = self._begun
        if begun.board is None:
            raise ValueError("board mode without a board")
        setups = [
            CameraSetup(name=name, image_size_px=size, mount_rotation_deg=turn)
            for name, size, turn in zip(begun.names, sizes, begun.turns_deg, strict=True)
        ]
        rig = begun.known.rig
        kept = KeptViews(
            begun.board,
            setups,
            limits=begun.limits,
            distance_mm=None if rig is None else rig.working_distance_mm,
            on_change=self._on_change,
        )
        mode = BoardMode(begun.board, setups, kept)
        with self._lock:
            self._sizes, self._mode, self._kept = sizes, mode, kept
        return mode
