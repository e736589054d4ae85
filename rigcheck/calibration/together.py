"""Whether two cameras that each fit alone also fit together: pictures of one moment, of one rigid rig.

Pictures paired wrongly fit each camera by itself and no rig at all. Where every picture shows the board,
as in stills, the right pairing shows at once: the pose between the cameras is then the same in all pairs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.alone import alone_fit
from rigcheck.calibration.solve import Solution
from rigcheck.errors import EstimationError
from rigcheck.geometry.bundle import RigState
from rigcheck.geometry.rotation import angles_apart, poses_between
from rigcheck.model import Estimate

FloatArray = NDArray[np.float64]

# Corners are not found better than this per axis in real pictures (literature: 0.03-0.1 px): in cleaner ones,
# such as rendered, what the two cameras leave must not look large beside next to nothing.
NOISE_FLOOR_PX = 0.03
_FARTHEST_SHIFT = 5
# The pose between the cameras from single pictures: fewer pairs than this do not show which agree.
_MIN_PAIRS = 5
# Another shift pairs better when the poses it gives agree so many times as well.
_CLEARLY_BETTER = 5.0

__all__ = ["refusal_of_pair", "together_measurements"]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Poses:
    """A camera's views: number of the picture, rotation and translation of the board in it."""

    frames: NDArray[np.int64]
    rotations: FloatArray
    translations: FloatArray


def together_measurements(solution: Solution) -> dict[str, Estimate]:
    """How much worse two cameras fit together than alone, and the shift in pictures that would mend it.

    Parameters
    ----------
    solution : Solution

    Returns
    -------
    dict of str to Estimate
        ``stereo.together_ratio``: noise of the joint solution over that of the worse camera alone, with
        NOISE_FLOOR_PX added in quadrature to each; about 1 where all fits.
        ``stereo.noise_alone_px``: the worse camera's, alone.
        ``stereo.better_shift``: pictures by which camera 2 should be paired later than it is, 0 where no
        other shift up to five fits clearly better; without a value where single pictures cannot tell.
        ``stereo.better_offset_frames``: the same counted from the first pictures, as pairing is asked for; only
        where another shift is better.
        Empty for one camera.

    Notes
    -----
    Alone means lens, shape of the board and poses of the camera's own fit, from which the joint one started;
    with a prior there is none. A shift is looked for among the views used, so that it shows where neighbours
    were used, as in stills; in video moments lie far apart.
    """
    if len(solution.setups) != 2:
        return {}
    if solution.prior is not None:
        reason = "with a prior the cameras were not solved alone"
        return {"stereo.together_ratio": Estimate(value=None, reason=reason)}
    alone = max(alone_fit(solution, camera).noise_px for camera in (0, 1))
    joint = solution.adjustment.summary.noise_px
    pairs = sum(all(side is not None for side in view) for view in solution.views)
    ratio = float(np.hypot(joint, NOISE_FLOOR_PX) / np.hypot(alone, NOISE_FLOOR_PX))
    if not np.isfinite(ratio):
        reason = "the joint solution leaves no residuals that could be measured"
        return {"stereo.together_ratio": Estimate(value=None, reason=reason), **_better_shift(solution)}
    return {
        "stereo.together_ratio": Estimate(value=ratio, n=pairs),
        "stereo.noise_alone_px": Estimate(value=alone, unit="px", n=pairs),
        **_better_shift(solution),
    }


def refusal_of_pair(solution: Solution) -> EstimationError:
    """Say why a solution of two cameras is none: they fit alone and not together, or not even alone.

    Parameters
    ----------
    solution : Solution
        One from which no point of the face can be triangulated.
    """
    first, second = (setup.name for setup in solution.setups)
    found = together_measurements(solution)
    value = {name: one.value for name, one in found.items()}
    ratio, alone = value.get("stereo.together_ratio"), value.get("stereo.noise_alone_px")
    words = "no rig explains both cameras' views of the board"
    if ratio is not None and alone is not None:
        words = (
            f"each alone fits to {alone:.2f} px, both together leave {ratio:.0f} times that: the pictures that are "
            "paired are not of the same moments, or not of the same rig"
        )
    hint = (
        "pair pictures of one moment: cut both clips to the same moments with in and out points, or give "
        "--pair timecode or --offset-frames."
    )
    offset = value.get("stereo.better_offset_frames")
    if offset is not None:
        hint = f"--offset-frames {offset:.0f} pairs them so that one rig explains both cameras."
    return EstimationError(f"{first} and {second}: {words}.", hint=hint)


def _better_shift(solution: Solution) -> dict[str, Estimate]:
    name = "stereo.better_shift"
    poses = [_poses(solution, camera, solution.choices[camera].state) for camera in (0, 1)]
    apart = _usual_shift(solution)
    if apart is None:
        return {name: Estimate(value=None, reason="pairs lie at different shifts")}
    scores = {shift: _disagreement(poses, apart + shift) for shift in _shifts()}
    now = scores[0]
    known = {shift: score for shift, score in scores.items() if score is not None}
    if now is None or len(known) < 2:
        reason = f"fewer than {_MIN_PAIRS} neighbouring pictures show the board"
        return {name: Estimate(value=None, reason=reason)}
    best = min(known, key=lambda shift: known[shift])
    if known[best] * _CLEARLY_BETTER >= now:
        best = 0
    n = len(poses[0].frames)
    offset = {} if best == 0 else {"stereo.better_offset_frames": Estimate(value=float(apart + best), n=n)}
    return {name: Estimate(value=float(best), n=n), **offset}


def _shifts() -> Sequence[int]:
    return range(-_FARTHEST_SHIFT, _FARTHEST_SHIFT + 1)


def _usual_shift(solution: Solution) -> int | None:
    """Number of camera 2's picture less that of camera 1's, where it is the same in all pairs."""
    found = {
        view[1].ref.frame_idx - view[0].ref.frame_idx
        for view in solution.views
        if view[0] is not None and view[1] is not None
    }
    return found.pop() if len(found) == 1 else None


def _poses(solution: Solution, camera: int, state: RigState) -> _Poses:
    frames = [side.ref.frame_idx for view in solution.views if (side := view[camera]) is not None]
    return _Poses(
        frames=np.array(frames, dtype=np.int64),
        rotations=state.board_rotations,
        translations=state.board_translations,
    )


def _disagreement(poses: Sequence[_Poses], apart: int) -> float | None:
    """Median distance, mm and board-sized turns together, of the pose between the cameras from its middle one."""
    first, second = poses
    _, rows1, rows2 = np.intersect1d(first.frames + apart, second.frames, return_indices=True)
    if len(rows1) < _MIN_PAIRS:
        return None
    turns, moves = poses_between(
        (first.rotations[rows1], first.translations[rows1]),
        (second.rotations[rows2], second.translations[rows2]),
    )
    away = np.linalg.norm(moves[:, None] - moves[None], axis=2)
    reach = float(np.median(np.linalg.norm(first.translations, axis=1)))
    away += reach * angles_apart(turns)
    return float(np.median(away[np.argmin(np.median(away, axis=1))]))
