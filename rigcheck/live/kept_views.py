"""Views of the board that board mode keeps: picked while the board is held still, solved in a thread beside."""

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock

import numpy as np

from rigcheck.calibration import LENSES, MIN_VIEWS, CameraSetup, Solution, calibration_run, solve
from rigcheck.calibration.choose import MOST_VIEWS, choose_views
from rigcheck.checks import CALIBRATION_CHECKS, Limits, run_checks
from rigcheck.checks.filming import working_distance_mm
from rigcheck.errors import RigcheckError
from rigcheck.geometry.board_views import View, usable_views
from rigcheck.live.stills import Still
from rigcheck.model import BoardSpec, CalibrationRun, Frame, Observation, WantedView
from rigcheck.records import make_provenance
from rigcheck.target import BoardDetector

__all__ = ["KeptViews", "Plan"]

# A rough solution from so many views tells well enough where more are wanted.
_ROUGH_VIEWS = 20
_ROUGH_LENS = "brown4"
# Views from which on the first solution is tried, and below which nothing is enough.
FIRST_SOLVED, LEAST_VIEWS = MIN_VIEWS + 2, 8
# What more views would mend: harm on the face, spread of tilts, coverage.
_MENDED_BY_VIEWS = ("CAL01", "CAL06", "CAL07")


@dataclass(frozen=True, kw_only=True, eq=False)
class Plan:
    """What the views kept so far give: a rough solution, and what is wanted next; `trouble` where there is none."""

    solution: Solution | None = None
    wanted: tuple[WantedView, ...] = ()
    distance_mm: float = 0.0
    enough: bool = False
    short_of: str = ""
    trouble: str = ""


class KeptViews:
    """The views kept, their pictures, and the plan made from them.

    Parameters
    ----------
    board : BoardSpec
    setups : sequence of CameraSetup
    limits : Limits
    distance_mm : float, optional
        Working distance, where the rig file says it.
    on_change : callable
        Called from the thread beside after each view.

    Notes
    -----
    Pictures are held as PNG in memory, sixty views at most; nothing is written. Corners are fitted as `calibrate` fits
    them, and the solving here only guides the hand: `calibrate` does it anew, in full.
    """

    def __init__(
        self,
        board: BoardSpec,
        setups: Sequence[CameraSetup],
        *,
        limits: Limits,
        distance_mm: float | None,
        on_change: Callable[[], None],
    ) -> None:
        self._board, self._setups, self._limits = board, tuple(setups), limits
        self._distance_mm = distance_mm
        self._on_change = on_change
        self._detector = BoardDetector(board)
        self._lock = Lock()
        self._views: list[View] = []
        self._stills: list[tuple[Still, ...]] = []
        self._plan = Plan()
        self._beside = ThreadPoolExecutor(max_workers=1, thread_name_prefix="board views")
        self._running: Future[None] | None = None

    @property
    def views(self) -> tuple[View, ...]:
        """The views kept."""
        with self._lock:
            return tuple(self._views)

    @property
    def stills(self) -> tuple[tuple[Still, ...], ...]:
        """Their pictures, one a camera each."""
        with self._lock:
            return tuple(self._stills)

    @property
    def plan(self) -> Plan:
        """What they give."""
        with self._lock:
            return self._plan

    @property
    def busy(self) -> bool:
        """Whether a view is being looked at: others are passed over meanwhile."""
        return self._running is not None and not self._running.done()

    @property
    def full(self) -> bool:
        """Whether no more views are kept."""
        return len(self.views) >= MOST_VIEWS

    def offer(self, frames: Sequence[Frame], make_stills: Callable[[], tuple[Still, ...]]) -> None:
        """Look at a moment in full and keep it where each camera sees the board; returns at once.

        A fault while looking at the one before is raised here, so that it does not stay unseen.
        """
        if not self.busy and not self.full:
            if self._running is not None:
                self._running.result()
            self._running = self._beside.submit(self._keep, tuple(frames), make_stills)

    def close(self) -> None:
        """End the thread beside."""
        self._beside.shutdown(cancel_futures=True)

    def _keep(self, frames: Sequence[Frame], make_stills: Callable[[], tuple[Still, ...]]) -> None:
        found = [self._detector.detect(frame.grey8(), frame.ref) for frame in frames]
        view = tuple(side if isinstance(side, Observation) else None for side in found)
        if all(side is not None for side in view) and usable_views([view], self._board):
            stills = make_stills()
            with self._lock:
                self._views.append(view)
                self._stills.append(stills)
                views = list(self._views)
            plan = self._planned(views)
            with self._lock:
                self._plan = plan
        self._on_change()

    def _planned(self, views: Sequence[View]) -> Plan:
        if len(views) < FIRST_SOLVED:
            return Plan()
        try:
            chosen = choose_views(views, self._board, self._setups, most=_ROUGH_VIEWS)
            solution = solve(
                [views[n] for n in chosen], self._board, self._setups, lenses=[LENSES[_ROUGH_LENS]]
            )
            run = calibration_run(
                solution,
                provenance=make_provenance("live", inputs={}, options={}),
                working_distance_mm=self._distance_mm,
            )
        except (RigcheckError, np.linalg.LinAlgError, ValueError) as error:
            return Plan(trouble=str(error))
        return self._judged(solution, run, len(views))

    def _judged(self, solution: Solution, run: CalibrationRun, count: int) -> Plan:
        """Enough is when no check asks for more views, or when no view would add a twentieth."""
        results = run_checks(CALIBRATION_CHECKS, run, self._limits)
        short = [each for each in results if each.code in _MENDED_BY_VIEWS and each.status != "pass"]
        done = not short or not run.wanted_views
        return Plan(
            solution=solution,
            wanted=run.wanted_views,
            distance_mm=working_distance_mm(run),
            enough=done and count >= LEAST_VIEWS,
            short_of=", ".join(each.title.lower() for each in short),
        )
