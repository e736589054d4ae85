"""Takes of a speaking face before a knocked rig."""

from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest

from rigcheck.demo import (
    FaceScene,
    FaceTake,
    head_rig,
    knocked_rig,
    speech,
    take_pairs,
    write_face_take,
)
from rigcheck.errors import OutputError
from rigcheck.geometry.rotation import exp_rotation, pair_axes
from rigcheck.opencv import cv2

SMALL = (180, 240)


def pose_of(rig):
    return rig.stereo.camera2_from_camera1


@pytest.mark.parametrize("side_by_side", [False, True])
@pytest.mark.parametrize("name", ["convergence", "across", "twist"])
def test_turns_are_those_the_solver_names(side_by_side, name):
    rig = head_rig(side_by_side=side_by_side)
    before, after = pose_of(rig), pose_of(knocked_rig(rig, **{f"{name}_deg": 0.2}))
    axis = getattr(pair_axes(before.rotation, before.translation_mm), name)
    np.testing.assert_allclose(
        after.rotation, exp_rotation(-np.radians(0.2) * axis) @ before.rotation, atol=1e-12
    )
    centre_before, centre_after = (pose.inverse().translation_mm for pose in (before, after))
    np.testing.assert_allclose(centre_after, centre_before, atol=1e-9)  # turned about its own lens


def test_positive_convergence_turns_towards_camera_1():
    rig = head_rig()
    meeting = []
    for turned in (rig, knocked_rig(rig, convergence_deg=1.0)):
        axes = [pose.rotation.T[:, 2] for pose in turned.camera_from_rig]
        meeting.append(np.degrees(np.arccos(axes[0] @ axes[1])))
    assert meeting[1] - meeting[0] == pytest.approx(1.0, abs=0.01)  # axes lie nearly in one plane


def test_shifts_go_along_the_named_directions():
    rig = head_rig()
    lengths = []
    for shift in ((0.0, 0.0, 0.0), (0.5, 0.0, 0.0), (0.0, 0.5, 0.0), (0.0, 0.0, 0.5)):
        pose = pose_of(knocked_rig(rig, shift_mm=shift))
        np.testing.assert_allclose(pose.rotation, pose_of(rig).rotation, atol=1e-12)
        lengths.append(np.linalg.norm(pose.translation_mm))
    assert lengths[1] - lengths[0] == pytest.approx(0.5, abs=1e-9)
    # Square to the baseline: half the square of the shift over the baseline, 0.002 mm.
    np.testing.assert_allclose(lengths[2:], lengths[0], atol=0.003)
    away = pose_of(knocked_rig(rig, shift_mm=(0.0, 0.5, 0.0))).inverse().translation_mm
    assert away[2] > pose_of(rig).inverse().translation_mm[2]  # along the view: towards the face


def test_a_knock_takes_true_points_off_their_epipolar_lines():
    """Truth's own points through OpenCV's projection: in the knocked rig they leave the old rig's lines."""
    rig = head_rig(size_px=SMALL)
    knocked = knocked_rig(rig, across_deg=0.5)
    take = FaceTake(scene=FaceScene(rig=knocked), n_moments=1)
    first, second = (picture.truth for picture in next(take_pairs(take)).pictures)
    names = [name for name in first.points_px if first.visible[name] and second.visible[name]]
    flat = [
        cv2.undistortPoints(
            np.stack([truth.points_px[name] for name in names]),
            truth.camera.K,
            np.array(truth.camera.distortion),
        ).reshape(-1, 2)
        for truth in (first, second)
    ]
    misses = []
    for each in (rig, knocked):
        pose = pose_of(each)
        x, y, z = pose.translation_mm / np.linalg.norm(pose.translation_mm)
        essential = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]]) @ pose.rotation
        rays = [np.column_stack([points, np.ones(len(points))]) for points in flat]
        misses.append(np.abs(np.einsum("nk,kl,nl->n", rays[1], essential, rays[0])).max())
    assert misses[1] < 1e-7
    assert misses[0] > 1e-3


def test_speech_moves_the_face_and_pauses():
    jaws = np.array([speech(time_s).jaw_deg for time_s in np.arange(0, 30, 0.02)])
    assert 0.1 < (jaws < 0.3).mean() < 0.9
    assert 5 < jaws.max() <= 0.35 * 30
    # Syllables come 3 to 6 times a second (common practice): the jaw opens anew about so often while it speaks.
    peaks = ((jaws[1:-1] > jaws[:-2]) & (jaws[1:-1] > jaws[2:]) & (jaws[1:-1] > 1.0)).sum() / 30
    assert 1.0 < peaks < 7.0
    assert speech(3.0, seed=1) != speech(3.0, seed=2)


def test_lamps_and_helmet_change_over_the_take():
    scene = FaceScene(rig=head_rig(size_px=SMALL))
    take = FaceTake(
        scene=scene, lamp_stops=(0.0, -1.0), slip_mm=(0.0, 3.0, 0.0), sway_mm=0.0, seconds=10.0, seed=4
    )
    start, end = take.scene_at(0.0), take.scene_at(10.0)
    assert end.light.factor == pytest.approx(0.5)
    moved = end.rig_from_head.translation_mm - start.rig_from_head.translation_mm
    np.testing.assert_allclose(moved, [0.0, 3.0, 0.0], atol=1e-9)
    assert end.expression != start.expression
    times = np.array(take.times_s())
    assert len(times) == 12
    assert (np.floor(times / (10.0 / 12)) == np.arange(12)).all()  # one in each share of the take
    still = replace(take, liveliness=0.0).scene_at(5.0).expression
    assert still.jaw_deg == 0.0
    assert not any(weight for _, weight in still.units)


def test_takes_are_written_as_rendered(tmp_path):
    take = FaceTake(scene=FaceScene(rig=head_rig(size_px=SMALL)), n_moments=2)
    files = write_face_take(tmp_path / "take", take, frame_rate=Fraction(24), frames_each=3)
    rendered = [pair.pictures[1].image for pair in take_pairs(take)]
    with av.open(str(files[1])) as film:
        frames = [frame.to_ndarray()[:240] for frame in film.decode(video=0)]
    assert len(frames) == 6
    assert np.abs(frames[0].astype(float) - rendered[0]).mean() < 3  # code values: noise is what coding loses
    assert np.abs(frames[5].astype(float) - rendered[1]).mean() < 4  # and the noise is another
    with pytest.raises(OutputError):
        write_face_take(tmp_path / "take", take)
