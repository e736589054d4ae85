"""What a solution says, each number with its gradient by the shared unknowns, hence its sigma."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.solve import Solution
from rigcheck.geometry.board_shape import named_heights
from rigcheck.geometry.rotation import log_rotation, pair_axes
from rigcheck.model import Estimate

FloatArray = NDArray[np.float64]

_DISTORTION_NAMES = {
    "brown": ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"),
    "fisheye": ("k1", "k2", "k3", "k4"),
}

__all__ = ["Quantity", "flatness", "parameter_names", "parameter_sigmas", "quantities", "stored_covariance"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Quantity:
    """A number with its gradient (G,) by the shared unknowns.

    `by_scale` is its derivative by the relative scale of the board, which the pictures cannot tell.
    """

    name: str
    value: float
    unit: str
    gradient: FloatArray
    by_scale: float = 0.0

    def sigma(self, solution: Solution) -> float:
        """Standard uncertainty, the board's scale included where it was measured."""
        scale = solution.board.scale_sigma or 0.0
        return float(np.hypot(solution.covariance.sigma(self.gradient), self.by_scale * scale))

    def leave_out_sigma(self, solution: Solution) -> float:
        """The same from leaving views out in turn."""
        scale = solution.board.scale_sigma or 0.0
        return float(np.hypot(solution.covariance.leave_out_sigma(self.gradient), self.by_scale * scale))


def parameter_names(solution: Solution) -> tuple[str, ...]:
    """Names of the shared unknowns, in their order, with units as suffixes."""
    layout, names = solution.adjustment.layout, []
    for setup, model, mask in zip(solution.setups, layout.models, layout.free, strict=True):
        full = (
            "focal_x_px",
            "focal_y_px",
            "centre_x_px",
            "centre_y_px",
            "skew_px",
            *_DISTORTION_NAMES[model],
        )
        names += [f"{setup.name}.{name}" for name, free in zip(full, mask, strict=True) if free]
    if len(layout.models) == 2:
        names += [f"stereo.turn_{axis}_rad" for axis in "xyz"]
        names += [f"stereo.translation_{axis}_mm" for axis in "xyz"]
    return (*names, *(f"board.shape_{i}{j}_mm" for i, j in solution.terms))


def stored_covariance(solution: Solution) -> FloatArray:
    """Joint covariance (G, G) in the order of :func:`parameter_names`, the board's scale included."""
    covariance = solution.covariance.combined.copy()
    scale = solution.board.scale_sigma
    if scale is not None and len(solution.setups) == 2:
        by_scale = np.zeros(len(covariance))
        by_scale[solution.adjustment.layout.stereo_slice][3:] = solution.adjustment.state.translation
        covariance += scale**2 * np.outer(by_scale, by_scale)
    return covariance


def parameter_sigmas(solution: Solution, camera: int) -> FloatArray:
    """Sigma of each entry of a camera's full intrinsics vector; 0 where it is held."""
    layout = solution.adjustment.layout
    mask, part = layout.free[camera], layout.intrinsics_slices[camera]
    out = np.zeros(len(mask))
    units = np.eye(layout.size)[part]
    out[mask] = [solution.covariance.sigma(unit) for unit in units]
    return out


def quantities(solution: Solution) -> dict[str, Quantity]:
    """Every reported number of the rig that is a function of the shared unknowns.

    Returns
    -------
    dict of str to Quantity
        `<camera>.focal_x_px` and so on; with two cameras `stereo.convergence_deg`, `stereo.across_deg`,
        `stereo.twist_deg` (the turn of camera 2 against camera 1 along the pair's axes, toe-in positive),
        `stereo.translation_x_mm` and so on, `stereo.baseline_mm`.
    """
    found = [*_intrinsics(solution)]
    if len(solution.setups) == 2:
        found += _stereo(solution)
    found += _shape(solution)
    return {quantity.name: quantity for quantity in found}


def _intrinsics(solution: Solution) -> list[Quantity]:
    layout, state, out = solution.adjustment.layout, solution.adjustment.state, []
    for camera, setup in enumerate(solution.setups):
        free = np.flatnonzero(layout.free[camera])
        start = layout.intrinsics_slices[camera].start
        for entry, name in enumerate(("focal_x_px", "focal_y_px", "centre_x_px", "centre_y_px")):
            gradient = np.zeros(layout.size)
            gradient[start + int(np.searchsorted(free, entry))] = 1.0
            value = float(state.intrinsics[camera][entry])
            out.append(Quantity(name=f"{setup.name}.{name}", value=value, unit="px", gradient=gradient))
    return out


def flatness(solution: Solution, numbers: Mapping[str, Quantity]) -> Estimate:
    """The largest of the board's named heights, mm; without a value where it was taken as flat."""
    if not solution.terms:
        return Estimate(value=None, unit="mm", reason="the board was taken as flat")
    heights = [one for name, one in numbers.items() if name.startswith("board.") and one.gradient.any()]
    worst = max(heights, key=lambda one: abs(one.value))
    return Estimate(
        value=abs(worst.value), sigma=worst.sigma(solution), unit="mm", n=solution.adjustment.summary.n_points
    )


def _shape(solution: Solution) -> list[Quantity]:
    layout, out = solution.adjustment.layout, []
    if not solution.terms:
        return []
    for name, by_shape in named_heights(solution.board, solution.terms).items():
        gradient = np.zeros(layout.size)
        gradient[layout.shape_slice] = by_shape
        value = float(by_shape @ solution.adjustment.state.shape)
        out.append(Quantity(name=f"board.{name}_mm", value=value, unit="mm", gradient=gradient))
    return out


def _stereo(solution: Solution) -> list[Quantity]:
    layout, state = solution.adjustment.layout, solution.adjustment.state
    start, t = layout.stereo_slice.start, state.translation
    axes = pair_axes(state.rotation, t).matrix
    turned = -np.degrees(axes @ log_rotation(state.rotation))
    out = []
    for axis, name, value in zip(axes, ("convergence", "across", "twist"), turned, strict=True):
        gradient = np.zeros(layout.size)
        gradient[start : start + 3] = -np.degrees(axis)
        out.append(Quantity(name=f"stereo.{name}_deg", value=float(value), unit="deg", gradient=gradient))
    for k, name in enumerate("xyz"):
        gradient = np.zeros(layout.size)
        gradient[start + 3 + k] = 1.0
        out.append(
            Quantity(
                name=f"stereo.translation_{name}_mm",
                value=float(t[k]),
                unit="mm",
                gradient=gradient,
                by_scale=float(t[k]),
            )
        )
    baseline = float(np.linalg.norm(t))
    gradient = np.zeros(layout.size)
    gradient[start + 3 : start + 6] = t / baseline
    out.append(
        Quantity(name="stereo.baseline_mm", value=baseline, unit="mm", gradient=gradient, by_scale=baseline)
    )
    return out
