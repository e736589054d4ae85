"""Each camera by itself: its own fit, from which the joint one started, and what that leaves over."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.solve import Solution
from rigcheck.calibration.start import single_camera_layout
from rigcheck.geometry.board_views import gather
from rigcheck.geometry.bundle import Observations, Prediction, SharedLayout, predict
from rigcheck.geometry.robust import noise_scale

FloatArray = NDArray[np.float64]

# Times the median length of its view's residuals: 1 in a million by chance (Rayleigh: exp(-ln 2 · 20)).
_OUTLYING = 4.5

__all__ = ["AloneFit", "alone_fit"]


@dataclass(frozen=True, kw_only=True, eq=False)
class AloneFit:
    """One camera's own fit: corners, unknowns, residuals with derivatives, what its sigmas are to be scaled by.

    `believed` (N,) bool: corners that are no outliers among those of their own view; a view that is off as a
    whole keeps its corners.
    """

    observations: Observations
    layout: SharedLayout
    prediction: Prediction
    scale: float
    believed: NDArray[np.bool_]

    @property
    def noise_px(self) -> float:
        """Noise per axis, px."""
        return float(self.scale * np.median(self.observations.sigma_px))


def alone_fit(solution: Solution, camera: int) -> AloneFit:
    """Evaluate a camera's own fit.

    Parameters
    ----------
    solution : Solution
        Without a prior; with one the cameras were not fitted alone, and this is no fit.
    camera : int
    """
    choice = solution.choices[camera]
    mine = [view for view in solution.views if view[camera] is not None]
    n_shape = len(choice.state.shape)
    observations = gather(mine, solution.board, cameras=[camera], terms=solution.terms[:n_shape])
    layout = single_camera_layout(choice.lens, n_shape=n_shape)
    prediction = predict(observations, layout, choice.state)
    lengths = np.sqrt((prediction.residuals**2).sum(1)) / observations.sigma_px
    scale = max(noise_scale(lengths, layout.size + 6 * len(mine)), 1e-9)
    return AloneFit(
        observations=observations,
        layout=layout,
        prediction=prediction,
        scale=scale,
        believed=_believed(lengths, observations.view_idx),
    )


def _believed(lengths: FloatArray, view_idx: NDArray[np.int64]) -> NDArray[np.bool_]:
    medians = np.array([np.median(lengths[view_idx == view]) for view in range(int(view_idx[-1]) + 1)])
    usual = np.maximum(medians, np.median(lengths))
    return np.asarray(lengths <= _OUTLYING * usual[view_idx])
