"""Scripted rendered clips against what picking says of them; the whole study is tests/bench/bench_picks.py."""

from dataclasses import replace

import numpy as np
import pytest
from pick_clips import BLACK_DN, Script, Stage, film
from pick_study import choose, row_of

from rigcheck.demo.head_expression import bite
from rigcheck.demo.head_mesh import LABEL_OF
from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.face.picks_reading import CameraPictures, MomentReader
from rigcheck.model import Frame, FrameRef

SHORT = Script(name="short", acts=(("rest", 0.9), ("apart", 0.6), ("near", 0.6), ("bite", 0.8)))
NOTHING = Script(name="nothing", acts=(("drift", 0.8), ("near", 0.6)), good_neutral=False, good_bite=False)


@pytest.fixture(scope="module")
def stage():
    return Stage(head=3, size_px=(360, 480))


def test_right_moments_come_first_and_faults_are_named(stage):
    """Right: inside the scripted hold and free of planted faults; each planted fault by its own code."""
    clip = film(stage, SHORT)
    row = row_of(3, clip, choose(clip, most=16))
    for pose in row.poses:
        assert pose.right, pose
        assert all(pose.named.values()), pose


def test_clip_without_a_good_moment(stage):
    clip = film(stage, NOTHING)
    row = row_of(3, clip, choose(clip, most=10))
    for pose in row.poses:
        assert pose.right, pose
    neutral, of_bite = row.poses
    assert set(neutral.missing) & {"head_moving", "looks_near"}
    assert of_bite.missing[0] == "no_teeth"


def test_depth_of_the_incisors_behind_the_lips():
    """Against the rendered surface: edge of the upper incisors, and the lips about the middle of the mouth."""
    rig = head_rig(size_px=(540, 720), side_by_side=True)
    performer = Performer(identity=0, texture_seed=0)
    pose = head_pose(distance_mm=195.0)
    scene = FaceScene(
        rig=rig, performer=performer, expression=bite(0.85), rig_from_head=pose, background_seed=None
    )
    pictures = [render_face(scene, camera, rng=np.random.default_rng([75, camera])) for camera in (0, 1)]
    frames = [
        CameraPictures(
            frame=Frame(ref=FrameRef(camera=camera.name, frame_idx=0, origin="x"), image=picture.image)
        )
        for camera, picture in zip(rig.cameras, pictures, strict=True)
    ]
    black = {camera.name: BLACK_DN for camera in rig.cameras}
    found = MomentReader(rig=rig.stereo, black_dn=black).incisor_depth(frames)
    truth = pictures[0].truth
    teeth = rig.camera_from_rig[0].apply(truth.points_rig_mm["upper_incisors_middle"])[2]
    middle = truth.points_px["upper_incisors_middle"]
    rows, columns = np.nonzero(truth.labels == LABEL_OF["lips"])
    near = np.abs(columns - middle[0]) < 0.07 * 540  # the middle third of the mouth
    lips = np.median(truth.depth_mm[rows[near], columns[near]])
    assert found.value == pytest.approx(teeth - lips, abs=2 * found.sigma)  # two of its own sigmas
    assert found.sigma < 2.0
    alone = MomentReader(black_dn=black).incisor_depth(frames)
    assert alone.value is None
    assert "calibration" in alone.reason
    # The lips closed before the teeth in the second camera only: not one place any more.
    other = replace(frames[1], frame=replace(frames[1].frame, image=np.full_like(pictures[1].image, 40)))
    assert MomentReader(rig=rig.stereo, black_dn=black).incisor_depth([frames[0], other]).value is None
