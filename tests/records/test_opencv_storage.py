"""The export is read back by OpenCV itself and puts points where our own geometry puts them."""

import dataclasses

import numpy as np
import pytest

from rigcheck.geometry.projection import intrinsics_vector, project
from rigcheck.opencv import cv2
from rigcheck.records import opencv_storage_text

POINTS_MM = np.random.default_rng([2, 0]).uniform([-60, -70, 170], [60, 70, 230], size=(40, 3))


def storage(calibration):
    return cv2.FileStorage(opencv_storage_text(calibration), cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)


def matrix(found, name):
    return found.getNode(name).mat()


def through_opencv(found, number, points_mm):
    """Points of camera 1's frame to pixels, as any OpenCV program would with nothing but the file."""
    camera, coefficients = matrix(found, f"cameraMatrix{number}"), matrix(found, f"distCoeffs{number}")
    turn, shift = np.zeros(3), np.zeros(3)
    if number == 2:
        turn, shift = cv2.Rodrigues(matrix(found, "R"))[0], matrix(found, "T")
    points = points_mm.reshape(-1, 1, 3)
    if found.getNode(f"lensModel{number}").string() == "fisheye":
        return cv2.fisheye.projectPoints(points, turn, shift, camera, coefficients)[0].reshape(-1, 2)
    return cv2.projectPoints(points, turn, shift, camera, coefficients)[0].reshape(-1, 2)


def through_geometry(calibration, number, points_mm):
    if number == 2:
        points_mm = calibration.stereo.camera2_from_camera1.apply(points_mm)
    camera = calibration.cameras[number - 1].camera
    return project(points_mm, intrinsics_vector(camera), camera.model)


@pytest.mark.parametrize("number", [1, 2])
def test_points_land_on_the_same_pixel(calibration, number):
    """Camera 1 is brown, camera 2 fisheye."""
    expected = through_geometry(calibration, number, POINTS_MM)
    # 1e-9 px: two double-precision evaluations of the same formula at about 1000 px.
    np.testing.assert_allclose(
        through_opencv(storage(calibration), number, POINTS_MM), expected, rtol=0, atol=1e-9
    )


@pytest.mark.parametrize(
    "coefficients", [(), (-0.1, 0.02), (-0.1, 0.02, 1e-3, -1e-3), (0.1,) * 5, (0.01,) * 8]
)
def test_every_number_of_coefficients(calibration, coefficients):
    entry = calibration.cameras[0]
    camera = dataclasses.replace(entry.camera, distortion=coefficients)
    changed = dataclasses.replace(
        calibration, cameras=(dataclasses.replace(entry, camera=camera), calibration.cameras[1])
    )
    expected = through_geometry(changed, 1, POINTS_MM)
    # 1e-9 px: as above.
    np.testing.assert_allclose(through_opencv(storage(changed), 1, POINTS_MM), expected, rtol=0, atol=1e-9)


def test_numbers_keep_every_digit(calibration):
    found = storage(calibration)
    pose = calibration.stereo.camera2_from_camera1
    np.testing.assert_array_equal(matrix(found, "cameraMatrix1"), calibration.cameras[0].camera.K)
    np.testing.assert_array_equal(matrix(found, "distCoeffs1")[0], calibration.cameras[0].camera.distortion)
    np.testing.assert_array_equal(matrix(found, "R"), pose.rotation)
    np.testing.assert_array_equal(matrix(found, "T")[:, 0], pose.translation_mm)
    assert matrix(found, "imageSize1").tolist() == [[1080, 1440]]


def test_fundamental_matrix_holds_for_undistorted_pixels(calibration):
    found = storage(calibration)
    homogeneous = []
    for number, points in ((1, POINTS_MM), (2, calibration.stereo.camera2_from_camera1.apply(POINTS_MM))):
        pixels = points @ matrix(found, f"cameraMatrix{number}").T
        homogeneous.append(pixels / pixels[:, 2:])
    lines = homogeneous[0] @ matrix(found, "F").T
    distances = np.einsum("ij,ij->i", homogeneous[1], lines) / np.linalg.norm(lines[:, :2], axis=1)
    # 1e-8 px: an inverse of the camera matrices and a cancellation at about 1000 px.
    np.testing.assert_allclose(distances, 0.0, rtol=0, atol=1e-8)
    assert matrix(found, "F")[2, 2] == 1.0
    rotations = cv2.decomposeEssentialMat(matrix(found, "E"))[:2]
    nearest = min(np.abs(each - matrix(found, "R")).max() for each in rotations)
    assert nearest < 1e-9  # the rotation comes back out of E by a singular value decomposition


def test_one_camera(single_calibration):
    found = storage(single_calibration)
    assert found.getNode("cameraName1").string() == "upper"
    assert found.getNode("R").empty()
    assert found.getNode("cameraMatrix2").empty()


@pytest.mark.parametrize("name", ["Kamera größe", "カメラ", "1", "a b-c_d"])
def test_names_survive(calibration, name):
    entry = calibration.cameras[0]
    renamed = dataclasses.replace(entry, camera=dataclasses.replace(entry.camera, name=name))
    found = storage(dataclasses.replace(calibration, cameras=(renamed, calibration.cameras[1])))
    assert found.getNode("cameraName1").string() == name
