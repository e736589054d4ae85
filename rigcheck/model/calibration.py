"""A calibration, and the evidence it rests on."""

from dataclasses import dataclass, field

from rigcheck.model._arrays import FloatArray, ImageArray, IntArray
from rigcheck.model.board import BoardSpec
from rigcheck.model.camera import CameraModel, RigidTransform, StereoRig
from rigcheck.model.estimate import Estimate, FitSummary
from rigcheck.model.frame import FrameRef
from rigcheck.model.observation import Observation, Rejection
from rigcheck.model.result import Provenance

__all__ = [
    "Calibration",
    "CalibrationRun",
    "CameraCalibration",
    "FaceVolume",
    "ModelScore",
    "StereoCalibration",
    "ViewResult",
    "ViewSide",
    "WantedView",
]


@dataclass(frozen=True, kw_only=True)
class CameraCalibration:
    """One camera's intrinsics with standard uncertainties; size and rate of its footage.

    `hot_pixels_px` are single pixels (x, y) that its sensor showed too bright, the strongest first: a sensor is
    known again by them. None where none were seen, or where they were not looked for.
    """

    camera: CameraModel
    reprojection_rms_px: float
    sigma_focal_px: tuple[float, float]
    sigma_principal_point_px: tuple[float, float]
    sigma_distortion: tuple[float, ...]
    frame_rate_hz: float | None
    hot_pixels_px: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class StereoCalibration:
    """The pose of camera 2 seen from camera 1, with standard uncertainties.

    `sigma_rotation_deg` is keyed by convergence, across, twist (DEVELOPERS.md, conventions);
    `epipolar_rms_px` is the RMS Sampson distance.
    """

    camera2_from_camera1: RigidTransform
    reprojection_rms_px: float
    epipolar_rms_px: float
    sigma_rotation_deg: dict[str, float]
    sigma_translation_mm: tuple[float, float, float]
    sigma_baseline_mm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceVolume:
    """Standard uncertainty of a triangulated point over the face, from the calibration alone.

    `depth_mm` and `lateral_mm` are RMS over the face volume. `depth_map_mm` (rows, columns)
    is the depth sigma on the volume's middle plane; `map_x_mm`, `map_y_mm` are the offsets from
    the face's centre at which it was computed (camera 1's x and y).
    """

    depth_mm: float
    lateral_mm: float
    working_distance_mm: float
    map_x_mm: FloatArray | None = None
    map_y_mm: FloatArray | None = None
    depth_map_mm: FloatArray | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Calibration:
    """What calibration.yaml holds. `covariance` is (P, P) in the order of `parameters`."""

    created: str
    cameras: tuple[CameraCalibration, ...]
    stereo: StereoCalibration | None
    face_volume: FaceVolume | None
    board: BoardSpec
    provenance: Provenance
    parameters: tuple[str, ...]
    covariance: FloatArray

    @property
    def rig(self) -> StereoRig:
        """The pair without its uncertainties; ValueError when there is one camera only."""
        if self.stereo is None:
            raise ValueError("a calibration of one camera has no stereo rig")
        return StereoRig(
            camera1=self.cameras[0].camera,
            camera2=self.cameras[1].camera,
            camera2_from_camera1=self.stereo.camera2_from_camera1,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class ViewSide:
    """One camera's part of a view: what was seen and what the solution leaves unexplained.

    `residuals_px` is (N, 2), observed minus projected; `weights` is (N,), 1 for a corner fully
    trusted, 0 for one left out as an outlier.
    """

    observation: Observation
    residuals_px: FloatArray
    weights: FloatArray
    rms_px: float


@dataclass(frozen=True, kw_only=True, eq=False)
class ViewResult:
    """One board pose: `sides` has one entry a camera, None where it did not see the board."""

    view_idx: int
    sides: tuple[ViewSide | None, ...]
    camera1_from_board: RigidTransform
    tilt_deg: float
    distance_mm: float

    @property
    def refs(self) -> tuple[FrameRef, ...]:
        """The pictures of this view."""
        return tuple(side.observation.ref for side in self.sides if side is not None)

    @property
    def rms_px(self) -> float:
        """Per-point RMS over both cameras, outliers included, px."""
        sides = [side for side in self.sides if side is not None]
        total = sum(float((side.residuals_px**2).sum()) for side in sides)
        return float((total / max(sum(len(side.residuals_px) for side in sides), 1)) ** 0.5)


@dataclass(frozen=True, kw_only=True, eq=False)
class WantedView:
    """A board pose to film next, and what it would gain.

    `words` say it for a hand, as the rest of a sentence: "hold the board ...". `depth_before_mm` is the
    depth sigma on the face without this view but with those wanted before it, `depth_after_mm` with it.
    `outlines_px` holds the board's outer edge in each camera's picture as recorded, (N, 2) px, closed, from
    the board's own top left corner along its top edge first; parts may lie outside the picture.
    """

    camera1_from_board: RigidTransform
    words: str
    depth_before_mm: float
    depth_after_mm: float
    outlines_px: tuple[FloatArray, ...]


@dataclass(frozen=True, kw_only=True)
class ModelScore:
    """How one lens model did for one camera: BIC, and RMS in views it was not fitted to."""

    camera: str
    name: str
    n_parameters: int
    bic: float
    held_out_rms_px: float | None
    chosen: bool
    note: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationRun:
    """A calibration and its evidence: what the checks judge and the report draws.

    `measurements` holds named Estimates. `leave_out_sigma` maps a parameter or result to its
    sigma from leaving views out, beside the one in the calibration. `coverage_maps` maps each camera to an
    (rows, columns) int array: in how many views each cell of the picture lay within the seen board.
    `pictures` maps a view's (view_idx, camera) to its grey picture, kept for the worst views only.
    """

    calibration: Calibration
    views: tuple[ViewResult, ...]
    rejected: tuple[Rejection, ...]
    model_scores: tuple[ModelScore, ...]
    fit: FitSummary
    measurements: dict[str, Estimate]
    leave_out_sigma: dict[str, float]
    coverage_maps: dict[str, IntArray]
    notes: tuple[str, ...] = ()
    pictures: dict[tuple[int, str], ImageArray] = field(default_factory=dict)
    wanted_views: tuple[WantedView, ...] = ()
