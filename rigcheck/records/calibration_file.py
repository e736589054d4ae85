"""calibration.yaml: the format, and the text it is written as."""

from typing import Annotated, Literal

from pydantic import Field

from rigcheck.model import (
    Calibration,
    CameraCalibration,
    FaceVolume,
    StereoCalibration,
)
from rigcheck.model._arrays import FloatArray
from rigcheck.records.board_file import BoardFormat, board_format
from rigcheck.records.headers import CALIBRATION_FORMAT, VERSION
from rigcheck.records.provenance import ProvenanceFormat, provenance_format
from rigcheck.records.validation import CameraName, Format, NonNegative, Positive, Row3
from rigcheck.records.yaml_writing import yaml_text

__all__ = ["CalibrationFormat", "calibration_format", "calibration_text"]

Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
PositivePair = Annotated[list[Positive], Field(min_length=2, max_length=2)]
NonNegativePair = Annotated[list[NonNegative], Field(min_length=2, max_length=2)]
NonNegativeRow3 = Annotated[list[NonNegative], Field(min_length=3, max_length=3)]
Size = Annotated[list[Annotated[int, Field(ge=1, le=1 << 20)]], Field(min_length=2, max_length=2)]
PixelPlace = Annotated[list[Annotated[int, Field(ge=0, lt=1 << 20)]], Field(min_length=2, max_length=2)]
Rotation = Annotated[list[Row3], Field(min_length=3, max_length=3)]


class CameraSigmaFormat(Format):
    """Standard uncertainties of one camera's intrinsics."""

    focal_px: NonNegativePair
    principal_point_px: NonNegativePair
    distortion: list[NonNegative]


class CameraCalibrationFormat(Format):
    """One camera; coefficients in OpenCV's order, pixel (0, 0) at the centre of the top-left pixel."""

    name: CameraName
    image_size_px: Size
    frame_rate: Positive | None
    model: Literal["brown", "fisheye"]
    focal_px: PositivePair
    principal_point_px: Pair
    distortion: list[float]
    reprojection_rms_px: NonNegative
    sigma: CameraSigmaFormat
    hot_pixels_px: Annotated[list[PixelPlace], Field(max_length=64, default_factory=list)]


class RotationSigmaFormat(Format):
    """Standard uncertainties of the pair's rotation, degrees, named by what the change does."""

    convergence: NonNegative
    across: NonNegative
    twist: NonNegative


class StereoSigmaFormat(Format):
    """Standard uncertainties of the pair."""

    rotation_deg: RotationSigmaFormat
    translation_mm: NonNegativeRow3
    baseline_mm: NonNegative


class StereoFormat(Format):
    """camera2_from_camera1: X2 = rotation X1 + translation, mm."""

    rotation: Rotation
    translation_mm: Row3
    baseline_mm: Positive
    reprojection_rms_px: NonNegative
    epipolar_rms_px: NonNegative
    sigma: StereoSigmaFormat


class FaceMapFormat(Format):
    """Depth sigma on the middle plane of the face volume, a row for each y."""

    x_mm: list[float]
    y_mm: list[float]
    depth_mm: list[list[NonNegative]]


class FaceVolumeFormat(Format):
    """Standard uncertainty of a triangulated point over the face, from the calibration alone."""

    depth_mm: NonNegative
    lateral_mm: NonNegative
    working_distance_mm: Positive
    map: FaceMapFormat | None = None


class CalibrationFormat(Format):
    """A calibration of one camera or of a pair."""

    format: Literal["rigcheck-calibration"]
    version: Literal[1]
    created: str
    cameras: Annotated[list[CameraCalibrationFormat], Field(min_length=1, max_length=2)]
    stereo: StereoFormat | None
    face_volume: FaceVolumeFormat | None
    board: BoardFormat
    provenance: ProvenanceFormat
    parameters: Annotated[list[str], Field(max_length=500)]
    covariance: list[list[float]]


def calibration_text(calibration: Calibration) -> str:
    """Write a calibration as the text of calibration.yaml.

    Parameters
    ----------
    calibration : Calibration

    Returns
    -------
    str
        `read_calibration` gives the same values back, to the last digit.

    Raises
    ------
    ValueError
        When a value is not finite or breaks the format.
    """
    content = calibration_format(calibration).model_dump()
    content["board"] = {key: value for key, value in content["board"].items() if value is not None}
    if content["face_volume"] is not None and content["face_volume"]["map"] is None:
        del content["face_volume"]["map"]
    for camera in content["cameras"]:
        if not camera["hot_pixels_px"]:
            del camera["hot_pixels_px"]
    heading = "Camera calibration by rigcheck. Lengths in mm, X2 = rotation X1 + translation_mm; do not edit."
    return yaml_text(content, heading=heading)


def calibration_format(calibration: Calibration) -> CalibrationFormat:
    """Turn a calibration into its format."""
    return CalibrationFormat(
        format=CALIBRATION_FORMAT,
        version=VERSION,
        created=calibration.created,
        cameras=[_camera_format(camera) for camera in calibration.cameras],
        stereo=None if calibration.stereo is None else _stereo_format(calibration.stereo),
        face_volume=None if calibration.face_volume is None else _face_format(calibration.face_volume),
        board=board_format(calibration.board),
        provenance=provenance_format(calibration.provenance),
        parameters=list(calibration.parameters),
        covariance=_rows(calibration.covariance),
    )


def _camera_format(camera: CameraCalibration) -> CameraCalibrationFormat:
    lens = camera.camera
    return CameraCalibrationFormat(
        name=lens.name,
        image_size_px=[int(side) for side in lens.image_size_px],
        frame_rate=None if camera.frame_rate_hz is None else float(camera.frame_rate_hz),
        model=lens.model,
        focal_px=_floats(lens.focal_px),
        principal_point_px=_floats(lens.principal_point_px),
        distortion=_floats(lens.distortion),
        reprojection_rms_px=float(camera.reprojection_rms_px),
        sigma=CameraSigmaFormat(
            focal_px=_floats(camera.sigma_focal_px),
            principal_point_px=_floats(camera.sigma_principal_point_px),
            distortion=_floats(camera.sigma_distortion),
        ),
        hot_pixels_px=[[int(x), int(y)] for x, y in camera.hot_pixels_px],
    )


def _stereo_format(stereo: StereoCalibration) -> StereoFormat:
    pose = stereo.camera2_from_camera1
    return StereoFormat(
        rotation=_rows(pose.rotation),
        translation_mm=_floats(pose.translation_mm),
        baseline_mm=baseline_mm(pose.translation_mm),
        reprojection_rms_px=float(stereo.reprojection_rms_px),
        epipolar_rms_px=float(stereo.epipolar_rms_px),
        sigma=StereoSigmaFormat(
            rotation_deg=RotationSigmaFormat(
                **{name: float(s) for name, s in stereo.sigma_rotation_deg.items()}
            ),
            translation_mm=_floats(stereo.sigma_translation_mm),
            baseline_mm=float(stereo.sigma_baseline_mm),
        ),
    )


def baseline_mm(translation_mm: FloatArray) -> float:
    """Length of the translation, mm."""
    return float((translation_mm**2).sum() ** 0.5)


def _face_format(volume: FaceVolume) -> FaceVolumeFormat:
    face_map = None
    if volume.map_x_mm is not None and volume.map_y_mm is not None and volume.depth_map_mm is not None:
        face_map = FaceMapFormat(
            x_mm=_floats(volume.map_x_mm), y_mm=_floats(volume.map_y_mm), depth_mm=_rows(volume.depth_map_mm)
        )
    return FaceVolumeFormat(
        depth_mm=float(volume.depth_mm),
        lateral_mm=float(volume.lateral_mm),
        working_distance_mm=float(volume.working_distance_mm),
        map=face_map,
    )


def _floats(values: tuple[float, ...] | FloatArray) -> list[float]:
    return [float(value) for value in values]


def _rows(matrix: FloatArray) -> list[list[float]]:
    return [_floats(row) for row in matrix]
