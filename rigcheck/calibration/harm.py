"""What the calibration's own uncertainty does to a point on the face, and to the pixel mapping."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.solve import Solution
from rigcheck.geometry.bundle import normal_equations
from rigcheck.geometry.face_volume import FACE_BOX_MM, FaceGrid, depth_derivatives, face_grid
from rigcheck.geometry.projection import project_with_derivatives, unproject
from rigcheck.geometry.rotation import skew
from rigcheck.model import FaceVolume

FloatArray = NDArray[np.float64]

_MAP_CELLS = (13, 16, 1)
_PICTURE_GRID = 25

__all__ = [
    "MappingUncertainty",
    "depth_by_scale",
    "depth_by_shared",
    "face_volume",
    "focal_depth_by_shared",
    "harm_by_view_count",
    "mapping_by_shared",
    "mapping_uncertainty",
    "single_camera_harm_mm",
]


def _rig_to_shared(solution: Solution) -> FloatArray:
    """Selects the shared unknowns out of (full intrinsics 1, full intrinsics 2, stereo pose), (P, G)."""
    layout = solution.adjustment.layout
    lengths = [len(mask) for mask in layout.free]
    out = np.zeros((sum(lengths) + 6, layout.size))
    row = 0
    for mask, part in zip(layout.free, layout.intrinsics_slices, strict=True):
        out[row + np.flatnonzero(mask), np.arange(part.start, part.stop)] = 1.0
        row += len(mask)
    pose = layout.stereo_slice
    out[row : row + 6, pose] = np.eye(6)
    return out


def _by_shared(solution: Solution, grid: FaceGrid) -> FloatArray:
    """Derivative of the grid's triangulated points, along (across, along, depth), by the shared unknowns."""
    state, layout = solution.adjustment.state, solution.adjustment.layout
    derivatives = depth_derivatives(
        grid.points_mm,
        (state.intrinsics[0], state.intrinsics[1]),
        (layout.models[0], layout.models[1]),
        rotation=state.rotation,
        translation=state.translation,
    )
    return np.asarray(grid.axes @ derivatives @ _rig_to_shared(solution))


def depth_by_shared(solution: Solution, working_distance_mm: float) -> FloatArray:
    """Derivative of the depth of points over the face by the shared unknowns, (N, G), mm; of two cameras."""
    return _by_shared(solution, _grid(solution, working_distance_mm))[:, 2]


def depth_by_scale(solution: Solution, working_distance_mm: float) -> FloatArray:
    """Derivative of the depth of the same points by the relative scale of the board, (N,), mm."""
    grid = _grid(solution, working_distance_mm)
    return np.asarray(grid.points_mm @ grid.axes[2])


def _grid(
    solution: Solution, working_distance_mm: float, cells: tuple[int, int, int] = (6, 7, 4)
) -> FaceGrid:
    state = solution.adjustment.state
    return face_grid(
        state.rotation,
        state.translation,
        working_distance_mm=working_distance_mm,
        upright_deg=solution.setups[0].mount_rotation_deg,
        cells=cells,
    )


def _variances(solution: Solution, grid: FaceGrid) -> FloatArray:
    """Variance of each grid point along each axis, (N, 3), mm squared: the larger answer in total."""
    jacobian = _by_shared(solution, grid)
    covariance = solution.covariance
    candidates = [covariance.combined, covariance.by_view] if covariance.correlated else [covariance.combined]
    answers = [np.einsum("nij,jk,nik->ni", jacobian, c, jacobian) for c in candidates]
    variance = max(answers, key=lambda v: float(v[:, 2].sum()))
    scale = solution.board.scale_sigma or 0.0
    # A board measured wrong by a share scales every point about camera 1's projection centre.
    from_centre = grid.points_mm @ grid.axes.T
    return np.asarray(variance + (scale * from_centre) ** 2)


def face_volume(solution: Solution, working_distance_mm: float) -> FaceVolume:
    """Standard uncertainty of a triangulated point over the face, from the calibration alone.

    Parameters
    ----------
    solution : Solution
        Of two cameras.
    working_distance_mm : float
        From the middle of the baseline to the middle of the face.

    Notes
    -----
    `lateral_mm` is the RMS over the volume of the length of the two parts square to the depth.
    """
    variance = _variances(solution, _grid(solution, working_distance_mm))
    plane = _grid(solution, working_distance_mm, _MAP_CELLS)
    depth_map = np.sqrt(_variances(solution, plane)[:, 2]).reshape(_MAP_CELLS[:2]).T
    x, y = (
        size * ((np.arange(n) + 0.5) / n - 0.5) for size, n in zip(FACE_BOX_MM, _MAP_CELLS[:2], strict=False)
    )
    return FaceVolume(
        depth_mm=float(np.sqrt(variance[:, 2].mean())),
        lateral_mm=float(np.sqrt(variance[:, :2].sum(1).mean())),
        working_distance_mm=working_distance_mm,
        map_x_mm=x,
        map_y_mm=y,
        depth_map_mm=depth_map,
    )


def harm_by_view_count(solution: Solution, working_distance_mm: float) -> tuple[tuple[int, float], ...]:
    """Depth uncertainty on the face as views are added in the order filmed: (views, mm).

    Starts where the views so far determine everything. Independent errors and no board scale: it
    shows what more views bring, not the final number.
    """
    adjustment = solution.adjustment
    values = adjustment.weights
    inverse = 1.0 / (adjustment.observations.sigma_px * adjustment.scale) ** 2
    per_view = normal_equations(
        adjustment.observations, adjustment.prediction, information=inverse * values, pull=inverse * values
    ).reduced_by_view
    jacobian = _by_shared(solution, _grid(solution, working_distance_mm))[:, 2]
    total, out = np.zeros(per_view.shape[1:]), []
    for count, view in enumerate(per_view, start=1):
        total = total + view
        unit = 1.0 / np.sqrt(np.maximum(np.diag(total), 1e-300))
        scaled = total * unit[:, None] * unit[None, :]
        if count < 2 or np.linalg.cond(scaled) > 1e12:
            continue
        along = jacobian * unit
        variance = np.einsum("nj,nj->n", along, np.linalg.solve(scaled, along.T).T)
        out.append((count, float(np.sqrt(variance.mean()))))
    return tuple(out)


@dataclass(frozen=True, kw_only=True, eq=False)
class MappingUncertainty:
    """RMS over the picture of the uncertainty of where a ray lands, px, a turn of the camera taken out.

    `unmapped_share` is the share of the picture for which the lens model has no ray.
    """

    rms_px: float
    max_px: float
    unmapped_share: float


def mapping_by_shared(solution: Solution, camera: int) -> FloatArray:
    """Derivative of where a ray lands by the shared unknowns, a turn of the camera taken out.

    Returns
    -------
    (M, 2, G) float64, px
        At those points of a 25 x 25 grid over the picture for which the lens model has a ray.
    """
    layout, state = solution.adjustment.layout, solution.adjustment.state
    width, height = solution.setups[camera].image_size_px
    x, y = np.linspace(0, width - 1, _PICTURE_GRID), np.linspace(0, height - 1, _PICTURE_GRID)
    pixels = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    rays = unproject(pixels, state.intrinsics[camera], layout.models[camera])
    mapped = np.isfinite(rays).all(1)
    points = np.column_stack([rays[mapped], np.ones(int(mapped.sum()))])
    d = project_with_derivatives(points, state.intrinsics[camera], layout.models[camera])
    by_turn = (-d.by_point @ skew(points)).reshape(-1, 3)
    by_intrinsics = d.by_intrinsics[:, :, layout.free[camera]].reshape(len(by_turn), -1)
    out = np.zeros((len(by_turn), layout.size))
    out[:, layout.intrinsics_slices[camera]] = (
        by_intrinsics - by_turn @ np.linalg.lstsq(by_turn, by_intrinsics, rcond=None)[0]
    )
    return out.reshape(-1, 2, layout.size)


def mapping_uncertainty(solution: Solution, camera: int) -> MappingUncertainty:
    """How well the pixel mapping of one camera is known over the whole picture."""
    left = mapping_by_shared(solution, camera)
    variance = np.einsum("nai,ij,naj->n", left, solution.covariance.combined, left, optimize=True)
    return MappingUncertainty(
        rms_px=float(np.sqrt(variance.mean())),
        max_px=float(np.sqrt(variance.max())),
        unmapped_share=1.0 - len(left) / _PICTURE_GRID**2,
    )


def focal_depth_by_shared(solution: Solution, camera: int, working_distance_mm: float) -> FloatArray:
    """Derivative (G,), mm, of a depth at the working distance read off one camera's focal length."""
    layout, state = solution.adjustment.layout, solution.adjustment.state
    start = layout.intrinsics_slices[camera].start
    gradient = np.zeros(layout.size)
    gradient[start : start + 2] = 0.5 * working_distance_mm / state.intrinsics[camera][:2]
    return gradient


def single_camera_harm_mm(solution: Solution, camera: int, working_distance_mm: float) -> float:
    """Depth error that this camera's focal length alone would make at the working distance: Z sigma_f / f."""
    return solution.covariance.sigma(focal_depth_by_shared(solution, camera, working_distance_mm))
