"""Expressions with a stated size, and what truth says of eyes, lips and teeth."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.demo import (
    LABELS,
    N_IDENTITIES,
    FaceScene,
    Performer,
    bite,
    head_pose,
    head_rig,
    jaw_aside,
    lips_parted,
    look,
    look_at_point,
    neutral,
    open_bite,
    posed_head,
    render_face,
)
from rigcheck.opencv import cv2

LABEL = {name: number for number, name in enumerate(LABELS)}
HALF = (540, 720)


def truth_of(performer, expression, *, camera_idx=1, size_px=HALF, **changes):
    scene = FaceScene(
        rig=head_rig(size_px=size_px), performer=performer, expression=expression, background_seed=None
    )
    return render_face(replace(scene, **changes), camera_idx, rng=np.random.default_rng([521, 0])).truth


@pytest.mark.parametrize("identity", range(N_IDENTITIES))
@pytest.mark.parametrize("point", [(0.0, 36.0, 0.0), (0.0, -300.0, -6000.0), (900.0, 0.0, -1200.0)])
def test_both_eyes_look_at_the_point(identity, point):
    performer, pose = Performer(identity=identity), head_pose(yaw_deg=4.0, down_mm=5.0)
    posed = posed_head(performer, look_at_point(performer, np.array(point), pose))
    for eye in posed.eyes:
        wanted = pose.inverse().apply(np.array(point)) - eye.pivot_mm
        angle = np.degrees(np.arccos(eye.gaze @ wanted / np.linalg.norm(wanted)))
        assert angle < 0.3  # degrees: both eyes share one height


def test_looking_at_a_lens_turns_the_eyes_in_as_published():
    """65 mm between the pupils at 300 mm: 12.37 degrees; 2 m: 1.86 degrees (handbook 5)."""
    performer = Performer(interpupillary_mm=65.0)
    left, right = (eye.pivot_mm for eye in posed_head(performer, neutral()).eyes)
    middle, apart = (left + right) / 2, np.linalg.norm(left - right)
    for distance, vergence in ((300.0, 12.37), (2000.0, 1.86)):
        pose = head_pose()
        target = pose.apply(middle + np.array([0.0, 0.0, -distance]))
        posed = posed_head(performer, look_at_point(performer, target, pose))
        first, second = (eye.gaze for eye in posed.eyes)
        # The pivots of this head stand as far apart as its irises do: sized to 65 mm within half a millimetre.
        assert np.degrees(np.arccos(first @ second)) == pytest.approx(vergence * apart / 65.0, abs=0.05)


def test_the_iris_moves_on_an_arc_about_the_pivot():
    ahead, aside = (posed_head(Performer(), look(yaw)) for yaw in (0.0, 20.0))
    for eye, name in zip(aside.eyes, ("iris_left", "iris_right"), strict=True):
        on_arc = eye.pivot_mm + 10.3 * eye.gaze
        away = aside.points_mm[name] - on_arc
        assert np.abs(away[:2]).max() < 0.4  # mm: the mesh's eyeball is no sphere, the iris slides on it
    assert ahead.eyes[0].gaze == pytest.approx([0.0, 0.0, -1.0])


@pytest.mark.parametrize("identity", range(N_IDENTITIES))
def test_gaps_are_those_asked_for(identity):
    performer = Performer(identity=identity)
    assert posed_head(performer, neutral()).lip_gaps_mm.max() < 0  # sealed along the seam
    for gap in (0.5, 1.0, 3.0):
        gaps = posed_head(performer, lips_parted(performer, gap)).lip_gaps_mm
        assert gaps[0] == pytest.approx(gap, abs=1e-6)
        assert gaps.min() > 0.3 * gap
    for gap in (-1.0, 0.0, 1.5, 3.0):
        assert posed_head(performer, open_bite(performer, gap)).teeth_gap_mm == pytest.approx(gap, abs=1e-6)
    assert posed_head(performer, bite()).teeth_gap_mm == pytest.approx(-2.0, abs=0.05)  # overlap of the rows


@pytest.mark.parametrize("identity", [0, 3, 6])
def test_the_dark_line_is_as_high_as_stated(identity):
    """Pixels between the rows in the picture against the edges as OpenCV projects them."""
    performer, rig = Performer(identity=identity), head_rig(size_px=HALF)
    truth = truth_of(performer, open_bite(performer, 3.0), camera_idx=1)
    names = ("upper_incisors_middle", "lower_incisors_middle")
    places = np.stack([truth.points_rig_mm[name] for name in names])
    pose, camera = rig.camera_from_rig[1], rig.cameras[1]
    turned, distortion = cv2.Rodrigues(pose.rotation)[0], np.array(camera.distortion)
    (x, top), (_, bottom) = cv2.projectPoints(places, turned, pose.translation_mm, camera.K, distortion)[
        0
    ].reshape(-1, 2)
    column = truth.labels[round(top) - 12 : round(bottom) + 13, round(x) + 2]
    teeth = np.flatnonzero(column == LABEL["teeth"])
    dark = np.diff(teeth).max() - 1
    assert all(truth.visible[name] for name in names)
    assert dark == pytest.approx(bottom - top, abs=2.0)  # px: crowns are rounded between edge and front
    shut = truth_of(performer, bite()).labels[round(top) - 12 : round(bottom) + 13, round(x) + 2]
    assert np.diff(np.flatnonzero(shut == LABEL["teeth"])).max() == 1  # no dark line


@pytest.mark.parametrize("identity", range(N_IDENTITIES))
def test_edges_of_teeth_are_seen_where_they_are_bare(identity):
    performer = Performer(identity=identity)
    sealed = truth_of(performer, neutral(), size_px=(270, 360))
    apart = truth_of(performer, open_bite(performer, 2.0), size_px=(270, 360))
    shut = truth_of(performer, bite(), size_px=(270, 360))
    names = [name for name in sealed.points_px if "incisor" in name]
    assert len(names) == 6
    assert not any(sealed.visible[name] for name in names)
    assert all(apart.visible[name] for name in names)
    upper = [name for name in names if name.startswith("upper")]
    assert all(shut.visible[name] for name in upper)
    across = shut.points_rig_mm["upper_incisor_left"] - shut.points_rig_mm["upper_incisor_right"]
    # Upper central incisors are 8.5 mm wide (textbooks of dental anatomy; from memory); two of the heads' rows are
    # a quarter wider.
    assert np.linalg.norm(across) == pytest.approx(17.0, abs=4.5)


def test_the_jaw_goes_aside():
    for side in (-5.0, 5.0):
        rest, moved = (posed_head(Performer(), each).points_mm for each in (neutral(), jaw_aside(side)))
        assert moved["chin"][0] - rest["chin"][0] == pytest.approx(side, abs=0.4)  # skin follows the bone
        lower = moved["lower_incisors_middle"] - rest["lower_incisors_middle"]
        np.testing.assert_allclose(lower, [side, 0.0, 0.0], atol=1e-9)
        np.testing.assert_allclose(moved["upper_incisors_middle"], rest["upper_incisors_middle"], atol=1e-9)
