"""Planted errors of a rig show up in the rows that hold it against the truth, at their size."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rigcheck.demo import compare_with_truth, depth_error_mm, mapping_error_px, shoot_day
from rigcheck.demo.truth import named_axes
from rigcheck.model import (
    Calibration,
    CameraCalibration,
    CameraModel,
    FaceVolume,
    Provenance,
    StereoCalibration,
    StereoRig,
)

TRUTH = shoot_day(1).truth
PROVENANCE = Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate")


def calibration_of(rig: StereoRig) -> Calibration:
    """A calibration that states this rig, with round sigmas."""
    cameras = tuple(
        CameraCalibration(
            camera=camera,
            reprojection_rms_px=0.05,
            sigma_focal_px=(0.2, 0.2),
            sigma_principal_point_px=(0.3, 0.3),
            sigma_distortion=tuple(0.001 for _ in camera.distortion),
            frame_rate_hz=30.0,
        )
        for camera in (rig.camera1, rig.camera2)
    )
    stereo = StereoCalibration(
        camera2_from_camera1=rig.camera2_from_camera1,
        reprojection_rms_px=0.05,
        epipolar_rms_px=0.05,
        sigma_rotation_deg={"convergence": 0.01, "across": 0.005, "twist": 0.002},
        sigma_translation_mm=(0.01, 0.02, 0.03),
        sigma_baseline_mm=0.02,
    )
    return Calibration(
        created="",
        cameras=cameras,
        stereo=stereo,
        face_volume=FaceVolume(depth_mm=0.05, lateral_mm=0.01, working_distance_mm=195.0),
        board=shoot_day(1).board,
        provenance=PROVENANCE,
        parameters=(),
        covariance=np.zeros((0, 0)),
    )


def rows_for(rig):
    return {row.name: row for row in compare_with_truth(calibration_of(rig), TRUTH)}


def turned(rig, name, deg):
    pose = rig.camera2_from_camera1
    axis = named_axes(pose.rotation, pose.translation_mm)[name]
    turn = Rotation.from_rotvec(-np.deg2rad(deg) * axis).as_matrix()
    return replace(rig, camera2_from_camera1=replace(pose, rotation=turn @ pose.rotation))


def test_the_truth_itself_has_no_error():
    for row in rows_for(TRUTH).values():
        assert row.error == pytest.approx(0.0, abs=1e-9)  # rounding of float64 on numbers below 2000


def test_a_longer_baseline_is_seen():
    pose = TRUTH.camera2_from_camera1
    longer = replace(pose, translation_mm=pose.translation_mm * (1 + 0.1 / TRUTH.baseline_mm))
    rows = rows_for(replace(TRUTH, camera2_from_camera1=longer))
    assert rows["baseline"].error == pytest.approx(0.1, abs=1e-9)
    assert rows["baseline"].error_in_sigmas == pytest.approx(5.0, abs=1e-6)
    assert rows["convergence"].error == pytest.approx(0.0, abs=1e-9)
    # All distances scale by 0.1 / 72: 195 mm * 0.1 / 72 = 0.27 mm
    assert rows["face depth, RMS"].estimate == pytest.approx(0.272, abs=0.003)


@pytest.mark.parametrize("name", ["convergence", "across", "twist"])
def test_a_turn_is_seen_under_its_own_name(name):
    rows = rows_for(turned(TRUTH, name, 0.05))
    for other in ("convergence", "across", "twist"):
        assert rows[other].error == pytest.approx(0.05 if other == name else 0.0, abs=1e-6)  # second order


def test_more_convergence_means_more_toe_in():
    angle = {}
    for rig in (TRUTH, turned(TRUTH, "convergence", 0.05)):
        axis2 = rig.camera2_from_camera1.rotation.T @ [0.0, 0.0, 1.0]
        angle[rig is TRUTH] = np.rad2deg(np.arccos(axis2[2]))
    assert angle[False] - angle[True] == pytest.approx(0.05, abs=1e-3)  # the axes are not quite in one plane
    assert rows_for(TRUTH)["convergence"].truth == pytest.approx(21.0, abs=1.0)  # built with 21 degrees


def test_convergence_hurts_most_and_across_least():
    harm = {
        name: depth_error_mm(turned(TRUTH, name, 0.03), TRUTH, working_distance_mm=195.0)
        for name in ("convergence", "across", "twist")
    }
    # First order, mid-plane: (Z^2 + B^2 / 4) / B per radian
    assert harm["convergence"] == pytest.approx((195**2 + 36**2) / 72 * np.deg2rad(0.03), rel=0.06)
    assert harm["across"] < 0.1 * harm["convergence"]
    assert harm["across"] < harm["twist"] < harm["convergence"]


def test_mapping_error_takes_a_turn_of_the_camera_out():
    camera = CameraModel(
        name="a",
        image_size_px=(1440, 1080),
        model="brown",
        focal_px=(1300.0, 1300.0),
        principal_point_px=(719.5, 539.5),
    )
    shifted = replace(camera, principal_point_px=(722.5, 539.5))
    # To second order a shift of 3 px less its best turn leaves 3 (x^2, x y) / f^2 less its mean in x.
    x, y = np.meshgrid(((np.arange(25) + 0.5) / 25 - 0.5) * 1440, ((np.arange(25) + 0.5) / 25 - 0.5) * 1080)
    left = 3 / 1300**2 * np.stack([x**2 - np.mean(x**2), x * y])
    wanted = np.sqrt((left**2).sum(axis=0).mean())
    # terms left out are of order 3 px * (x / f)^4, and the turn is chosen with them: 10 %
    assert mapping_error_px(shifted, camera) == pytest.approx(wanted, rel=0.10)
    assert mapping_error_px(shifted, camera) < 0.15 * 3.0


def test_mapping_error_sees_focal_length_and_distortion():
    camera = TRUTH.camera1
    longer = replace(camera, focal_px=(camera.focal_px[0] + 3, camera.focal_px[1] + 3))
    width, height = camera.image_size_px
    # Rays at radius r move by about 3 r / f; the picture's RMS radius is sqrt((w^2 + h^2) / 12).
    wanted = 3 * np.sqrt((width**2 + height**2) / 12) / camera.focal_px[0]
    assert mapping_error_px(longer, camera) == pytest.approx(
        wanted, rel=0.05
    )  # distortion changes r a little
    bent = replace(camera, distortion=(camera.distortion[0] + 0.01, *camera.distortion[1:]))
    assert mapping_error_px(bent, camera) > 0.3


def test_mapping_error_ignores_coefficients_that_trade_places():
    """A dropped k3 that k1 and k2 make up for is no error of the mapping."""
    camera = TRUTH.camera1
    without = replace(camera, distortion=(*camera.distortion[:4], 0.0))
    assert mapping_error_px(without, camera) < 0.1


def test_depth_harm_grows_in_step_with_the_error():
    small, large = (
        depth_error_mm(turned(TRUTH, "convergence", deg), TRUTH, working_distance_mm=195.0)
        for deg in (0.01, 0.02)
    )
    assert large == pytest.approx(2 * small, rel=0.01)


def test_one_camera_alone_has_rows_of_its_own_only():
    both = calibration_of(TRUTH)
    alone = replace(both, cameras=both.cameras[:1], stereo=None, face_volume=None)
    names = [row.name for row in compare_with_truth(alone, TRUTH)]
    assert all(name.startswith("upper") for name in names)
    assert len(names) == 5


def test_a_row_without_sigma_has_no_ratio():
    row = rows_for(TRUTH)["upper mapping, RMS"]
    assert row.sigma is None
    assert row.error_in_sigmas is None
