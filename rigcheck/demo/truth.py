"""An estimate held against the truth, row by row."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from rigcheck.demo.camera import project_points, rays_of_pixels
from rigcheck.model import Calibration, CameraCalibration, CameraModel, StereoCalibration, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["TruthRow", "compare_with_truth", "depth_error_mm", "mapping_error_px", "named_axes"]

_FACE_BOX_MM = (130.0, 160.0, 80.0)  # across, along, deep
_FACE_POINTS = (6, 7, 4)
_DEFAULT_DISTANCE_MM = 195.0
_PICTURE_POINTS = 25


@dataclass(frozen=True, kw_only=True)
class TruthRow:
    """One quantity: what was estimated, how sure the estimate claims to be, and what is true.

    `sigma` is None where the calibration states none.
    """

    name: str
    unit: str
    estimate: float
    sigma: float | None
    truth: float

    @property
    def error(self) -> float:
        """Estimate minus truth."""
        return self.estimate - self.truth

    @property
    def error_in_sigmas(self) -> float | None:
        """Error over sigma; None where there is no sigma, or it is zero."""
        return self.error / self.sigma if self.sigma else None


def compare_with_truth(calibration: Calibration, truth: StereoRig) -> tuple[TruthRow, ...]:
    """Put a calibration beside the rig that its footage was rendered from.

    Parameters
    ----------
    calibration : Calibration
        Of both cameras in the order of `truth`, or of its camera 1 alone.
    truth : StereoRig

    Returns
    -------
    tuple of TruthRow
        Focal lengths and principal points; for each camera the mapping error (RMS over the picture, a
        turn of the camera taken out; truth 0) in place of the distortion's coefficients; the pair's rotation
        by its named turns, its translation and baseline; last the RMS depth error over the face volume
        (truth 0, sigma as the calibration predicts it).

    Notes
    -----
    The named turns are the parts of the pair's rotation vector about the three axes of the true pair;
    estimate minus truth is the turn that leads from one to the other.
    """
    rows: list[TruthRow] = []
    for found, true in zip(calibration.cameras, (truth.camera1, truth.camera2), strict=False):
        rows += _camera_rows(found, true)
    if calibration.stereo is not None:
        rows += _pair_rows(calibration.stereo, truth)
        volume = calibration.face_volume
        distance = _DEFAULT_DISTANCE_MM if volume is None else volume.working_distance_mm
        rows.append(
            TruthRow(
                name="face depth, RMS",
                unit="mm",
                estimate=depth_error_mm(calibration.rig, truth, working_distance_mm=distance),
                sigma=None if volume is None else volume.depth_mm,
                truth=0.0,
            )
        )
    return tuple(rows)


def _camera_rows(found: CameraCalibration, true: CameraModel) -> list[TruthRow]:
    camera, name = found.camera, true.name
    rows = [
        TruthRow(
            name=f"{name} {quantity} {axis}",
            unit="px",
            estimate=estimates[i],
            sigma=sigmas[i],
            truth=truths[i],
        )
        for quantity, estimates, sigmas, truths in (
            ("focal length", camera.focal_px, found.sigma_focal_px, true.focal_px),
            (
                "principal point",
                camera.principal_point_px,
                found.sigma_principal_point_px,
                true.principal_point_px,
            ),
        )
        for i, axis in enumerate("xy")
    ]
    mapping = mapping_error_px(camera, true)
    rows.append(TruthRow(name=f"{name} mapping, RMS", unit="px", estimate=mapping, sigma=None, truth=0.0))
    return rows


def _pair_rows(found: StereoCalibration, truth: StereoRig) -> list[TruthRow]:
    true, estimate = truth.camera2_from_camera1, found.camera2_from_camera1
    axes = named_axes(true.rotation, true.translation_mm)
    # A camera turned by +a about an axis changes the map of points into its frame by a turn of -a.
    whole = -np.rad2deg(Rotation.from_matrix(true.rotation).as_rotvec())
    change = -np.rad2deg(Rotation.from_matrix(estimate.rotation @ true.rotation.T).as_rotvec())
    rows = [
        TruthRow(
            name=name,
            unit="deg",
            estimate=float(axis @ (whole + change)),
            sigma=found.sigma_rotation_deg.get(name),
            truth=float(axis @ whole),
        )
        for name, axis in axes.items()
    ]
    rows += [
        TruthRow(
            name=f"translation {axis}",
            unit="mm",
            estimate=float(estimate.translation_mm[i]),
            sigma=found.sigma_translation_mm[i],
            truth=float(true.translation_mm[i]),
        )
        for i, axis in enumerate("xyz")
    ]
    baseline = float(np.linalg.norm(estimate.translation_mm))
    rows.append(
        TruthRow(
            name="baseline",
            unit="mm",
            estimate=baseline,
            sigma=found.sigma_baseline_mm,
            truth=truth.baseline_mm,
        )
    )
    return rows


def named_axes(rotation: FloatArray, translation_mm: FloatArray) -> dict[str, FloatArray]:
    """Axes of the named turns in the camera-2 frame: about them a positive turn is counted."""
    along = translation_mm / np.linalg.norm(translation_mm)
    view = rotation @ [0.0, 0.0, 1.0] + [0.0, 0.0, 1.0]
    across_view = np.cross(view, along)
    convergence = across_view / np.linalg.norm(across_view)
    return {"convergence": convergence, "across": along, "twist": np.cross(along, convergence)}


def mapping_error_px(found: CameraModel, true: CameraModel) -> float:
    """RMS distance between where two models see the same rays, best turn of the camera taken out, px.

    Parameters
    ----------
    found, true : CameraModel
        Of the same picture size.

    Notes
    -----
    Over the middles of 25 × 25 cells of the true camera's picture; rays that a model cannot see are left out.
    A turn is taken out because in a pair it goes into the pair's rotation: a principal point 3 px off moves
    rays by 3 px, but by a third of a pixel once the camera may turn.
    """
    width, height = true.image_size_px
    share = (np.arange(_PICTURE_POINTS) + 0.5) / _PICTURE_POINTS
    x, y = np.meshgrid(share * width - 0.5, share * height - 0.5)
    pixels = np.stack([x.ravel(), y.ravel()], axis=1)
    rays = rays_of_pixels(true, pixels)
    seen = np.isfinite(rays).all(axis=1) & np.isfinite(project_points(found, rays)).all(axis=1)
    pixels, rays = pixels[seen], rays[seen]

    def misses(turn: FloatArray) -> FloatArray:
        turned = rays @ Rotation.from_rotvec(turn).as_matrix().T
        return np.asarray((project_points(found, turned) - pixels).ravel())

    best = least_squares(misses, np.zeros(3), x_scale=1e-3, xtol=1e-12, ftol=1e-12)
    return float(np.sqrt((best.fun**2).sum() / len(pixels)))


def depth_error_mm(found: StereoRig, true: StereoRig, *, working_distance_mm: float) -> float:
    """RMS error in depth of points over the face volume, triangulated from true pixels with a found rig, mm.

    Parameters
    ----------
    found, true : StereoRig
    working_distance_mm : float
        From the middle of the baseline to the middle of the face.

    Notes
    -----
    Depth is counted along the mean of the true pair's optical axes, in the camera-1 frame. Points that fall
    beside the picture count too: the volume is the same for every rig.
    """
    second = true.camera2_from_camera1
    view = second.rotation.T @ [0.0, 0.0, 1.0] + [0.0, 0.0, 1.0]
    view = view / np.linalg.norm(view)
    sideways = np.cross([0.0, 1.0, 0.0], view)
    sideways = sideways / np.linalg.norm(sideways)
    axes = np.stack([sideways, np.cross(view, sideways), view])
    lines = [
        size * ((np.arange(n) + 0.5) / n - 0.5) for size, n in zip(_FACE_BOX_MM, _FACE_POINTS, strict=True)
    ]
    box = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, 3)
    middle = -0.5 * second.rotation.T @ second.translation_mm
    points = middle + working_distance_mm * view + box @ axes
    pixels1 = project_points(true.camera1, points)
    pixels2 = project_points(true.camera2, second.apply(points))
    errors = (_triangulated(found, pixels1, pixels2) - points) @ view
    return float(np.sqrt(np.mean(errors**2)))


def _triangulated(rig: StereoRig, pixels1: FloatArray, pixels2: FloatArray) -> FloatArray:
    """Points with the least reprojection error, (N, 3) mm, camera-1 frame."""
    second = rig.camera2_from_camera1

    def misses(points: FloatArray) -> FloatArray:
        first = project_points(rig.camera1, points) - pixels1
        return np.concatenate([first, project_points(rig.camera2, second.apply(points)) - pixels2], axis=1)

    points = _midpoints(rig, pixels1, pixels2)
    for _ in range(4):
        slopes = np.stack(
            [(misses(points + 1e-4 * axis) - misses(points - 1e-4 * axis)) / 2e-4 for axis in np.eye(3)],
            axis=2,
        )
        turned = np.swapaxes(slopes, 1, 2)
        points = points - np.linalg.solve(turned @ slopes, turned @ misses(points)[..., None])[..., 0]
    return points


def _midpoints(rig: StereoRig, pixels1: FloatArray, pixels2: FloatArray) -> FloatArray:
    """Middle of the shortest line between each pair of rays, (N, 3)."""
    back = rig.camera2_from_camera1.inverse()
    ray1 = rays_of_pixels(rig.camera1, pixels1)
    ray2 = rays_of_pixels(rig.camera2, pixels2) @ back.rotation.T
    centre2 = back.translation_mm
    a, b, c = (np.einsum("ni,ni->n", u, v) for u, v in ((ray1, ray1), (ray1, ray2), (ray2, ray2)))
    d, e = ray1 @ centre2, ray2 @ centre2
    reach1 = (c * d - b * e) / (a * c - b * b)
    reach2 = (b * d - a * e) / (a * c - b * b)
    return np.asarray(0.5 * (ray1 * reach1[:, None] + centre2 + ray2 * reach2[:, None]))
