"""Scripted rendered clips against what picking says of them; the whole study is tests/bench/bench_picks.py."""

from dataclasses import replace

import numpy as np
import pytest
from pick_bites import bite_of, reader_of
from pick_clips import RATE, PickClip, Script, Stage, film
from pick_study import choose, row_of

from rigcheck.demo.head_performer import Performer, fair_exposure_stops
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
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


@pytest.fixture(scope="module")
def turned():
    """One hand-held camera: a head that faces it, turns a little to either side, and too far."""
    rig = head_rig(size_px=(360, 480), mount_rotation_deg=(0,))
    performer = Performer(identity=2, texture_seed=3)
    held = {"front": 0.0, "left": 20.0, "right": -20.0, "far": 55.0}
    shots = [name for name in held for _ in range(14)]
    lights = {
        name: render_face(
            FaceScene(
                rig=rig,
                performer=performer,
                rig_from_head=head_pose(distance_mm=330.0, yaw_deg=yaw),
                exposure_stops=fair_exposure_stops(performer) + 1.0,
                background_seed=None,
            ),
            0,
            rng=np.random.default_rng(0),
        ).truth.light
        for name, yaw in held.items()
    }
    sensor = FaceScene().sensor
    frames = tuple(
        Frame(
            ref=FrameRef(camera="front", frame_idx=k, origin="front.mov", time_s=k / RATE),
            image=sensor.exposed(lights[name], np.random.default_rng([77, k])),
        )
        for k, name in enumerate(shots)
    )
    return shots, PickClip(script=SHORT, shots=(), frames=(frames,), acts={})


def test_side_views_of_a_turned_head(turned):
    """Moments turned by 20 degrees, one of either side; straight on and turned by 55 degrees are refused by name."""
    shots, clip = turned
    choice = choose(clip, most=24, wanted={"side": 2}).of("side")
    assert sorted(shots[pick.frame_idx] for pick in choice.picks) == ["left", "right"]
    named = {}
    for moment in choice.rejected:
        named.setdefault(shots[moment.reading.frame_idx], set()).update(f.code for f in moment.faults)
    assert "not_turned" in named["front"]
    assert named["far"] & {"turned_too_far", "eye_hidden", "no_face"}


def test_depth_of_the_incisors_side_by_side():
    """Against the rendered surface: edge of the upper incisors, and the upper lip about the middle of the mouth."""
    found = bite_of(0, side_by_side=True)
    incisors = reader_of(found).read_bite(found.frames).incisors
    assert incisors.value == pytest.approx(found.behind_mm, abs=2 * incisors.sigma)  # two of its own sigmas
    assert incisors.sigma < 2.0
    alone = reader_of(found, calibrated=False).read_bite(found.frames).incisors
    assert alone.value is None
    assert "calibration" in alone.reason
    # The second camera sees nothing.
    other = replace(
        found.frames[1],
        frame=replace(found.frames[1].frame, image=np.full_like(found.frames[1].frame.image, 40)),
    )
    assert reader_of(found).read_bite([found.frames[0], other]).incisors.value is None


def test_depth_of_the_incisors_one_camera_above_the_other():
    """The lower camera sees the line between the rows, the upper one a strip of the upper row: swept along the rays."""
    found = bite_of(0)
    seen = reader_of(found).read_bite(found.frames)
    assert seen.incisors.value == pytest.approx(found.behind_mm, abs=2 * seen.incisors.sigma)
    assert seen.incisors.sigma < 2.0
    assert seen.rows["lower"].rows == "both"


def test_a_hidden_edge_is_said_to_be_hidden():
    """Head 5: the upper lip hides the upper incisors' edge from the upper camera, by the rendered labels."""
    found = bite_of(5)
    seen = reader_of(found).read_bite(found.frames)
    assert seen.incisors.value is None
    assert "hides" in seen.incisors.reason
    assert (seen.rows["upper"].rows, seen.rows["lower"].rows) == ("lower", "both")
