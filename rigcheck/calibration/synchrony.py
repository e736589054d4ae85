"""How two cameras lie in time to each other, from views of a moving board and a solved geometry."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.solve import Solution
from rigcheck.geometry.board_views import View, corner_sigmas
from rigcheck.geometry.time_offset import MIN_RUNS, PairedRuns, StereoGeometry, TimeOffset, time_offset
from rigcheck.model import Estimate, Observation

FloatArray = NDArray[np.float64]

# Steps between pictures may differ by this share of a period, or by the rounding of times kept in ms.
_UNEVEN_SHARE, _ROUNDING_S = 0.1, 1.01e-3
# A whole number of frames is sure when the rest is known this well, in frames.
_SURE_FRAMES = 0.1
_AT_REST = "the board hardly moved across the line that joins the cameras"

__all__ = ["synchrony_measurements"]


def synchrony_measurements(
    runs: Sequence[Sequence[View]],
    solution: Solution,
    *,
    reason: str = "",
    offset_frames: int | None = None,
    synchronised: bool | None = None,
) -> dict[str, Estimate]:
    """Time between the cameras as named estimates.

    Parameters
    ----------
    runs : sequence of sequences of View
        Views of pictures in a row, of both cameras, in order of time; runs of one length.
    solution : Solution
        Of both cameras; with one camera there is nothing to measure.
    reason : str
        Why there are no runs.
    offset_frames : int, optional
        Pictures by which camera 2 is shifted in the pairing as it is; see `stereo.offset_frames`.
    synchronised : bool, optional
        What the rig file says.

    Returns
    -------
    dict
        - ``stereo.time_offset_ms``: by how much camera 2's pictures are taken later than camera 1's, once
          whole frames are put right; negative when earlier.
        - ``stereo.frame_shift``: whole frames by which the pairing is wrong: picture j of camera 1 belongs to
          the one that many after its present partner.
        - ``stereo.offset_frames``: the shift to pair by instead, counted from the first pictures.
        - ``stereo.frame_period_ms``
        - ``stereo.at_rest_epipolar_px``: RMS of the Sampson distance that does not grow with speed.
        - ``stereo.moving_speed_px_s``: RMS speed across the epipolar lines.
        - ``stereo.free_running``: 1 where the rig file says that the cameras are not synchronised, 0 where it
          says that they are, absent where it says nothing.

    Notes
    -----
    Sigma is that of the moving views; what the geometry has wrong beyond five epipolar degrees of freedom,
    such as a lens model, shows in it only as far as it differs from run to run.
    """
    if len(solution.setups) != 2:
        return {}
    known = {} if synchronised is None else {"stereo.free_running": Estimate(value=float(not synchronised))}
    if reason or not runs:
        return known | _unknown(reason or "no views of the moving board were given")
    even, period_s = _even_runs(runs)
    if len(even) < MIN_RUNS:
        return known | _unknown(
            f"{len(even)} runs of evenly timed pictures were seen by both cameras; {MIN_RUNS} are needed"
        )
    found = time_offset(_paired(even, len(solution.board.corners_mm), period_s), _geometry(solution))
    if not found.speed_is_enough:
        return known | _unknown(_AT_REST)
    return known | _estimates(found, period_s, offset_frames)


def _unknown(reason: str) -> dict[str, Estimate]:
    return {
        "stereo.time_offset_ms": Estimate(value=None, unit="ms", reason=reason),
        "stereo.frame_shift": Estimate(value=None, reason=reason),
    }


def _even_runs(runs: Sequence[Sequence[View]]) -> tuple[list[Sequence[View]], float]:
    """Runs whose pictures follow each other at one period in both cameras, and that period, s."""
    timed = [(run, steps) for run in runs if (steps := _steps(run)) is not None]
    if not timed:
        return [], 0.0
    usual = float(np.median(np.concatenate([steps for _, steps in timed])))
    slack = min(max(_UNEVEN_SHARE * usual, _ROUNDING_S), 0.45 * usual)
    even = [(run, steps) for run, steps in timed if (np.abs(steps - usual) <= slack).all()]
    if not even or usual <= 0:
        return [], 0.0
    return [run for run, _ in even], float(np.mean(np.concatenate([steps for _, steps in even])))


def _steps(run: Sequence[View]) -> FloatArray | None:
    """Time a picture, s, between the pictures in which a camera saw the board; None without any."""
    found: list[FloatArray] = []
    for camera in range(2):
        seen = [(k, view[camera]) for k, view in enumerate(run)]
        times = [(k, side.ref.time_s) for k, side in seen if side is not None and side.ref.time_s is not None]
        if len(times) < 3:
            return None
        place, time_s = np.array(times, dtype=np.float64).T
        found.append(np.diff(time_s) / np.diff(place))
    return np.concatenate(found)


def _paired(runs: Sequence[Sequence[View]], n_corners: int, period_s: float) -> PairedRuns:
    shape = (len(runs), len(runs[0]), n_corners)
    pixels = [np.full((*shape, 2), np.nan) for _ in range(2)]
    sigmas = [np.ones(shape) for _ in range(2)]
    places: list[tuple[int, int, int, Observation]] = [
        (camera, m, k, side)
        for m, run in enumerate(runs)
        for k, view in enumerate(run)
        for camera, side in enumerate(view)
        if side is not None
    ]
    each = np.split(
        corner_sigmas([side for *_, side in places]), np.cumsum([side.n for *_, side in places])[:-1]
    )
    for (camera, m, k, side), sigma in zip(places, each, strict=True):
        pixels[camera][m, k, side.corner_ids] = side.corners_px
        sigmas[camera][m, k, side.corner_ids] = sigma
    return PairedRuns(
        pixels1=pixels[0], pixels2=pixels[1], sigma1_px=sigmas[0], sigma2_px=sigmas[1], period_s=period_s
    )


def _geometry(solution: Solution) -> StereoGeometry:
    state, models = solution.adjustment.state, solution.adjustment.layout.models
    return StereoGeometry(
        intrinsics=(state.intrinsics[0], state.intrinsics[1]),
        models=(models[0], models[1]),
        rotation=state.rotation,
        translation=state.translation,
    )


def _estimates(found: TimeOffset, period_s: float, offset_frames: int | None) -> dict[str, Estimate]:
    beyond = abs(found.offset_s) > 0.5 * period_s + 2.0 * found.sigma_s
    sure = found.sigma_s <= _SURE_FRAMES * period_s
    shift = found.shift_frames - (round(found.offset_s / period_s) if beyond else 0)
    needed = float(offset_frames + shift) if sure and offset_frames is not None else None
    why_not = "no single shift in frames pairs the pictures as they are" if sure else _AT_REST
    return {
        "stereo.time_offset_ms": Estimate(
            value=None if beyond and sure else 1e3 * found.offset_s,
            sigma=None if beyond and sure else 1e3 * found.sigma_s,
            unit="ms",
            n=found.n_pairs,
            reason=f"the cameras are about {abs(shift)} whole frames apart" if beyond and sure else "",
        ),
        "stereo.frame_shift": Estimate(
            value=float(shift) if sure else None,
            n=found.n_pairs,
            reason="" if sure else _AT_REST,
        ),
        "stereo.offset_frames": Estimate(
            value=needed, n=found.n_pairs, reason=why_not if needed is None else ""
        ),
        "stereo.frame_period_ms": Estimate(value=1e3 * period_s, unit="ms", n=found.n_runs),
        "stereo.at_rest_epipolar_px": Estimate(
            value=found.at_rest_px, sigma=found.at_rest_sigma_px, unit="px", n=found.n_corners
        ),
        "stereo.moving_speed_px_s": Estimate(value=found.speed_px_s, unit="px/s", n=found.n_corners),
    }
