"""Whether the picture moved over the sensor from view to view: stabilisation, or a lens that sits loosely.

A rigid camera has one principal point. In-camera stabilisation cuts every picture out of the sensor's a
little elsewhere: each view then wants a principal point of its own. Poses take up most of it, so that RMS
says little; what a tilted board's near and far side leave over says it.

References
----------
DerSimonian & Laird, "Meta-analysis in clinical trials", Controlled Clinical Trials 7(3), 1986 (the moment
estimate of a scatter beyond the single values' own uncertainty).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.alone import alone_fit
from rigcheck.calibration.blind_residuals import root_of_excess
from rigcheck.calibration.solve import Solution
from rigcheck.model import Estimate

FloatArray = NDArray[np.float64]

# Fewer views leave the scatter of their shifts unknown.
_MIN_VIEWS = 5
# Directions of the shared unknowns that poses leave less than this share of are not solved for.
_LEAST_SHARE = 1e-9

__all__ = ["wander_measurements"]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Shifts:
    """How the views' own principal points scatter.

    `square` is the chi-square of the shifts about their common mean, `freedom` what noise alone would give;
    each px² of scatter per axis would add `per_px2`. `share` of the squared residuals goes with them.
    """

    square: float
    freedom: int
    per_px2: float
    share: float
    views: int


def wander_measurements(solution: Solution) -> dict[str, Estimate]:
    """Wandering of each camera's picture from view to view.

    Parameters
    ----------
    solution : Solution

    Returns
    -------
    dict of str to Estimate
        ``<camera>.wander_px``: scatter of the views' own principal points beyond noise, root mean square per
        axis, px; 0 for a rigid camera.
        ``<camera>.wander_ratio``: root of the shifts' mean square over what noise gives; 1 for a rigid camera.
        ``<camera>.wander_share``: share of that camera's squared residuals that the shifts take away beyond
        chance; near 1 where nothing else is wrong.

    Notes
    -----
    One linear step from the camera's own fit: each view gets a principal point of its own; lens and board are
    shared. The other camera's faults, and time between the two, do not enter. Noise is what the step leaves
    over. Flat-on views say next to nothing and weigh so. A board that bends anew in every view, or a rolling
    shutter in movement, also scatters the shifts: `wander_share` is then low. Less than about a pixel is not
    seen by one camera alone; a pair shows it as cameras that do not fit together
    (:mod:`~rigcheck.calibration.together`).
    """
    out: dict[str, Estimate] = {}
    if solution.prior is not None:
        reason = "with a prior the cameras were not fitted alone"
        return {f"{setup.name}.wander_px": Estimate(value=None, reason=reason) for setup in solution.setups}
    for camera, setup in enumerate(solution.setups):
        found = _camera_shifts(solution, camera)
        if isinstance(found, str):
            unit = {"wander_px": "px"}
            for key in ("wander_px", "wander_ratio", "wander_share"):
                out[f"{setup.name}.{key}"] = Estimate(value=None, unit=unit.get(key, ""), reason=found)
            continue
        out |= {f"{setup.name}.{key}": value for key, value in _scatter(found).items()}
    return out


def _scatter(found: _Shifts) -> dict[str, Estimate]:
    n, freedom = found.views, found.freedom
    spread = float(np.sqrt(2.0 * freedom)) * max(1.0, found.square / freedom)
    value, sigma = root_of_excess(
        found.square / found.per_px2, freedom / found.per_px2, spread / found.per_px2
    )
    ratio = float(np.sqrt(found.square / freedom))
    return {
        "wander_px": Estimate(value=value, sigma=sigma, unit="px", n=n),
        # A chi-square of so many degrees over them: its root spreads by 1 / sqrt(2 freedom).
        "wander_ratio": Estimate(value=ratio, sigma=float(ratio / np.sqrt(2.0 * freedom)), n=n),
        "wander_share": Estimate(value=found.share, n=n),
    }


def _camera_shifts(solution: Solution, camera: int) -> _Shifts | str:
    """One camera's shifts, or why there are none."""
    fit = alone_fit(solution, camera)
    o, layout = fit.observations, fit.layout
    rows = np.flatnonzero(fit.believed)
    numbers, counts = np.unique(o.view_idx[rows], return_counts=True)
    views = [rows[o.view_idx[rows] == n] for n, count in zip(numbers, counts, strict=True) if count >= 8]
    if len(views) < _MIN_VIEWS:
        return f"{len(views)} views with eight corners or more, {_MIN_VIEWS} are needed"
    shared = np.ones(layout.size, dtype=bool)
    shared[2:4] = False  # each view's own principal point stands for it
    parts = []
    for mine in views:
        scale = (1.0 / (o.sigma_px[mine] * fit.scale))[:, None, None]
        pose = np.linalg.qr((fit.prediction.by_private[mine] * scale).reshape(-1, 6))[0]
        own = np.broadcast_to(np.eye(2), (len(mine), 2, 2))
        columns = [
            fit.prediction.by_shared[mine][:, :, shared],
            own,
            fit.prediction.residuals[mine][:, :, None],
        ]
        flat = (np.concatenate(columns, axis=2) * scale).reshape(2 * len(mine), -1)
        parts.append(flat - pose @ (pose.T @ flat))
    return _regression(parts, int(shared.sum()))


def _regression(parts: list[FloatArray], n_shared: int) -> _Shifts | str:
    """Shifts by view with the shared unknowns eliminated; parts are (2 n, shared + 2 + 1), poses taken out."""
    v, g = len(parts), n_shared
    shared, cross, pull = np.zeros((g, g)), np.zeros((g, 2 * v)), np.zeros(g)
    own, own_pull = np.zeros((2 * v, 2 * v)), np.zeros(2 * v)
    squares = 0.0
    for number, part in enumerate(parts):
        lens, shift, residuals = part[:, :g], part[:, g : g + 2], part[:, -1]
        here = slice(2 * number, 2 * number + 2)
        shared += lens.T @ lens
        cross[:, here], own[here, here] = lens.T @ shift, shift.T @ shift
        pull += lens.T @ residuals
        own_pull[here] = shift.T @ residuals
        squares += float(residuals @ residuals)
    over = cross.T @ _inverse(shared)
    squares -= float(pull @ _inverse(shared) @ pull)
    information, right = own - over @ cross, own_pull - over @ pull
    # A shift common to all views is the principal point's own: take it away.
    common = np.tile(np.eye(2), (v, 1))
    along = information @ common
    mean = _inverse(common.T @ along)
    before = squares - float(right @ common @ mean @ (common.T @ right))
    right = right - along @ mean @ (common.T @ right)
    information = information - along @ mean @ along.T
    taken = float(right @ np.linalg.pinv(information, rcond=_LEAST_SHARE, hermitian=True) @ right)
    freedom = sum(len(part) for part in parts) - 6 * v - g - 2 * v
    if freedom < 2 * v or before <= taken:
        return "too few corners a view to tell a shift from noise"
    noise = (before - taken) / freedom
    chance = 2 * (v - 1)
    return _Shifts(
        square=taken / noise,
        freedom=chance,
        per_px2=float(np.trace(information)) / noise,
        share=float(np.clip((taken - chance * noise) / before, 0.0, 1.0)),
        views=v,
    )


def _inverse(matrix: FloatArray) -> FloatArray:
    """Inverse after scaling to a unit diagonal; pixels and coefficients compare."""
    size = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-30))
    scaled = np.linalg.pinv(matrix * size[:, None] * size, rcond=_LEAST_SHARE, hermitian=True)
    return np.asarray(scaled * size[:, None] * size)
