"""The knock of the demo day is the one that is said, and the film of it shows it."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rigcheck.demo import calibration_shoot, project_points
from rigcheck.demo.rest_of_day import KNOCK_DEG, _head_rig, _turned, board_stills
from rigcheck.model import FrameRef, Observation
from rigcheck.opencv import cv2
from rigcheck.target import detect_board


@pytest.fixture(scope="module")
def shoot():
    return calibration_shoot(3, seconds=4.0, size_px=(540, 720))


def test_a_knock_brings_the_axes_together_and_nothing_else(shoot):
    pose = shoot.day.truth.camera2_from_camera1
    after = _turned(shoot, KNOCK_DEG) @ pose.rotation
    before_deg, after_deg = (np.degrees(np.arccos(turn[2, 2])) for turn in (pose.rotation, after))
    assert after_deg - before_deg == pytest.approx(KNOCK_DEG, rel=1e-3)  # the axes are not quite in one plane
    # Turned about its own lens: the centre of camera 2, seen from camera 1, stays.
    shift = _turned(shoot, KNOCK_DEG) @ pose.translation_mm
    assert after.T @ shift == pytest.approx(pose.rotation.T @ pose.translation_mm, abs=1e-9)
    assert np.degrees(Rotation.from_matrix(_turned(shoot, KNOCK_DEG)).magnitude()) == pytest.approx(KNOCK_DEG)


def test_stills_show_the_board_where_the_knocked_camera_sees_it(shoot, tmp_path):
    shift = []
    for knock_deg in (0.0, 2.0):
        folder = tmp_path / str(knock_deg)
        upper, lower = board_stills(folder, shoot, knock_deg, take=1)
        assert len(list(upper.iterdir())) == len(list(lower.iterdir())) == len(list(lower.glob("*.png")))
        picture = cv2.imdecode(np.fromfile(lower / "pose_00.png", dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
        seen = detect_board(
            picture, shoot.day.board, FrameRef(camera="lower", frame_idx=0, origin="pose_00.png")
        )
        assert isinstance(seen, Observation)
        shift.append(seen.corners_px.mean(axis=0))
    # The baseline is upright: 2° at this focal length are 25 px. Off the axis a turn moves more, distortion less.
    expected = shoot.camera(2).focal_px[1] * np.tan(np.radians(2.0))
    assert abs(shift[1][1] - shift[0][1]) == pytest.approx(expected, rel=0.1)
    assert abs(shift[1][0] - shift[0][0]) < 0.1 * expected


def test_the_face_is_before_the_calibrated_cameras(shoot):
    rig = _head_rig(shoot)
    assert rig.stereo.baseline_mm == pytest.approx(shoot.day.truth.baseline_mm)
    for camera, pose in zip(rig.cameras, rig.camera_from_rig, strict=True):
        middle = project_points(camera, pose.apply(np.array([[0.0, 0.0, 195.0]])))[0]
        assert middle == pytest.approx(np.array(camera.image_size_px) / 2, abs=0.1 * camera.image_size_px[0])
