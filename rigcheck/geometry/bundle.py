"""Corners of a board as one camera or two saw them, the unknowns behind them, and how each corner pulls on these.

The unknowns are *shared* (each camera's free intrinsics, the pose of camera 2 from camera 1, the
board's shape) and *private* (the board's pose in camera 1, one for every view). The private ones are
eliminated view by view (Schur complement), so the cost grows with the number of corners, not its cube.

References
----------
Triggs, McLauchlan, Hartley & Fitzgibbon, "Bundle adjustment - a modern synthesis", 2000, sections 4-6.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rigcheck.geometry.projection import project_with_derivatives
from rigcheck.geometry.rotation import exp_rotation
from rigcheck.model import LensModel
from rigcheck.model._arrays import BoolArray, FloatArray, IntArray

__all__ = [
    "GaussianPrior",
    "NormalEquations",
    "Observations",
    "Prediction",
    "RigState",
    "SharedLayout",
    "normal_equations",
    "predict",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class Observations:
    """Corners seen, sorted by view.

    `camera_idx`, `view_idx` are (N,) int; `points_mm` (N, 3) board frame; `pixels` (N, 2) as recorded;
    `sigma_px` (N,) per axis; `shape_basis` (N, K): out-of-plane offsets in mm of each point for one unit of
    each shape coefficient, K = 0 for a flat board.
    """

    camera_idx: IntArray
    view_idx: IntArray
    points_mm: FloatArray
    pixels: FloatArray
    sigma_px: FloatArray
    shape_basis: FloatArray

    def __post_init__(self) -> None:
        """Refuse views out of order: elimination walks them in runs."""
        if (np.diff(self.view_idx) < 0).any():
            raise ValueError("Observations: must be sorted by view_idx")

    @property
    def n(self) -> int:
        """Number of corners."""
        return len(self.pixels)

    def select(self, keep: BoolArray) -> "Observations":
        """Observations where `keep` holds; view numbers are closed up so that none is empty."""
        _, view_idx = np.unique(self.view_idx[keep], return_inverse=True)
        return Observations(
            camera_idx=self.camera_idx[keep],
            view_idx=view_idx.reshape(-1).astype(np.int64),
            points_mm=self.points_mm[keep],
            pixels=self.pixels[keep],
            sigma_px=self.sigma_px[keep],
            shape_basis=self.shape_basis[keep],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class SharedLayout:
    """Which shared unknowns exist, in their order: camera 1, camera 2, stereo pose, board shape.

    `free` holds one boolean mask over the full intrinsics vector a camera. The stereo pose (present with two
    cameras) is three small left turns in the camera-2 frame (rad), then the translation (mm).
    """

    models: tuple[LensModel, ...]
    free: tuple[BoolArray, ...]
    n_shape: int = 0

    @cached_property
    def intrinsics_slices(self) -> tuple[slice, ...]:
        """Where each camera's free intrinsics stand in the shared vector."""
        ends = np.cumsum([int(mask.sum()) for mask in self.free])
        return tuple(slice(int(e) - int(m.sum()), int(e)) for e, m in zip(ends, self.free, strict=True))

    @cached_property
    def stereo_slice(self) -> slice:
        """Where the stereo pose stands; empty for one camera."""
        start = self.intrinsics_slices[-1].stop
        return slice(start, start + (6 if len(self.models) == 2 else 0))

    @cached_property
    def shape_slice(self) -> slice:
        """Where the board's shape stands; empty for a flat board."""
        start = self.stereo_slice.stop
        return slice(start, start + self.n_shape)

    @cached_property
    def size(self) -> int:
        """Number of shared unknowns."""
        return int(self.shape_slice.stop)


@dataclass(frozen=True, kw_only=True, eq=False)
class RigState:
    """Values of every unknown: intrinsics a camera, stereo pose, board shape, board poses.

    `board_rotations` is (V, 3, 3) and `board_translations` (V, 3): camera1_from_board.
    """

    intrinsics: tuple[FloatArray, ...]
    rotation: FloatArray
    translation: FloatArray
    shape: FloatArray
    board_rotations: FloatArray
    board_translations: FloatArray

    def moved(self, layout: SharedLayout, shared: FloatArray, private: FloatArray) -> "RigState":
        """State after a step: shared (G,) and private (V, 6), both in the layout's order."""
        intrinsics = []
        for values, mask, part in zip(self.intrinsics, layout.free, layout.intrinsics_slices, strict=True):
            new = values.copy()
            new[mask] += shared[part]
            intrinsics.append(new)
        rotation, translation = self.rotation, self.translation
        if len(layout.models) == 2:
            step = shared[layout.stereo_slice]
            rotation, translation = exp_rotation(step[:3]) @ rotation, translation + step[3:]
        return RigState(
            intrinsics=tuple(intrinsics),
            rotation=rotation,
            translation=translation,
            shape=self.shape + shared[layout.shape_slice] if layout.n_shape else self.shape,
            board_rotations=exp_rotation(private[:, :3]) @ self.board_rotations,
            board_translations=self.board_translations + private[:, 3:],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class GaussianPrior:
    """Knowledge of the shared unknowns from before: `offset` is (prior mean - starting value).

    `information` is (G, G), the inverse covariance; zero rows say nothing is known.
    """

    offset: FloatArray
    information: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Prediction:
    """Residuals observed minus projected (N, 2) px, and derivatives of the projection.

    `by_shared` is (N, 2, G), `by_private` is (N, 2, 6); `depth` (N,) is Z in the seeing camera.
    """

    residuals: FloatArray
    by_shared: FloatArray
    by_private: FloatArray
    depth: FloatArray


def predict(observations: Observations, layout: SharedLayout, state: RigState) -> Prediction:
    """Project every observed corner and differentiate by every unknown.

    Returns
    -------
    Prediction
    """
    o = observations
    rotations, translations = state.board_rotations[o.view_idx], state.board_translations[o.view_idx]
    points = o.points_mm.copy()
    if len(state.shape):
        points[:, 2] += o.shape_basis @ state.shape
    turned = np.einsum("nij,nj->ni", rotations, points)
    in_camera1 = turned + translations
    n = o.n
    residuals, depth = np.empty((n, 2)), np.empty(n)
    by_shared, by_private = np.empty((n, 2, layout.size)), np.empty((n, 2, 6))
    for camera, model in enumerate(layout.models):
        rows = np.flatnonzero(o.camera_idx == camera)
        seen, turned_here, normals = in_camera1[rows], turned[rows], rotations[rows, :, 2]
        if camera == 1:
            relative = seen @ state.rotation.T
            seen = relative + state.translation
        d = project_with_derivatives(seen, state.intrinsics[camera], model)
        by_point1 = d.by_point @ state.rotation if camera == 1 else d.by_point
        residuals[rows], depth[rows] = o.pixels[rows] - d.pixels, seen[:, 2]
        shared = np.zeros((len(rows), 2, layout.size))
        columns = range(*layout.intrinsics_slices[camera].indices(layout.size))
        for column, parameter in zip(columns, np.flatnonzero(layout.free[camera]), strict=True):
            shared[:, :, column] = d.by_intrinsics[:, :, parameter]
        if camera == 1:
            start = layout.stereo_slice.start
            shared[:, :, start : start + 3] = _by_turn(d.by_point, relative)
            shared[:, :, start + 3 : start + 6] = d.by_point
        if layout.n_shape:
            along_normal = (by_point1 @ normals[:, :, None])[..., 0]
            for row in range(2):
                np.multiply(
                    along_normal[:, row, None], o.shape_basis[rows], out=shared[:, row, layout.shape_slice]
                )
        by_shared[rows] = shared
        private = np.empty((len(rows), 2, 6))
        private[:, :, :3], private[:, :, 3:] = _by_turn(by_point1, turned_here), by_point1
        by_private[rows] = private
    return Prediction(residuals=residuals, by_shared=by_shared, by_private=by_private, depth=depth)


def _by_turn(by_point: FloatArray, points: FloatArray) -> FloatArray:
    """Derivatives by a small left turn of the points: their cross product with each row, (N, 2, 3)."""
    x, y, z = (points[:, k, None] for k in range(3))
    gx, gy, gz = by_point[:, :, 0], by_point[:, :, 1], by_point[:, :, 2]
    out = np.empty_like(by_point)
    out[:, :, 0] = y * gz - z * gy
    out[:, :, 1] = z * gx - x * gz
    out[:, :, 2] = x * gy - y * gx
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class NormalEquations:
    """Information and gradient with the private unknowns kept apart.

    `shared` (G, G), `cross` (V, G, 6), `private` (V, 6, 6); gradients (G,) and (V, 6), with
    `shared_gradient_by_view` (V, G) so that views can be weighed against each other.
    """

    shared: FloatArray
    cross: FloatArray
    private: FloatArray
    shared_by_view: FloatArray
    shared_gradient_by_view: FloatArray
    private_gradient: FloatArray

    @property
    def cross_over_private(self) -> FloatArray:
        """Product of cross and the inverse of private, (V, G, 6)."""
        return np.asarray(np.swapaxes(np.linalg.solve(self.private, np.swapaxes(self.cross, 1, 2)), 1, 2))

    @property
    def reduced_by_view(self) -> FloatArray:
        """Information each view gives about the shared unknowns, its own pose eliminated, (V, G, G)."""
        return np.asarray(self.shared_by_view - self.cross_over_private @ np.swapaxes(self.cross, 1, 2))

    @property
    def reduced_gradient_by_view(self) -> FloatArray:
        """Pull of each view on the shared unknowns, its own pose eliminated, (V, G)."""
        along = np.einsum("vgp,vp->vg", self.cross_over_private, self.private_gradient)
        return np.asarray(self.shared_gradient_by_view - along)


def _sum_by_view(values: FloatArray, starts: IntArray) -> FloatArray:
    return np.asarray(np.add.reduceat(values, starts, axis=0))


def normal_equations(
    observations: Observations, prediction: Prediction, *, information: FloatArray, pull: FloatArray
) -> NormalEquations:
    """Assemble information and gradient.

    Parameters
    ----------
    observations : Observations
    prediction : Prediction
    information : (N,) float64
        Weight of each corner in the information matrix.
    pull : (N,) float64
        Weight of each corner's residual in the gradient.
    """
    starts = np.searchsorted(observations.view_idx, np.arange(observations.view_idx[-1] + 1))
    g, p, r = prediction.by_shared, prediction.by_private, prediction.residuals
    bounds = [*starts.tolist(), observations.n]
    n_views, n_shared = len(starts), g.shape[2]
    shared, cross = np.empty((n_views, n_shared, n_shared)), np.empty((n_views, n_shared, 6))
    private = np.empty((n_views, 6, 6))
    root = np.sqrt(information)[:, None, None]
    gw, pw = root * g, root * p
    for view in range(n_views):
        rows = slice(bounds[view], bounds[view + 1])
        pv = pw[rows].reshape(-1, 6)
        gv = gw[rows].reshape(len(pv), n_shared)
        shared[view], cross[view], private[view] = gv.T @ gv, gv.T @ pv, pv.T @ pv
    rw = pull[:, None] * r
    return NormalEquations(
        shared=shared.sum(0),
        cross=cross,
        private=private,
        shared_by_view=shared,
        shared_gradient_by_view=_sum_by_view(np.einsum("nig,ni->ng", g, rw), starts),
        private_gradient=_sum_by_view(np.einsum("nip,ni->np", p, rw), starts),
    )
