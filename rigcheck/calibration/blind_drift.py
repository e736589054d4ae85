"""Whether the rig changed while the board was filmed: warming cameras, a lens or clamp that gives.

The fit holds the rig still over the clip. If it moved steadily, residuals carry what each view would have
wanted instead, in step with time; how far the rig moved from first to last view follows in one linear step.

References
----------
Bell & McCaffrey, "Bias reduction in standard errors for linear regression with multi-stage samples",
Survey Methodology 28(2), 2002 (sums over views as the independent pieces).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.blind_residuals import FitResiduals, fit_residuals, root_of_excess
from rigcheck.calibration.harm import depth_by_shared
from rigcheck.calibration.solve import Solution
from rigcheck.geometry.rotation import pair_axes
from rigcheck.model import Estimate

FloatArray = NDArray[np.float64]

# A slope and something to weigh it by, with room for views that say little.
_MIN_VIEWS = 8

__all__ = ["drift_measurements", "view_times_s"]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Ways:
    """Ways in which a rig drifts: names with units, directions (G, K) in the shared unknowns.

    `harm` (K, K): the mean square of the depth change over the face is s' harm s for changes s.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    directions: FloatArray
    harm: FloatArray


def drift_measurements(solution: Solution, *, working_distance_mm: float) -> dict[str, Estimate]:
    """Steady change of the rig from the first view to the last.

    Parameters
    ----------
    solution : Solution
    working_distance_mm : float

    Returns
    -------
    dict of str to Estimate
        ``clip.drift_depth_mm``: RMS change in depth of points over the face (one camera: at the working
        distance, by the focal length), beyond what noise would show.
        ``clip.drift_ratio``: length of the change against what noise alone would show, 1 when nothing moved.
        ``clip.duration_s``: from first view to last.
        ``<camera>.focal_drift_px``; with one camera also ``<camera>.centre_x_drift_px`` and ``..._y_...``;
        with two, ``stereo.convergence_drift_deg``, ``..across..`` and ``..twist..``, camera 2 turning about
        its own projection centre. A moving principal point shows as a turn.

    Notes
    -----
    Regression of the residuals on time times each way's derivative, all other unknowns free. Sigma is the
    larger of that from independent corners and that from views as independent pieces. A lens model or board
    that does not fit, filmed near at first and far at last, looks like drift: mend what other checks find
    first. A change that comes and goes, or a jump, shows only by its steady part.
    """
    times = view_times_s(solution)
    if isinstance(times, str):
        return {"clip.drift_depth_mm": Estimate(value=None, unit="mm", reason=times)}
    residuals = fit_residuals(solution)
    ways = _pair_ways(solution, working_distance_mm) if len(solution.setups) == 2 else None
    ways = ways or _single_ways(solution, working_distance_mm)
    phase = (times - times.min()) / np.ptp(times) - 0.5
    change, covariances = _regression(solution, residuals, ways, phase)
    covariance = max(covariances, key=lambda c: float(np.trace(ways.harm @ c)))
    moved = ways.harm @ covariance
    chance = 2.0 * float(np.trace(moved @ moved))
    square, noise = float(change @ ways.harm @ change), float(np.trace(moved))
    cross = 4.0 * float(change @ ways.harm @ covariance @ ways.harm @ change) * max(0.0, 1 - noise / square)
    depth, depth_sigma = root_of_excess(square, noise, float(np.sqrt(chance + cross)))
    n = len(solution.views)
    k = len(change)
    away = float(np.sqrt(change @ np.linalg.solve(covariance, change) / k))
    out = {
        # A chi-square of k degrees of freedom over k: its root spreads by 1 / sqrt(2 k).
        "clip.drift_ratio": Estimate(value=away, sigma=float(np.sqrt(0.5 / k)), n=n),
        "clip.drift_depth_mm": Estimate(value=depth, sigma=depth_sigma, unit="mm", n=n),
        "clip.duration_s": Estimate(value=float(np.ptp(times)), unit="s", n=n),
    }
    sigmas = np.sqrt(np.max([np.diag(c) for c in covariances], axis=0))
    for name, unit, value, sigma in zip(ways.names, ways.units, change, sigmas, strict=True):
        out[name] = Estimate(value=float(value), sigma=float(sigma), unit=unit, n=n)
    return out


def view_times_s(solution: Solution) -> FloatArray | str:
    """Time of every view, (V,), s from the start of its file; or a sentence saying why there is none."""
    refs = [next(side.ref for side in view if side is not None) for view in solution.views]
    times = [ref.time_s for ref in refs if ref.time_s is not None]
    if len(times) < len(refs):
        return "the pictures carry no times"
    cameras = {ref.camera for ref in refs}
    if any(len({ref.origin for ref in refs if ref.camera == camera}) > 1 for camera in cameras):
        return "several clips were given, whose times do not join"
    if len(times) < _MIN_VIEWS or np.ptp(times) <= 0:
        return f"{len(times)} views at different times found, {_MIN_VIEWS} are needed"
    return np.array(times)


def _focal_directions(solution: Solution) -> FloatArray:
    """Per camera the direction (G,) that lengthens its focal length by one px (of the mean), (G, cameras)."""
    layout, state = solution.adjustment.layout, solution.adjustment.state
    out = np.zeros((layout.size, len(solution.setups)))
    for camera, part in enumerate(layout.intrinsics_slices):
        focal = state.intrinsics[camera][:2]
        out[part.start : part.start + 2, camera] = focal / focal.mean()
    return out


def _single_ways(solution: Solution, working_distance_mm: float) -> _Ways:
    layout, state = solution.adjustment.layout, solution.adjustment.state
    start, name = layout.intrinsics_slices[0].start, solution.setups[0].name
    centre = np.zeros((layout.size, 2))
    centre[start + 2, 0] = centre[start + 3, 1] = 1.0
    harm = np.zeros((3, 3))
    harm[0, 0] = (working_distance_mm / float(state.intrinsics[0][:2].mean())) ** 2
    return _Ways(
        names=(f"{name}.focal_drift_px", f"{name}.centre_x_drift_px", f"{name}.centre_y_drift_px"),
        units=("px", "px", "px"),
        directions=np.column_stack([_focal_directions(solution), centre]),
        harm=harm,
    )


def _pair_ways(solution: Solution, working_distance_mm: float) -> _Ways:
    layout, state = solution.adjustment.layout, solution.adjustment.state
    axes = pair_axes(state.rotation, state.translation).matrix
    turns = np.zeros((layout.size, 3))
    for column, axis in enumerate(axes):
        left_turn = -np.radians(1.0) * axis
        # About camera 2's own centre: the translation, seen from camera 2, turns along.
        turns[layout.stereo_slice, column] = [*left_turn, *np.cross(left_turn, state.translation)]
    directions = np.column_stack([_focal_directions(solution), turns])
    depth = depth_by_shared(solution, working_distance_mm) @ directions
    return _Ways(
        names=(
            *(f"{setup.name}.focal_drift_px" for setup in solution.setups),
            *(f"stereo.{turn}_drift_deg" for turn in ("convergence", "across", "twist")),
        ),
        units=("px", "px", "deg", "deg", "deg"),
        directions=directions,
        harm=depth.T @ depth / len(depth),
    )


def _regression(
    solution: Solution, residuals: FitResiduals, ways: _Ways, phase: FloatArray
) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    """Change over the clip (K,), and its covariance from independent corners and from independent views."""
    by_shared = solution.adjustment.prediction.by_shared[residuals.rows]
    columns = (
        by_shared @ ways.directions * (residuals.inverse_sigma * phase[residuals.view_idx])[:, None, None]
    )
    columns = residuals.unexplained(columns)
    flat = columns.reshape(2 * residuals.n, -1)
    information_inverse = np.linalg.inv(flat.T @ flat)
    change = information_inverse @ (flat.T @ residuals.residuals.reshape(-1))
    left = residuals.residuals - columns @ change
    freedom = float(residuals.freedom.sum()) - len(change)
    independent = information_inverse * float((left**2).sum()) / freedom
    pulls = np.stack(
        [
            np.einsum("nik,ni->k", columns[start:end], left[start:end])
            for start, end in zip(residuals.bounds[:-1], residuals.bounds[1:], strict=True)
        ]
    )
    # Views share the rig's unknowns and the slopes: a view's pull keeps about (V - 2) / V of itself.
    widened = residuals.n_views / max(residuals.n_views - 2, 1)
    by_view = information_inverse @ (pulls.T @ pulls) @ information_inverse * widened
    return np.asarray(change), (np.asarray(independent), np.asarray(by_view))
