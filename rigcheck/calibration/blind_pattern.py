"""Whether residuals make a pattern over the picture: what a lens model that does not fit leaves behind.

Noise averages out in each part of the picture as views are added; what remains is the same in every
view, and the lens model's (or, smeared, the board's).

References
----------
Hemerik, Goeman & Finos, "Robust testing in generalized linear models by sign flipping score contributions",
JRSS B 82(3), 2020 (from memory): each view's sums keep their size and lose their sign under no pattern.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.blind_residuals import FitResiduals, fit_residuals, root_of_excess
from rigcheck.calibration.solve import Solution
from rigcheck.model import Estimate

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Cells along the longer side of the picture.
_CELLS = 8
# A cell must have been seen in so many views for its mean to be weighed against their spread.
_MIN_VIEWS = 4
_MIN_CELLS = 4

__all__ = ["ResidualPattern", "pattern_measurements", "residual_pattern"]


@dataclass(frozen=True, kw_only=True, eq=False)
class ResidualPattern:
    """Mean residual over each cell of a camera's picture.

    `centres_px` (C, 2) of the cells seen in enough views, `means_px` (C, 2) observed minus projected,
    `sigmas_px` (C,) of the length of each mean by noise alone, `corners` (C,) behind it. `rms_px` with
    `rms_sigma_px` is the RMS length of the means beyond noise; `ratio` with `ratio_sigma` is the RMS length
    of the means over what noise alone gives, 1 when there is no pattern.
    """

    camera: str
    centres_px: FloatArray
    means_px: FloatArray
    sigmas_px: FloatArray
    corners: IntArray
    rms_px: float
    rms_sigma_px: float
    ratio: float
    ratio_sigma: float

    @property
    def worst(self) -> int:
        """Cell whose mean goes furthest beyond its noise."""
        return int(np.argmax((self.means_px**2).sum(1) - self.sigmas_px**2))


def pattern_measurements(solution: Solution) -> dict[str, Estimate]:
    """The pattern in numbers, per camera.

    Returns
    -------
    dict of str to Estimate
        ``<camera>.pattern_px``: RMS length of the mean residuals beyond noise.
        ``<camera>.pattern_ratio``: RMS length of the mean residuals over what noise alone gives.
        ``<camera>.pattern_worst_px`` and ``..._worst_x_px``, ``..._worst_y_px``: the largest mean residual
        and the middle of its cell (picture as recorded).
    """
    out: dict[str, Estimate] = {}
    residuals = fit_residuals(solution)
    for camera, setup in enumerate(solution.setups):
        found = residual_pattern(solution, camera, residuals=residuals)
        if isinstance(found, str):
            out |= {
                f"{setup.name}.pattern_{key}": Estimate(value=None, reason=found) for key in ("px", "ratio")
            }
            continue
        n, worst = int(found.corners.sum()), found.worst
        x, y = found.centres_px[worst]
        length = float(np.sqrt((found.means_px[worst] ** 2).sum()))
        out |= {
            f"{setup.name}.pattern_px": Estimate(
                value=found.rms_px, sigma=found.rms_sigma_px, unit="px", n=n
            ),
            f"{setup.name}.pattern_ratio": Estimate(value=found.ratio, sigma=found.ratio_sigma, n=n),
            f"{setup.name}.pattern_worst_px": Estimate(
                value=length,
                sigma=float(found.sigmas_px[worst] / np.sqrt(2.0)),
                unit="px",
                n=int(found.corners[worst]),
            ),
            f"{setup.name}.pattern_worst_x_px": Estimate(value=float(x), unit="px"),
            f"{setup.name}.pattern_worst_y_px": Estimate(value=float(y), unit="px"),
        }
    return out


def residual_pattern(
    solution: Solution, camera: int, *, residuals: FitResiduals | None = None
) -> ResidualPattern | str:
    """Mean residuals over the picture of one camera.

    Parameters
    ----------
    solution : Solution
    camera : int
    residuals : FitResiduals, optional
        Of this solution, when they are at hand.

    Returns
    -------
    ResidualPattern, or a sentence saying why there is none

    Notes
    -----
    A view's corners in one cell may err alike, so the noise of a cell's mean is taken from the spread of its
    views, not of its corners. The fit has pulled the means towards zero; by how much follows from what it
    can explain, under independent noise, and the noise is lessened by that.
    """
    residuals = residuals or fit_residuals(solution)
    cells, centres = _cells(solution, residuals, camera)
    sums = _cell_sums(residuals, cells, len(centres))
    used = (sums.views >= _MIN_VIEWS) & (sums.weight > 0)
    if used.sum() < _MIN_CELLS:
        return (
            f"{int(used.sum())} parts of the picture were seen in {_MIN_VIEWS} views, {_MIN_CELLS} are needed"
        )
    weight, per_view = sums.weight[used], sums.per_view[used]
    total = per_view.sum(1)
    overlap = np.einsum("cva,cwa,c->vw", per_view, per_view, 1.0 / weight)
    shrink = sums.kept[used].sum() / sums.expected[used].sum()
    noise = shrink * float(np.trace(overlap))
    chance = shrink**2 * 2.0 * float((overlap**2).sum() - (np.diag(overlap) ** 2).sum())
    square, everything = float((total**2 / weight[:, None]).sum()), float(weight.sum())
    noises = shrink * (per_view**2).sum((1, 2))
    # A mean that is not zero also varies by twice itself times its noise, half of which lies along it.
    beyond = ((total**2).sum(1) - noises).clip(0.0)
    spread = float(np.sqrt(chance + (2.0 * beyond * noises / weight**2).sum()))
    rms, rms_sigma = root_of_excess(square / everything, noise / everything, spread / everything)
    ratio = float(np.sqrt(square / noise))
    return ResidualPattern(
        camera=solution.setups[camera].name,
        centres_px=centres[used],
        means_px=total / weight[:, None],
        sigmas_px=np.sqrt(noises) / weight,
        corners=sums.corners[used],
        rms_px=rms,
        rms_sigma_px=rms_sigma,
        ratio=ratio,
        ratio_sigma=float(0.5 * spread / noise / max(ratio, 1.0)),
    )


def _cells(solution: Solution, residuals: FitResiduals, camera: int) -> tuple[IntArray, FloatArray]:
    """Cell of every corner (N,), -1 for the other camera's; and the cells' middles (C, 2), px."""
    width, height = solution.setups[camera].image_size_px
    side = max(width, height) / _CELLS
    columns, rows = max(1, round(width / side)), max(1, round(height / side))
    pixels = solution.adjustment.observations.pixels[residuals.rows]
    at = ((pixels + 0.5) / np.array([width, height]) * np.array([columns, rows])).astype(np.int64)
    at = at.clip(0, np.array([columns - 1, rows - 1]))
    x = (np.arange(columns) + 0.5) * width / columns - 0.5
    y = (np.arange(rows) + 0.5) * height / rows - 0.5
    centres = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return np.where(residuals.camera_idx == camera, at[:, 1] * columns + at[:, 0], -1), centres


@dataclass(frozen=True, kw_only=True, eq=False)
class _CellSums:
    """Per cell: weight (C,), weighted residuals per view (C, V, 2), views and corners (C,).

    `kept` and `expected` (C,): variance of the cell's sum that independent noise leaves after the fit, with
    and without the shared unknowns' pull between views.
    """

    weight: FloatArray
    per_view: FloatArray
    views: IntArray
    corners: IntArray
    kept: FloatArray
    expected: FloatArray


def _cell_sums(residuals: FitResiduals, cells: IntArray, n_cells: int) -> _CellSums:
    mine, n_views = cells >= 0, residuals.n_views
    group = np.where(mine, cells * n_views + residuals.view_idx, 0)
    w = np.where(mine, residuals.inverse_sigma, 0.0)

    def summed(values: FloatArray) -> FloatArray:
        """Sum (N,) values over (cell, view), (C, V)."""
        sums = np.bincount(group, np.where(mine, values, 0.0), n_cells * n_views)
        return np.asarray(sums.reshape(n_cells, n_views), dtype=np.float64)

    weight = summed(w**2)
    per_view = np.stack([summed(w * residuals.residuals[:, axis]) for axis in (0, 1)], axis=-1)
    bases = np.zeros((residuals.n, 2, 6))
    for basis, start, end in zip(
        residuals.view_bases, residuals.bounds[:-1], residuals.bounds[1:], strict=True
    ):
        bases[start:end, :, : basis.shape[1]] = basis.reshape(end - start, 2, -1)
    shared = residuals.shared_basis.reshape(residuals.n, 2, -1)
    left, kept, expected = 2.0 * weight, np.zeros(n_cells), np.zeros(n_cells)
    for axis in (0, 1):
        for column in range(6):
            left = left - summed(w * bases[:, axis, column]) ** 2
        for column in range(shared.shape[2]):
            pull = summed(w * shared[:, axis, column])
            kept -= pull.sum(1) ** 2
            expected -= (pull**2).sum(1)
    scale = 1.0 / np.where(weight.sum(1) > 0, weight.sum(1), 1.0)
    return _CellSums(
        weight=weight.sum(1),
        per_view=per_view,
        views=(weight > 0).sum(1),
        corners=np.bincount(np.where(mine, cells, 0), mine, n_cells).astype(np.int64),
        kept=(kept + left.sum(1)) * scale,
        expected=(expected + left.sum(1)) * scale,
    )
