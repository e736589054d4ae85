"""calibration.yaml read back, and checked for what a format alone cannot see."""

from pathlib import Path

import numpy as np

from rigcheck.model import (
    DISTORTION_LENGTHS,
    Calibration,
    CameraCalibration,
    CameraModel,
    FaceVolume,
    RigidTransform,
    StereoCalibration,
)
from rigcheck.model._arrays import FloatArray
from rigcheck.records.board_file import board_spec
from rigcheck.records.calibration_file import (
    CalibrationFormat,
    CameraCalibrationFormat,
    FaceMapFormat,
    FaceVolumeFormat,
    StereoFormat,
    baseline_mm,
)
from rigcheck.records.document import Document
from rigcheck.records.headers import require_kind
from rigcheck.records.provenance import provenance_value
from rigcheck.records.rig_file import check_camera_names
from rigcheck.records.validation import validated
from rigcheck.records.yaml_reading import read_yaml

__all__ = ["read_calibration"]

_AGAIN = "this file was changed by hand or damaged: take a copy from a backup, or calibrate again."
# Both are written from the same numbers with full precision; these only forgive rounding by other programs.
_SAME_LENGTH = 1e-6
_SAME_COVARIANCE = 1e-6


def read_calibration(path: str | Path) -> Calibration:
    """Read a calibration.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Calibration

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When its content breaks the format or contradicts itself: a matrix that is no rotation, a
        baseline that is not the translation's length, a covariance that cannot be one.
    """
    document = read_yaml(Path(path), "a calibration")
    require_kind(document, "calibration")
    content = validated(document, CalibrationFormat)
    check_camera_names(document, [camera.name for camera in content.cameras])
    _check_pair(content, document)
    board = board_spec(content.board, document, ("board",), name="board")
    return Calibration(
        created=content.created,
        cameras=tuple(_camera(camera, document, idx) for idx, camera in enumerate(content.cameras)),
        stereo=None if content.stereo is None else _stereo(content.stereo, document),
        face_volume=None if content.face_volume is None else _face_volume(content.face_volume, document),
        board=board,
        provenance=provenance_value(content.provenance),
        parameters=tuple(content.parameters),
        covariance=_covariance(content, document),
    )


def _check_pair(content: CalibrationFormat, document: Document) -> None:
    if (content.stereo is not None) != (len(content.cameras) == 2):
        count = len(content.cameras)
        problem = f"{count} found, with {'no ' if content.stereo is None else 'a '}stereo section"
        raise document.error(("cameras",), problem, hint=_AGAIN)


def _camera(content: CameraCalibrationFormat, document: Document, idx: int) -> CameraCalibration:
    lengths = DISTORTION_LENGTHS[content.model]
    count = len(content.distortion)
    if count not in lengths or len(content.sigma.distortion) != count:
        raise document.error(
            ("cameras", idx, "distortion"),
            f"{count} coefficients with {len(content.sigma.distortion)} sigmas found, as many of each needed "
            f"({', '.join(map(str, lengths))} for {content.model})",
            hint=_AGAIN,
        )
    width, height = content.image_size_px
    for number, (x, y) in enumerate(content.hot_pixels_px):
        if x >= width or y >= height:
            raise document.error(
                ("cameras", idx, "hot_pixels_px", number),
                f"[{x}, {y}] found, a place within {width} x {height} px needed",
                hint=_AGAIN,
            )
    return CameraCalibration(
        camera=CameraModel(
            name=content.name,
            image_size_px=(content.image_size_px[0], content.image_size_px[1]),
            model=content.model,
            focal_px=(content.focal_px[0], content.focal_px[1]),
            principal_point_px=(content.principal_point_px[0], content.principal_point_px[1]),
            distortion=tuple(content.distortion),
        ),
        reprojection_rms_px=content.reprojection_rms_px,
        sigma_focal_px=(content.sigma.focal_px[0], content.sigma.focal_px[1]),
        sigma_principal_point_px=(content.sigma.principal_point_px[0], content.sigma.principal_point_px[1]),
        sigma_distortion=tuple(content.sigma.distortion),
        frame_rate_hz=content.frame_rate,
        hot_pixels_px=tuple((x, y) for x, y in content.hot_pixels_px),
    )


def _stereo(content: StereoFormat, document: Document) -> StereoCalibration:
    try:
        pose = RigidTransform(
            rotation=np.array(content.rotation), translation_mm=np.array(content.translation_mm)
        )
    except ValueError as error:
        raise document.error(
            ("stereo", "rotation"), "nine numbers found that are no rotation", hint=_AGAIN
        ) from error
    length_mm = baseline_mm(pose.translation_mm)
    if abs(length_mm - content.baseline_mm) > _SAME_LENGTH * length_mm:
        raise document.error(
            ("stereo", "baseline_mm"),
            f"{content.baseline_mm:g} found, the length of translation_mm ({length_mm:g}) needed",
            hint=_AGAIN,
        )
    sigma = content.sigma
    sigma_mm = sigma.translation_mm
    return StereoCalibration(
        camera2_from_camera1=pose,
        reprojection_rms_px=content.reprojection_rms_px,
        epipolar_rms_px=content.epipolar_rms_px,
        sigma_rotation_deg=sigma.rotation_deg.model_dump(),
        sigma_translation_mm=(sigma_mm[0], sigma_mm[1], sigma_mm[2]),
        sigma_baseline_mm=sigma.baseline_mm,
    )


def _face_volume(content: FaceVolumeFormat, document: Document) -> FaceVolume:
    face_map = content.map
    if face_map is None:
        return FaceVolume(
            depth_mm=content.depth_mm,
            lateral_mm=content.lateral_mm,
            working_distance_mm=content.working_distance_mm,
        )
    _check_map(face_map, document)
    return FaceVolume(
        depth_mm=content.depth_mm,
        lateral_mm=content.lateral_mm,
        working_distance_mm=content.working_distance_mm,
        map_x_mm=np.array(face_map.x_mm),
        map_y_mm=np.array(face_map.y_mm),
        depth_map_mm=np.array(face_map.depth_mm),
    )


def _check_map(face_map: FaceMapFormat, document: Document) -> None:
    rows = [len(row) for row in face_map.depth_mm]
    if rows != [len(face_map.x_mm)] * len(face_map.y_mm):
        raise document.error(
            ("face_volume", "map", "depth_mm"),
            f"rows that do not fit {len(face_map.y_mm)} values of y and {len(face_map.x_mm)} of x found",
            hint=_AGAIN,
        )


def _covariance(content: CalibrationFormat, document: Document) -> FloatArray:
    """Joint covariance, (P, P): symmetric, and no direction of negative variance."""
    count = len(content.parameters)
    here = ("covariance",)
    if len(set(content.parameters)) != count:
        raise document.error(("parameters",), "a name twice found", hint=_AGAIN)
    if [len(row) for row in content.covariance] != [count] * count:
        raise document.error(
            here, f"rows found that do not make {count} x {count}, as parameters need", hint=_AGAIN
        )
    covariance = np.array(content.covariance, dtype=np.float64).reshape(count, count)
    variances = np.diag(covariance)
    scale = np.sqrt(np.where(variances > 0, variances, 1.0))
    with np.errstate(over="ignore", invalid="ignore"):
        correlation = covariance / np.outer(scale, scale)
    sound = np.isfinite(correlation).all() and (variances >= 0).all()
    sound = sound and np.abs(correlation - correlation.T).max(initial=0.0) <= _SAME_COVARIANCE
    if not sound or (count and np.linalg.eigvalsh(correlation).min() < -_SAME_COVARIANCE * count):
        raise document.error(here, "a matrix found that cannot be a covariance", hint=_AGAIN)
    covariance.setflags(write=False)
    return covariance
