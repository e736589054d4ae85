"""Looking for the board while it moves: short runs of pictures, for the time between two cameras."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration import View
from rigcheck.footage import Clip, Pairing
from rigcheck.geometry.spread import evenly
from rigcheck.model import BoardSpec, Frame, Observation
from rigcheck.target import BoardDetector, Glance

OnProgress = Callable[[int, int], None]
IntArray = NDArray[np.int64]

# Long enough to try five frames either way and still have a picture with both its neighbours: about a hundred
# moving pairs in all, since a third of the runs find the board at rest.
RUN_PICTURES = 8
MOST_RUNS = 16
# Runs this near key pictures are enough; else ever more pictures are decoded on the way to them.
ENOUGH_RUNS = 16
# Fewer runs than this are not worth a look; they would give no sigma.
LEAST_RUNS = 6
# The board travels at least this far in a run, or the run is passed over; a glance is good to a pixel or two.
LEAST_TRAVEL_PX = 4.0
_REACHES = (0, RUN_PICTURES, 2 * RUN_PICTURES, 4 * RUN_PICTURES, 8 * RUN_PICTURES, None)

__all__ = [
    "MOST_RUNS",
    "RUN_PICTURES",
    "Moving",
    "look_at_motion",
    "moving_of",
    "moving_run",
    "refused",
    "run_starts",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class Moving:
    """What was seen of the moving board.

    Parameters
    ----------
    runs : tuple
        Each `RUN_PICTURES` views in a row, one entry a camera, None where it did not see the board.
    looked : int
        Runs looked at, those at rest among them.
    reason : str
        Why there are no runs; empty when there are.
    offset_frames : int or None
        The shift that pairs as the pairing does, as it would be given for it; None when no single one does.
    """

    runs: tuple[tuple[View, ...], ...] = ()
    looked: int = 0
    reason: str = ""
    offset_frames: int | None = None


def look_at_motion(pairing: Pairing, board: BoardSpec, on_progress: OnProgress) -> Moving:
    """Find the board in both cameras through short runs of pictures during which it moves.

    Parameters
    ----------
    pairing : Pairing
    board : BoardSpec
    on_progress : callable
        Called with the runs looked at and the runs in all.

    Returns
    -------
    Moving
        Without runs, and with the reason, for picture folders and for clips too short or without motion.

    Raises
    ------
    InputError
        When a picture cannot be decoded.
    """
    starts = run_starts(pairing)
    if refusal := refused(pairing, starts):
        return refusal
    runs = tuple(_moving_runs(pairing, starts, board, on_progress))
    return moving_of(pairing, starts, runs)


def refused(pairing: Pairing, starts: Sequence[int]) -> Moving | None:
    """Why runs are not worth a look; None when they are."""
    if any(clip.info.kind != "video" for clip in pairing.clips):
        return Moving(reason="single pictures do not tell how the board moves; it takes video")
    if len(starts) >= LEAST_RUNS:
        return None
    reason = (
        f"the clips hold {len(starts)} runs of {RUN_PICTURES} pictures without a gap; {LEAST_RUNS} are needed"
    )
    return Moving(reason=reason, offset_frames=_offset_frames(pairing))


def moving_of(pairing: Pairing, starts: Sequence[int], runs: tuple[tuple[View, ...], ...]) -> Moving:
    """What was seen in runs that were looked at."""
    reason = ""
    if len(runs) < LEAST_RUNS:
        reason = (
            f"the board moved and was seen in {len(runs)} of {len(starts)} places; {LEAST_RUNS} are needed"
        )
    return Moving(runs=runs, looked=len(starts), reason=reason, offset_frames=_offset_frames(pairing))


def run_starts(pairing: Pairing) -> list[int]:
    """Positions of pairs at which runs start: spread over the clips, none overlapping, near key pictures.

    Notes
    -----
    To look at a picture costs the decoding of all from its key picture on, so that runs right at key pictures
    come first; where there are too few, those ever farther behind.
    """
    steps = np.diff(pairing.indices, axis=0) == 1
    whole = np.convolve(steps.all(axis=1), np.ones(RUN_PICTURES - 1), "valid") == RUN_PICTURES - 1
    possible = np.flatnonzero(whole)
    cost = sum(_pictures_before(clip, pairing.indices[possible, k]) for k, clip in enumerate(pairing.clips))
    found: list[int] = []
    for reach in _REACHES:
        near = possible if reach is None else possible[np.asarray(cost) <= reach]
        found = _apart(near)
        if len(found) >= ENOUGH_RUNS:
            break
    return evenly(found, MOST_RUNS)


def _pictures_before(clip: Clip, indices: IntArray) -> IntArray:
    """How many pictures lie between each and the key picture from which it is decoded."""
    keys = clip.key_indices
    if not len(keys):
        return indices - int(clip.indices[0])
    place = np.searchsorted(keys, indices, side="right") - 1
    return np.asarray(indices - np.where(place >= 0, keys[place], clip.indices[0]), dtype=np.int64)


def _apart(starts: IntArray) -> list[int]:
    """Take each start that lies past the run before."""
    found: list[int] = []
    for start in starts.tolist():
        if not found or start >= found[-1] + RUN_PICTURES:
            found.append(start)
    return found


def _offset_frames(pairing: Pairing) -> int | None:
    clip1, clip2 = pairing.clips
    places = [np.searchsorted(clip.indices, pairing.indices[:, k]) for k, clip in enumerate((clip1, clip2))]
    apart = np.unique(places[1] - places[0])
    return int(apart[0]) if len(apart) == 1 else None


def _moving_runs(
    pairing: Pairing, starts: Sequence[int], board: BoardSpec, on_progress: OnProgress
) -> Iterator[tuple[View, ...]]:
    detector = BoardDetector(board)
    positions = [start + k for start in starts for k in range(RUN_PICTURES)]
    pairs = pairing.pairs_at(positions)
    with ThreadPoolExecutor(max_workers=2) as pool:
        for done in range(1, len(starts) + 1):
            seen = moving_run(detector, list(islice(pairs, RUN_PICTURES)), pool)
            if seen is not None:
                yield seen
            on_progress(done, len(starts))


def moving_run(
    detector: BoardDetector, run: Sequence[tuple[Frame, ...]], pool: Executor | None = None
) -> tuple[View, ...] | None:
    """Find the board through one run; None when it does not travel. `pool` shares out the pictures."""
    if not _travels(detector, run[0][0], run[-1][0]):
        return None

    def find(frame: Frame) -> Observation | None:
        found = detector.follow(frame.grey8(), frame.ref)
        return found if isinstance(found, Observation) else None

    frames = [frame for pair in run for frame in pair]
    seen = [find(frame) for frame in frames] if pool is None else list(pool.map(find, frames))
    return tuple(zip(seen[::2], seen[1::2], strict=True))


def _travels(detector: BoardDetector, first: Frame, last: Frame) -> bool:
    """Whether the board is seen in both pictures, in different places."""
    one, other = (_rough_corners(detector, frame) for frame in (first, last))
    if one is None or other is None:
        return False
    _, rows1, rows2 = np.intersect1d(one.corner_ids, other.corner_ids, return_indices=True)
    if not len(rows1):
        return False
    travel = np.linalg.norm(other.corners_px[rows2] - one.corners_px[rows1], axis=1)
    return float(np.median(travel)) >= LEAST_TRAVEL_PX


def _rough_corners(detector: BoardDetector, frame: Frame) -> Glance | Observation | None:
    """Corners at a glance; by a full look where a glance sees none, as in small pictures."""
    rough = detector.glance(frame.grey8())
    if rough.n:
        return rough
    found = detector.detect(frame.grey8(), frame.ref)
    return found if isinstance(found, Observation) else None
