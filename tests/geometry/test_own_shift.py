"""What a knocked camera's picture shows of a face that stays, against OpenCV's projection of the moved camera."""

import numpy as np
import pytest

from rigcheck.demo.head_rig import head_rig
from rigcheck.geometry.observable import moved_pair
from rigcheck.geometry.own_shift import own_shifts, place_before_camera
from rigcheck.opencv import cv2

CHANGE = np.array([0.4, -0.2, 1.5, 0.1, -0.05])
OFFSET_PX = np.array([12.0, -150.0])


def seen(camera, point_mm):
    """One point in a camera's picture by OpenCV, (2,) px."""
    found, _ = cv2.projectPoints(
        point_mm.reshape(1, 1, 3), np.zeros(3), np.zeros(3), camera.K, np.array(camera.distortion)
    )
    return found.reshape(2)


@pytest.mark.parametrize("side_by_side", [False, True])
def test_either_camera_alone_makes_the_change(side_by_side):
    pair = head_rig(size_px=(810, 1080), side_by_side=side_by_side).stereo
    place = place_before_camera(pair, OFFSET_PX, distance_mm=200.0)
    # The place is where it was asked for: the picture's centre is the middle of its pixels' centres.
    assert seen(pair.camera1, place) - np.array([404.5, 539.5]) == pytest.approx(OFFSET_PX, abs=1e-4)
    before, after = pair.camera2_from_camera1, moved_pair(pair.camera2_from_camera1, CHANGE)
    # Camera 2 moved: the place in its new frame. Camera 1 moved: camera 2 still sees it where it did.
    second = seen(pair.camera2, after.apply(place)) - seen(pair.camera2, before.apply(place))
    first = seen(pair.camera1, after.inverse().apply(before.apply(place))) - seen(pair.camera1, place)
    covariance = np.diag([0.03, 0.01, 0.05, 0.02, 0.02]) ** 2
    shifts = own_shifts(pair, CHANGE, covariance, place)
    for shift, expected in zip(shifts, (first, second), strict=True):
        assert shift.moved[:2] == pytest.approx(expected, abs=1e-6)  # px
        assert np.abs(expected).max() > 3.0
    # Sigma by drawing changes.
    rng = np.random.default_rng([31, side_by_side])
    drawn = [
        own_shifts(pair, rng.multivariate_normal(CHANGE, covariance), covariance, place)[1].moved
        for _ in range(50)
    ]
    told = np.sqrt(np.diag(shifts[1].covariance))
    assert np.std(drawn, axis=0) == pytest.approx(told, rel=3 / np.sqrt(2 * 50))


def test_a_mounting_turns_the_picture_and_not_the_head():
    upright, mounted = (
        head_rig(size_px=(810, 1080), mount_rotation_deg=turns).stereo for turns in ((0, 0), (90, 270))
    )
    found = [
        own_shifts(
            pair,
            CHANGE,
            np.eye(5),
            place_before_camera(pair, OFFSET_PX, distance_mm=200.0, turn_deg=turns[0]),
            turns_deg=turns,
        )
        for pair, turns in ((upright, (0, 0)), (mounted, (90, 270)))
    ]
    for plain, turned in zip(*found, strict=True):
        # The principal points lie otherwise in turned pictures, and the focal lengths differ by 1e-4.
        assert turned.moved == pytest.approx(plain.moved, rel=0.05, abs=0.1)
