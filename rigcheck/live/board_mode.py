"""Board mode: is the board held still, does this view add anything, where is it wanted next, is it enough."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Lock

import numpy as np

from rigcheck.calibration import CameraSetup
from rigcheck.calibration.evidence import coverage_of_views
from rigcheck.calibration.guidance import share_added
from rigcheck.geometry.board_views import View
from rigcheck.geometry.planar import homography
from rigcheck.geometry.upright import upright_points, upright_size
from rigcheck.live.kept_views import FIRST_SOLVED, LEAST_VIEWS, KeptViews, Plan
from rigcheck.live.state import BoardReading, CameraReading, Coverage, Cross, Outline
from rigcheck.live.stills import Still
from rigcheck.model import BoardSpec, Frame, Observation
from rigcheck.model._arrays import BoolArray, FloatArray, IntArray
from rigcheck.target import BoardDetector

__all__ = ["BoardMode"]

# Slower than this the board is held still: its corners then blur by less than half a pixel at 1/100 s.
_STILL_PX_S = 50.0
# A view is worth keeping from this share of added information on; before there is a solution, when one of the board's
# corners lies this far, in shares of the picture's longer side, from where it lay in every view kept.
_LEAST_ADDED, _OTHER_PLACE = 0.02, 0.1
_EVERY_S = 0.7
_CELLS = 5
_START = (
    "Hold the board so that {see} all of it, as far away as the face will be, tilted 30 to 45 degrees; pause, then "
    "tilt it towards another of its sides."
)


class BoardMode:
    """Follows the board through the moments, keeps views that add something, and says where it is wanted.

    Parameters
    ----------
    board : BoardSpec
    setups : sequence of CameraSetup
    kept : KeptViews
    """

    def __init__(self, board: BoardSpec, setups: Sequence[CameraSetup], kept: KeptViews) -> None:
        self._board, self._setups, self._kept = board, tuple(setups), kept
        self._detectors = [BoardDetector(board) for _ in setups]
        self._threads = ThreadPoolExecutor(max_workers=len(setups), thread_name_prefix="board")
        self._lock = Lock()
        self._before: tuple[float, View] | None = None
        self._kept_at_s = float("-inf")
        self._adds: float | None = None
        self._said = ""
        self._seen: View = (None,) * len(setups)

    def close(self) -> None:
        """End its threads."""
        self._threads.shutdown()
        self._kept.close()

    def take(
        self,
        frames: Sequence[Frame],
        at_s: float,
        make_stills: Callable[[], tuple[Still, ...]],
        *,
        together: bool = True,
    ) -> None:
        """Look at the newest moment, and keep it where it is worth it and both cameras took it at one time."""
        found = self._threads.map(self._followed, self._detectors, frames)
        view: View = tuple(found)
        adds, said = self._judged(view, at_s, together=together)
        if said == "":
            self._kept.offer(frames, make_stills)
            self._kept_at_s = at_s
            said = "Held still, and adds something: being kept."
        with self._lock:
            self._before, self._seen, self._adds, self._said = (at_s, view), view, adds, said

    def reading(self) -> BoardReading:
        """How far filming the board is."""
        views, plan = self._kept.views, self._kept.plan
        with self._lock:
            adds, said = self._adds, self._said
        wanted = plan.wanted[0] if plan.wanted and not plan.enough else None
        outlines = (
            ()
            if wanted is None
            else tuple(self._outline(k, points) for k, points in enumerate(wanted.outlines_px))
        )
        return BoardReading(
            coverage=tuple(self._coverage(k, views) for k in range(len(self._setups))),
            adds=adds,
            adds_sentence=said,
            wanted=outlines,
            wanted_sentence=self._wanted_sentence(plan),
            enough=plan.enough,
            sentence=self._sentence(plan, len(views)),
            views_kept=len(views),
        )

    def cameras(self) -> tuple[CameraReading, ...]:
        """The board's outer seen corners in each camera's picture."""
        with self._lock:
            seen = self._seen
        out = []
        for k, side in enumerate(seen):
            if side is None:
                out.append(CameraReading(camera_idx=k, sentence="The board is not seen."))
                continue
            corners = self._fractions(k, self._edge_px(side))
            crosses = tuple(
                Cross(name=f"board corner {n}", x=float(x), y=float(y), sigma=0.0)
                for n, (x, y) in enumerate(corners, start=1)
            )
            out.append(CameraReading(camera_idx=k, crosses=crosses))
        return tuple(out)

    def _followed(self, detector: BoardDetector, frame: Frame) -> Observation | None:
        found = detector.follow(frame.grey8(), frame.ref)
        return found if isinstance(found, Observation) else None

    def _judged(self, view: View, at_s: float, *, together: bool) -> tuple[float | None, str]:
        """What the view adds, and why it is not kept; empty when it is to be."""
        if all(side is None for side in view):
            return None, "The board is not seen."
        missing = [setup.name for side, setup in zip(view, self._setups, strict=True) if side is None]
        adds = self._added(view)
        if missing:
            return adds, f"{missing[0]} does not see the board: bring it into both pictures."
        if not together:
            return adds, "The two cameras' pictures are not of one moment: wait until both come in evenly."
        if not self._still(view, at_s):
            return adds, "Hold the board still for a moment."
        if adds is not None and adds < _LEAST_ADDED:
            return adds, "This view adds next to nothing: move on."
        if adds is None and not self._elsewhere(view):
            return adds, "This view is like one already kept: move or tilt the board."
        if self._kept.full:
            return adds, "No more views are kept: there are enough."
        if self._kept.busy or at_s - self._kept_at_s < _EVERY_S:
            return adds, "Being kept."
        return adds, ""

    def _added(self, view: View) -> float | None:
        plan = self._kept.plan
        if plan.solution is None:
            return None
        try:
            return share_added(plan.solution, view, working_distance_mm=plan.distance_mm)
        except (ValueError, np.linalg.LinAlgError):
            return None

    def _still(self, view: View, at_s: float) -> bool:
        if self._before is None or at_s <= self._before[0]:
            return False
        speeds = [
            _moved_px(earlier, side) / (at_s - self._before[0])
            for earlier, side in zip(self._before[1], view, strict=True)
            if side is not None
        ]
        return max(speeds) < _STILL_PX_S

    def _elsewhere(self, view: View) -> bool:
        place = self._place(view)
        kept = [self._place(other) for other in self._kept.views]
        return all(np.linalg.norm(place - other, axis=1).max() >= _OTHER_PLACE for other in kept)

    def _place(self, view: View) -> FloatArray:
        """The board's four outer corners in the first camera that sees it, in shares of the picture's longer side."""
        k, side = next((k, side) for k, side in enumerate(view) if side is not None)
        return self._edge_px(side) / max(self._setups[k].image_size_px)

    def _edge_px(self, side: Observation) -> FloatArray:
        """Where the board's four outer corners lie in a picture, (4, 2) px, lens distortion left aside."""
        plane = self._board.corners_mm[side.corner_ids, :2]
        across, down = (n * p for n, p in zip(self._board.squares, self._board.pitch_mm, strict=True))
        outer = np.array([[0.0, 0.0], [across, 0.0], [across, down], [0.0, down]])
        there = np.column_stack([outer, np.ones(4)]) @ homography(plane, side.corners_px).T
        return np.asarray(there[:, :2] / there[:, 2:])

    def _fractions(self, camera_idx: int, points_px: FloatArray) -> FloatArray:
        """Pixels as recorded to fractions of the upright picture."""
        setup = self._setups[camera_idx]
        upright = upright_points(points_px, setup.image_size_px, setup.mount_rotation_deg)
        return np.asarray((upright + 0.5) / upright_size(setup.image_size_px, setup.mount_rotation_deg))

    def _outline(self, camera_idx: int, points_px: FloatArray) -> Outline:
        """The four corners of a wanted view's outline, which runs from corner to corner in equal steps."""
        corners = self._fractions(camera_idx, points_px[:: len(points_px) // 4][:4])
        return Outline(camera_idx=camera_idx, corners=tuple((float(x), float(y)) for x, y in corners))

    def _coverage(self, camera_idx: int, views: Sequence[View]) -> Coverage:
        setup = self._setups[camera_idx]
        fine = coverage_of_views(views, camera_idx, setup.image_size_px)
        upright = np.rot90(fine, k=-(setup.mount_rotation_deg // 90))
        cells = _coarse(upright)
        return Coverage(
            camera_idx=camera_idx,
            cells=tuple(tuple(bool(each) for each in row) for row in cells),
            fraction=float((fine > 0).mean()),
        )

    def _wanted_sentence(self, plan: Plan) -> str:
        if plan.enough:
            return ""
        if not plan.wanted:
            return _START.format(see="both cameras see" if len(self._setups) > 1 else "the camera sees")
        words = plan.wanted[0].words
        turned = any(setup.mount_rotation_deg for setup in self._setups)
        return f"{words[:1].upper()}{words[1:]}{' (picture as recorded)' if turned else ''}."

    def _sentence(self, plan: Plan, count: int) -> str:
        if plan.enough:
            return f"Enough: {count} views are kept. Calibrate now."
        if plan.trouble:
            return f"{count} views are kept, but do not fit together yet: {plan.trouble}"
        if count < FIRST_SOLVED:
            return f"{count} of {FIRST_SOLVED} first views are kept."
        short = f"; more are wanted for {plan.short_of}" if plan.short_of else ""
        least = f" of at least {LEAST_VIEWS}" if count < LEAST_VIEWS else ""
        return f"{count}{least} views are kept{short}."


def _moved_px(before: Observation | None, now: Observation) -> float:
    """How far the corners seen both times have gone, median; infinite where there are none."""
    if before is None:
        return float("inf")
    both, first, second = np.intersect1d(before.corner_ids, now.corner_ids, return_indices=True)
    if not len(both):
        return float("inf")
    return float(np.median(np.linalg.norm(before.corners_px[first] - now.corners_px[second], axis=1)))


def _coarse(fine: IntArray) -> BoolArray:
    """A coarse grid of what is covered: five cells along the longer side, covered where half of them is."""
    rows, columns = fine.shape
    cell = max(rows, columns) / _CELLS
    down, across = max(round(rows / cell), 1), max(round(columns / cell), 1)
    return np.array(
        [
            [(part > 0).mean() >= 0.5 for part in np.array_split(band, across, axis=1)]
            for band in np.array_split(fine, down, axis=0)
        ]
    )
