"""How much of the residuals is noise of the corners, and how much a model that does not fit.

Over three by three neighbouring corners lens, board and pose bend so little that a homography of its own
explains whatever they do wrong: what it leaves over is the corners' noise. The whole solution leaves over the
noise and what does not fit. The ratio of both says what RMS cannot.

References
----------
Hagemann et al., "Bias detection and prediction of mapping errors in camera calibration", GCPR 2020, and
"Inferring bias and uncertainty in camera calibration", arXiv 2107.13484, separate bias from corner noise;
this is a simple form of that idea, not theirs.
Efron & Stein, "The jackknife estimate of variance", Annals of Statistics 9(3), 1981.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.blind_residuals import FitResiduals, fit_residuals
from rigcheck.calibration.evidence import corner_ids
from rigcheck.calibration.solve import Solution
from rigcheck.geometry.projection import N_PINHOLE, distort, unproject
from rigcheck.model import Estimate

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Corners along a patch: 18 coordinates less the 8 of a homography leave 10.
_SIDE = 3
_PATCH_FREEDOM = 10
# Fewer views than this say nothing about how the ratio varies from view to view.
_MIN_VIEWS = 3

# Corners are not found better than this per axis in real pictures (literature: 0.03-0.1 px). In cleaner ones,
# such as rendered, a bias that would vanish in any real noise must not look large beside none at all.
NOISE_FLOOR_PX = 0.01

__all__ = ["NOISE_FLOOR_PX", "noise_measurements"]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sums:
    """Per view of one camera: local and global squares (whitened) and their degrees of freedom, (V,) each.

    `sigma_px` is what the camera's residuals were typically whitened by.
    """

    local_squares: FloatArray
    local_freedom: FloatArray
    global_squares: FloatArray
    global_freedom: FloatArray
    sigma_px: float

    def ratio(self, keep: NDArray[np.bool_]) -> float:
        local = self.local_squares[keep].sum() / self.local_freedom[keep].sum()
        overall = self.global_squares[keep].sum() / self.global_freedom[keep].sum()
        return float((overall - local) / (overall + (NOISE_FLOOR_PX / self.sigma_px) ** 2))

    @property
    def local_variance(self) -> float:
        return float(self.local_squares.sum() / self.local_freedom.sum())


def noise_measurements(solution: Solution) -> dict[str, Estimate]:
    """Noise of the corners and share of the residuals that it does not explain, per camera.

    Parameters
    ----------
    solution : Solution

    Returns
    -------
    dict of str to Estimate
        ``<camera>.bias_ratio``: 1 minus the local over the global variance of the residuals; about 0 when
        everything fits, towards 1 when noise explains next to nothing. The square of NOISE_FLOOR_PX is
        added to the global variance that it is a share of.
        ``<camera>.bias_ratio_flat``: the same had the board been taken as flat; only where its shape is
        solved for.
        ``<camera>.local_noise_px``: the corners' own noise per axis.

    Notes
    -----
    Local: a homography fitted to every complete 3 x 3 patch of undistorted corners, to first order around
    the solution and in the metric of the recorded picture; patches overlap, which costs nothing in the mean.
    Global: the sum of squares over its degrees of freedom, counted corner by corner. Each residual stands
    over its corner's sigma. Sigma: views left out in turn. Blind to what is wrong in the same way over
    neighbouring corners only as noise is (a detector's error per corner), and to whatever the poses and lens
    swallow whole: a print of the wrong scale, a wrong focal ratio.
    """
    out = {}
    now = fit_residuals(solution)
    flat = fit_residuals(solution, flat_board=True) if solution.adjustment.layout.n_shape else None
    for camera, setup in enumerate(solution.setups):
        sums = _sums(solution, now, camera)
        out[f"{setup.name}.bias_ratio"] = _ratio(sums)
        out[f"{setup.name}.local_noise_px"] = _noise_px(solution, now, sums, camera)
        if flat is not None:
            out[f"{setup.name}.bias_ratio_flat"] = _ratio(_sums(solution, flat, camera))
    return out


def _ratio(sums: _Sums) -> Estimate:
    used = sums.local_freedom > 0
    n = int(used.sum())
    if n < _MIN_VIEWS:
        return Estimate(
            value=None,
            reason=f"{n} views show a complete block of {_SIDE} x {_SIDE} corners, {_MIN_VIEWS} are needed",
        )
    kept = sums.global_freedom > 0
    left_out = []
    for view in np.flatnonzero(used):
        keep = kept.copy()
        keep[view] = False
        left_out.append(sums.ratio(keep))
    spread = np.array(left_out) - np.mean(left_out)
    patches = int(sums.local_freedom.sum()) // _PATCH_FREEDOM
    return Estimate(value=sums.ratio(kept), sigma=float(np.sqrt((n - 1) / n * (spread**2).sum())), n=patches)


def _noise_px(solution: Solution, residuals: FitResiduals, sums: _Sums, camera: int) -> Estimate:
    patches = int(sums.local_freedom.sum()) // _PATCH_FREEDOM
    if not patches:
        return Estimate(value=None, unit="px", reason=f"no complete block of {_SIDE} x {_SIDE} corners")
    mine = residuals.camera_idx == camera
    value = sums.sigma_px * float(np.sqrt(sums.local_variance))
    # Patches share corners with their neighbours: there are at most as many independent values as corners.
    return Estimate(value=value, sigma=value / float(np.sqrt(2.0 * mine.sum())), unit="px", n=patches)


def _sums(solution: Solution, residuals: FitResiduals, camera: int) -> _Sums:
    mine = residuals.camera_idx == camera
    view = residuals.view_idx[mine]
    n_views = len(solution.views)
    local_squares, local_freedom = np.zeros(n_views), np.zeros(n_views)
    patches = _patches(solution, residuals, camera)
    if len(patches):
        squares = _patch_squares(solution, residuals, camera, patches)
        of_view = residuals.view_idx[patches[:, 0]]
        local_squares = _by_view(of_view, squares, n_views)
        local_freedom = _by_view(of_view, np.full(len(squares), float(_PATCH_FREEDOM)), n_views)
    return _Sums(
        local_squares=local_squares,
        local_freedom=local_freedom,
        global_squares=_by_view(view, (residuals.residuals[mine] ** 2).sum(1), n_views),
        global_freedom=_by_view(view, residuals.freedom[mine], n_views),
        sigma_px=float(np.median(1.0 / residuals.inverse_sigma[mine])),
    )


def _by_view(view_idx: IntArray, values: FloatArray, n_views: int) -> FloatArray:
    return np.asarray(np.bincount(view_idx, values, n_views), dtype=np.float64)


def _patches(solution: Solution, residuals: FitResiduals, camera: int) -> IntArray:
    """Positions among `residuals` of the corners of every complete patch, (P, 9)."""
    columns, rows = solution.board.corner_grid
    ids = corner_ids(solution)[residuals.rows]
    found = []
    for start, end in zip(residuals.bounds[:-1], residuals.bounds[1:], strict=True):
        positions = np.arange(start, end)[residuals.camera_idx[start:end] == camera]
        grid = np.full((rows, columns), -1, dtype=np.int64)
        grid[ids[positions] // columns, ids[positions] % columns] = positions
        if min(rows, columns) < _SIDE:
            continue
        windows = np.lib.stride_tricks.sliding_window_view(grid, (_SIDE, _SIDE)).reshape(-1, _SIDE**2)
        found.append(windows[(windows >= 0).all(1)])
    return np.concatenate(found) if found else np.zeros((0, _SIDE**2), dtype=np.int64)


def _patch_squares(solution: Solution, residuals: FitResiduals, camera: int, patches: IntArray) -> FloatArray:
    """Squared whitened residuals that each patch's own homography leaves over, (P,)."""
    used = np.unique(patches)
    seat = np.zeros(residuals.n, dtype=np.int64)
    seat[used] = np.arange(len(used))
    rays, by_ray = _rays(solution, camera, residuals.rows[used])
    by_ray = by_ray * residuals.inverse_sigma[used][:, None, None]
    at = seat[patches]
    xy = rays[at] - rays[at].mean(1, keepdims=True)
    xy = xy / np.abs(xy).max((1, 2), keepdims=True)
    columns = np.einsum("pkij,pkjm->pkim", by_ray[at], _plane_motions(xy))
    basis, _ = np.linalg.qr(columns.reshape(len(patches), 2 * _SIDE**2, 8))
    observed = residuals.residuals[patches].reshape(len(patches), -1)
    explained = np.einsum("pkm,pk->pm", basis, observed)
    return np.asarray((observed**2).sum(1) - (explained**2).sum(1))


def _rays(solution: Solution, camera: int, rows: IntArray) -> tuple[FloatArray, FloatArray]:
    """Undistorted directions (N, 2) of the projected corners, and pixels' derivatives by them (N, 2, 2)."""
    adjustment = solution.adjustment
    model, values = adjustment.layout.models[camera], adjustment.state.intrinsics[camera]
    projected = adjustment.observations.pixels[rows] - adjustment.prediction.residuals[rows]
    rays = unproject(projected, values, model)
    affine = np.array([[values[0], values[4]], [0.0, values[1]]])
    return rays, np.asarray(affine @ distort(rays, values[N_PINHOLE:], model)[1])


def _plane_motions(xy: FloatArray) -> FloatArray:
    """First-order motions (..., 2, 8) that homographies make of points (..., 2) on a plane."""
    x, y = xy[..., 0], xy[..., 1]
    one, zero = np.ones_like(x), np.zeros_like(x)
    along_x = np.stack([one, zero, x, y, zero, zero, x * x, x * y], axis=-1)
    along_y = np.stack([zero, one, zero, zero, x, y, x * y, y * y], axis=-1)
    return np.stack([along_x, along_y], axis=-2)
