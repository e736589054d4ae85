"""A calibration as OpenCV's own YAML storage, so that any OpenCV program reads it."""

import numpy as np

from rigcheck.model import Calibration, StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["opencv_storage_text"]


def opencv_storage_text(calibration: Calibration) -> str:
    """Write a calibration in the YAML dialect of ``cv2.FileStorage``.

    Parameters
    ----------
    calibration : Calibration

    Returns
    -------
    str
        Entries are named as the arguments of OpenCV's stereoCalibrate: ``cameraMatrix1``, ``distCoeffs1``,
        ``imageSize1`` (width, height), ``cameraMatrix2`` …, and for a pair ``R``, ``T`` (mm), ``E``, ``F``.
        ``lensModel1`` is "brown" (``cv2.projectPoints``) or "fisheye" (``cv2.fisheye``).

    Notes
    -----
    ``F`` relates undistorted pixels (``cv2.undistortPoints`` with the camera matrix as new one), scaled so
    that its last element is 1. OpenCV's convention agrees with ours: X2 = R X1 + T, pixel centres at whole
    numbers.
    """
    storage = cv2.FileStorage(
        "", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY | cv2.FILE_STORAGE_FORMAT_YAML
    )
    for number, entry in enumerate(calibration.cameras, start=1):
        camera = entry.camera
        storage.write(f"cameraName{number}", camera.name)
        storage.write(f"lensModel{number}", camera.model)
        storage.write(f"imageSize{number}", np.array(camera.image_size_px, dtype=np.int32).reshape(1, 2))
        storage.write(f"cameraMatrix{number}", camera.K)
        storage.write(f"distCoeffs{number}", _coefficients(camera.distortion))
    if calibration.stereo is not None:
        pose = calibration.stereo.camera2_from_camera1
        essential, fundamental = _epipolar_matrices(calibration.rig)
        storage.write("R", pose.rotation)
        storage.write("T", pose.translation_mm.reshape(3, 1))
        storage.write("E", essential)
        storage.write("F", fundamental)
    return str(storage.releaseAndGetString())


def _coefficients(distortion: tuple[float, ...]) -> FloatArray:
    """Coefficients as one row; OpenCV takes 4, 5 or 8, so fewer are filled up with zeros."""
    return np.array([*distortion, *[0.0] * (4 - len(distortion))]).reshape(1, -1)


def _epipolar_matrices(rig: StereoRig) -> tuple[FloatArray, FloatArray]:
    pose = rig.camera2_from_camera1
    x, y, z = pose.translation_mm
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    essential = cross @ pose.rotation
    fundamental = np.linalg.inv(rig.camera2.K).T @ essential @ np.linalg.inv(rig.camera1.K)
    last = fundamental[2, 2]
    return essential, fundamental / last if abs(last) > 1e-12 * np.abs(fundamental).max() else fundamental
