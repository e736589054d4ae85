"""How much later one camera of a pair takes its pictures, from points that both follow.

A point that crosses epipolar lines at w px/s leaves its line by w times the time by which the cameras
differ; one at rest leaves it only by what the geometry has wrong. So residuals are regressed on speed across
the line, beside the five ways in which an epipolar geometry can be wrong.

References
----------
Hartley & Zisserman, Multiple View Geometry, 2nd ed., 2003, eq. 11.9 (Sampson distance).
Albl et al., "On the two-view geometry of unsynchronized cameras", CVPR 2017: both fitted together.
Fuller, Measurement Error Models, 1987, section 1.2 (correction for noise in the regressor).
Bell & McCaffrey, "Bias reduction in standard errors for linear regression with multi-stage samples", Survey
Methodology 28(2), 2002 (leaving one group out: an honest sigma when a group's errors belong together).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.projection import unproject
from rigcheck.geometry.robust import evaluate_loss
from rigcheck.geometry.rotation import skew
from rigcheck.model import LensModel

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MAX_SHIFT_FRAMES = 5
# Fewer groups than this give no sigma to speak of.
MIN_RUNS = 6
# A moment counts as moving when speed across the lines is this many times what noise alone would show.
MOVING_OVER_NOISE = 5.0
MIN_CORNERS = 8
_MOST_SEARCH_ROWS = 6000
_MEDIAN_OF_NORMAL = 0.6745  # median of |x| for a standard normal x

__all__ = ["MAX_SHIFT_FRAMES", "MIN_RUNS", "PairedRuns", "StereoGeometry", "TimeOffset", "time_offset"]


@dataclass(frozen=True, kw_only=True, eq=False)
class PairedRuns:
    """Corners followed by both cameras through M runs of L pictures taken in a row, N corners.

    Parameters
    ----------
    pixels1, pixels2 : (M, L, N, 2) float64, px, as recorded; NaN where a corner was not seen
    sigma1_px, sigma2_px : (M, L, N) float64, per axis
    period_s : float
        From one picture to the next, the same in both cameras.
    """

    pixels1: FloatArray
    pixels2: FloatArray
    sigma1_px: FloatArray
    sigma2_px: FloatArray
    period_s: float


@dataclass(frozen=True, kw_only=True, eq=False)
class StereoGeometry:
    """Two cameras: full intrinsics vectors, lens models, and camera2_from_camera1."""

    intrinsics: tuple[FloatArray, FloatArray]
    models: tuple[LensModel, LensModel]
    rotation: FloatArray
    translation: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class TimeOffset:
    """How the second camera's pictures lie in time against the first's.

    Parameters
    ----------
    shift_frames : int
        Picture j of camera 1 belongs to picture j + `shift_frames` of camera 2.
    offset_s, sigma_s : float
        By how much camera 2's picture is then still taken later than camera 1's; its standard uncertainty.
    at_rest_px, at_rest_sigma_px : float
        RMS of the residual that does not grow with speed: what the geometry has wrong.
    left_px : float
        Robust standard deviation of what neither explains.
    speed_px_s : float
        RMS speed across the lines.
    n_pairs, n_corners, n_runs : int
        Moving pairs, corners in them, and runs they come from.
    shift_residuals_px : dict
        What each whole number of frames leaves, the geometry fitted.
    """

    shift_frames: int
    offset_s: float
    sigma_s: float
    at_rest_px: float
    at_rest_sigma_px: float
    left_px: float
    speed_px_s: float
    n_pairs: int
    n_corners: int
    n_runs: int
    shift_residuals_px: dict[int, float]

    @property
    def speed_is_enough(self) -> bool:
        """Whether anything moved: without, there is no offset and its sigma is infinite."""
        return bool(np.isfinite(self.sigma_s))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Tracks:
    """Rays (M, L, N, 2) of both cameras, their pixel sigmas, and what turns rays to distances."""

    rays1: FloatArray
    rays2: FloatArray
    sigma_px: FloatArray
    focal1: FloatArray
    focal2: FloatArray
    essential: FloatArray
    changes: FloatArray
    period_s: float

    def shifted(self, frames: int) -> "_Tracks":
        """Pair picture j of camera 1 with j + `frames` of camera 2."""
        length = self.rays1.shape[1] - abs(frames)
        first, second = max(0, -frames), max(0, frames)
        return _Tracks(
            rays1=self.rays1[:, first : first + length],
            rays2=self.rays2[:, second : second + length],
            sigma_px=self.sigma_px[:, first : first + length],
            focal1=self.focal1,
            focal2=self.focal2,
            essential=self.essential,
            changes=self.changes,
            period_s=self.period_s,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Rows:
    """What is regressed: a row a corner. The last of the `columns` is speed across the line, px/s."""

    residual: FloatArray
    columns: FloatArray
    weight: FloatArray
    speed_variance: FloatArray
    run: NDArray[np.int64]
    n_pairs: int


def time_offset(
    runs: PairedRuns,
    geometry: StereoGeometry,
    *,
    max_shift_frames: int = MAX_SHIFT_FRAMES,
    fewest_runs: int = MIN_RUNS,
) -> TimeOffset:
    """Whole frames first, then the rest, by which camera 2 takes its pictures later than camera 1.

    Parameters
    ----------
    runs : PairedRuns
        L >= 3; shifts of up to L - 3 frames can be told.
    geometry : StereoGeometry
        May be a little wrong: its five epipolar degrees of freedom are fitted beside the offset.
    max_shift_frames : int
    fewest_runs : int
        Of few runs sigma is little known: 8 % of errors beyond two sigmas with five, 7 % with six (200 simulations).

    Returns
    -------
    TimeOffset
        `sigma_s` is infinite when fewer than `fewest_runs` runs move across the lines.

    Notes
    -----
    The residual is averaged over three pictures by Simpson's rule and the speed taken over the same span,
    from both cameras alike, so that acceleration cancels: what is left over is of third order in the offset.
    Both are Sampson distances, the speed being the change when one camera goes on by a picture and the other
    stands still. The noise of that speed is subtracted from its square. Sigma comes from leaving out one run
    at a time, as the corners of a run share the board's motion and much of their error; with runs of unequal
    speed it is on the large side (sd of error over sigma 0.7 to 1.2 in simulations).

    Not seen: motion along the epipolar lines; what lies more than `max_shift_frames` away. A rolling shutter
    adds the difference of the rows at which both cameras see the board, times the time a row takes.
    """
    tracks = _tracks(runs, geometry)
    limit = min(max_shift_frames, runs.pixels1.shape[1] - 3)
    residuals = {shift: _left_by(tracks.shifted(shift)) for shift in range(-limit, limit + 1)}
    known = {shift: value for shift, value in residuals.items() if np.isfinite(value)}
    shift = min(known, key=lambda s: (known[s], abs(s))) if known else 0
    found = _at_shift(tracks, shift, known, fewest_runs)
    for _ in range(3):
        later = found.offset_s - shift * runs.period_s
        better = _nearest_shift(later, found.sigma_s, runs.period_s)
        if not found.speed_is_enough or better == shift or abs(better) > limit:
            break
        shift = better
        found = _at_shift(tracks, shift, known, fewest_runs)
    return found


def _nearest_shift(later_s: float, sigma_s: float, period_s: float) -> int:
    """Whole frames that leave the least; none at all when half a frame either way is as good."""
    if not np.isfinite(sigma_s) or abs(later_s) <= 0.5 * period_s + 2.0 * sigma_s:
        return 0
    return -round(later_s / period_s)


def _tracks(runs: PairedRuns, geometry: StereoGeometry) -> _Tracks:
    rays = []
    for pixels, intrinsics, model in zip(
        (runs.pixels1, runs.pixels2), geometry.intrinsics, geometry.models, strict=True
    ):
        flat = pixels.reshape(-1, 2)
        seen = np.isfinite(flat).all(1)
        out = np.full_like(flat, np.nan)
        out[seen] = unproject(flat[seen], intrinsics, model)
        rays.append(out.reshape(pixels.shape))
    along = geometry.translation / np.linalg.norm(geometry.translation)
    turns = [skew(along) @ skew(axis) @ geometry.rotation for axis in np.eye(3)]
    # Two directions square to the baseline: its length does not show.
    sideways = np.linalg.svd(along[None])[2][1:]
    moves = [skew(direction) @ geometry.rotation for direction in sideways]
    return _Tracks(
        rays1=rays[0],
        rays2=rays[1],
        sigma_px=np.sqrt(0.5 * (runs.sigma1_px**2 + runs.sigma2_px**2)),
        focal1=geometry.intrinsics[0][:2],
        focal2=geometry.intrinsics[1][:2],
        essential=skew(along) @ geometry.rotation,
        changes=np.array([*turns, *moves]),
        period_s=runs.period_s,
    )


def _distance(tracks: _Tracks, rays1: FloatArray, rays2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Signed Sampson distance (...), px, and its change (..., 5) with the geometry."""
    one = np.ones((*rays1.shape[:-1], 1))
    x1, x2 = np.concatenate([rays1, one], axis=-1), np.concatenate([rays2, one], axis=-1)
    line2, line1 = x1 @ tracks.essential.T, x2 @ tracks.essential
    size = np.sqrt(
        ((line2[..., :2] / tracks.focal2) ** 2).sum(-1) + ((line1[..., :2] / tracks.focal1) ** 2).sum(-1)
    )
    changes = np.einsum("...i,kij,...j->...k", x2, tracks.changes, x1, optimize=True)
    return (x2 * line2).sum(-1) / size, changes / size[..., None]


def _left_by(tracks: _Tracks) -> float:
    """Robust spread of the residual when only the geometry is fitted, px."""
    distance, changes = _distance(tracks, tracks.rays1, tracks.rays2)
    rows = np.flatnonzero(np.isfinite(distance).ravel())
    if len(rows) < 10 * changes.shape[-1]:
        return float("inf")
    rows = rows[:: max(1, len(rows) // _MOST_SEARCH_ROWS)]
    y, x = distance.reshape(-1)[rows], changes.reshape(-1, changes.shape[-1])[rows]
    weight = np.ones_like(y)
    return _robust_fit(x, y, weight, np.zeros((x.shape[1], x.shape[1])), rounds=8)[2]


def _rows(tracks: _Tracks) -> _Rows:
    """One row a corner of each moving pair that has both its neighbours."""
    a, b, h = tracks.rays1, tracks.rays2, tracks.period_s
    distance, changes = _distance(tracks, a, b)
    now, before, after = slice(1, -1), slice(None, -2), slice(2, None)
    mean = (distance[:, before] + 4.0 * distance[:, now] + distance[:, after]) / 6.0
    second = _distance(tracks, a[:, now], b[:, after])[0] - _distance(tracks, a[:, now], b[:, before])[0]
    first = _distance(tracks, a[:, before], b[:, now])[0] - _distance(tracks, a[:, after], b[:, now])[0]
    speed = (first + second) / (4.0 * h)
    variance = tracks.sigma_px**2
    mean_variance = (variance[:, before] + 16.0 * variance[:, now] + variance[:, after]) / 36.0
    speed_variance = (variance[:, before] + variance[:, after]) / (16.0 * h**2)
    known = np.isfinite(mean) & np.isfinite(speed)
    moving = known & _moving(speed, speed_variance, known)[..., None]
    run, pair = np.nonzero(moving)[:2]
    return _Rows(
        residual=mean[moving],
        columns=np.column_stack([changes[:, now][moving], speed[moving]]),
        weight=1.0 / mean_variance[moving],
        speed_variance=speed_variance[moving],
        run=run.astype(np.int64),
        n_pairs=len(np.unique(run * mean.shape[1] + pair)),
    )


def _moving(speed: FloatArray, variance: FloatArray, known: BoolArray) -> BoolArray:
    """Pairs (M, P) whose speed across the lines stands out from its noise."""
    count = known.sum(-1)
    square, noise = (np.where(known, values, 0.0).sum(-1) for values in (speed**2, variance))
    return np.asarray((count >= MIN_CORNERS) & (square > MOVING_OVER_NOISE**2 * noise))


def _robust_fit(
    x: FloatArray, y: FloatArray, weight: FloatArray, noise: FloatArray, *, rounds: int
) -> tuple[FloatArray, FloatArray, float]:
    """Iteratively reweighted regression: coefficients, final weights, and robust spread of the residual.

    `noise` (P, P) is the part of a row's outer product that noise in the columns makes, for weight one.
    """
    robust = np.ones_like(y)
    for number in range(rounds):
        w = weight * robust
        normal = (x * w[:, None]).T @ x - w.sum() * noise
        solution = _solve(normal, (x * w[:, None]).T @ y)
        residual = y - x @ solution
        scaled = np.abs(residual) * np.sqrt(weight)
        scale = max(float(np.median(scaled)) / _MEDIAN_OF_NORMAL, 1e-12)
        robust = evaluate_loss(scaled / scale, "huber" if number < rounds // 2 else "tukey").weight
    return solution, weight * robust, float(np.median(np.abs(residual))) / _MEDIAN_OF_NORMAL


def _solve(normal: FloatArray, right: FloatArray) -> FloatArray:
    """Solve scaled normal equations; directions that nothing determines stay at zero."""
    scale = np.sqrt(np.maximum(np.diagonal(normal, axis1=-2, axis2=-1), 1e-300))
    scaled = normal / (scale[..., :, None] * scale[..., None, :])
    inverse = np.linalg.pinv(scaled, rcond=1e-9, hermitian=True)
    return np.asarray((inverse @ (right / scale)[..., None])[..., 0] / scale)


def _at_shift(tracks: _Tracks, shift: int, residuals: dict[int, float], fewest_runs: int) -> TimeOffset:
    rows = _rows(tracks.shifted(shift))
    groups = np.unique(rows.run)
    if len(groups) < fewest_runs:
        return _nothing_moved(shift, rows, residuals)
    noise = np.zeros((rows.columns.shape[1],) * 2)
    noise[-1, -1] = float((rows.weight * rows.speed_variance).sum() / rows.weight.sum())
    solution, weight, left = _robust_fit(rows.columns, rows.residual, rows.weight, noise, rounds=20)
    without = _leaving_out(rows, weight, noise, groups)
    spread = np.sqrt((len(groups) - 1) / len(groups) * ((without - solution) ** 2).sum(0))
    rest = _rms_of(rows.columns[:, :-1] @ solution[:-1])
    rest_without = np.array([_rms_of(rows.columns[:, :-1] @ each[:-1]) for each in without])
    return TimeOffset(
        shift_frames=shift,
        offset_s=float(solution[-1]),
        sigma_s=float(spread[-1]),
        at_rest_px=rest,
        at_rest_sigma_px=float(np.sqrt((len(groups) - 1) / len(groups) * ((rest_without - rest) ** 2).sum())),
        left_px=left,
        speed_px_s=_rms_of(rows.columns[:, -1]),
        n_pairs=rows.n_pairs,
        n_corners=len(rows.residual),
        n_runs=len(groups),
        shift_residuals_px=residuals,
    )


def _rms_of(values: FloatArray) -> float:
    return float(np.sqrt((values**2).mean())) if len(values) else 0.0


def _leaving_out(
    rows: _Rows, weight: FloatArray, noise: FloatArray, groups: Sequence[int] | NDArray[np.int64]
) -> FloatArray:
    """Coefficients (M, P) without each run in turn, weights kept."""
    weighted = rows.columns * weight[:, None]
    normals, rights = [], []
    for group in groups:
        mine = rows.run == group
        normals.append(weighted[mine].T @ rows.columns[mine] - weight[mine].sum() * noise)
        rights.append(weighted[mine].T @ rows.residual[mine])
    normal, right = np.array(normals), np.array(rights)
    return _solve(normal.sum(0) - normal, right.sum(0) - right)


def _nothing_moved(shift: int, rows: _Rows, residuals: dict[int, float]) -> TimeOffset:
    return TimeOffset(
        shift_frames=shift,
        offset_s=0.0,
        sigma_s=float("inf"),
        at_rest_px=0.0,
        at_rest_sigma_px=float("inf"),
        left_px=0.0,
        speed_px_s=_rms_of(rows.columns[:, -1]),
        n_pairs=rows.n_pairs,
        n_corners=len(rows.residual),
        n_runs=len(np.unique(rows.run)),
        shift_residuals_px=residuals,
    )
