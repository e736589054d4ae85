"""Rendered heads, where every point is known: bias, honest sigma, shut eyes, open jaws, the other camera."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.demo import (
    FaceScene,
    bite,
    blink,
    head_pose,
    head_rig,
    jaw_open,
    neutral,
    random_performer,
    render_face,
    smile,
)
from rigcheck.face.head_model import MESH_NOSTRIL_SHIFT
from rigcheck.landmarks import check_by_rig, check_by_shape, widened
from rigcheck.model import FaceLandmarks, RigidTransform, StereoRig

SIZE = (540, 720)
N = 24
NAMED = ("alar_base_right", "alar_base_left", "wing_right", "wing_left", "iris_right", "iris_left")


def scene(case, k, expression):
    rng = np.random.default_rng([case, k])
    pose = head_pose(
        distance_mm=float(rng.uniform(165, 230)),
        across_mm=float(rng.normal(0, 8)),
        down_mm=float(rng.normal(0, 10)),
        look_up_deg=float(rng.uniform(-5, 25)),
        yaw_deg=float(rng.normal(0, 6)),
        roll_deg=float(rng.normal(0, 5)),
    )
    return FaceScene(
        performer=random_performer(rng), expression=expression, rig=head_rig(size_px=SIZE), rig_from_head=pose
    )


def rendered(case, k, expression, camera_idx=None):
    camera = k % 2 if camera_idx is None else camera_idx
    return render_face(scene(case, k, expression), camera, rng=np.random.default_rng([case, k, camera]))


@pytest.fixture(scope="module")
def found(finder, framed):
    """Faces of pictures that no constant was measured on, and their truth."""
    expressions = (neutral(), neutral(), bite(), smile())
    pictures = [rendered(907, k, expressions[k % 4]) for k in range(N)]
    return [(finder.find(framed(picture.image)), picture.truth) for picture in pictures]


def axes(face):
    across = face.point("eye_outer_left") - face.point("eye_outer_right")
    distance = np.linalg.norm(across)
    unit = across / distance
    return distance, np.stack([unit, [-unit[1], unit[0]]])


def test_every_face_is_found(found):
    assert all(isinstance(face, FaceLandmarks) for face, _ in found)


def test_nostril_base_is_unbiased_after_its_stated_shift(found):
    errors, ratios = [], []
    for face, truth in found:
        distance, own = axes(face)
        middle = (face.point("alar_base_left") + face.point("alar_base_right")) / 2
        true = (truth.points_px["alar_base_left"] + truth.points_px["alar_base_right"]) / 2
        error = own @ (middle - true) / distance - [0.0, MESH_NOSTRIL_SHIFT]
        errors.append(error)
        # Errors of the two alar bases taken as half shared, as framing does.
        right, left = face.sigma("alar_base_right"), face.sigma("alar_base_left")
        ratios.append(error * distance / (np.sqrt(right**2 + left**2 + right * left) / 2))
    errors = np.array(errors)
    # 199 held-out pictures: +0.2 and +0.1 %, sd 1.1 and 1.9 %. Three standard errors of 24.
    assert (np.abs(errors.mean(axis=0)) < [0.009, 0.014]).all()
    assert np.median(np.linalg.norm(errors, axis=1)) < 0.035  # the task's limit; 1.8 % measured
    assert 0.6 < np.sqrt(np.mean(np.square(ratios))) < 1.4  # 0.96 on 199; of 24 with heavy tails 1 +- 0.3


def test_sigma_of_named_points_is_honest(found):
    shifts = {"alar_base": (0.0, 0.017), "wing": (0.014, 0.070), "iris": (0.0, 0.006)}
    for name in ("alar_base", "wing", "iris"):
        ratios = []
        for face, truth in found:
            distance, own = axes(face)
            for side, sign in (("right", 1.0), ("left", -1.0)):
                point = f"{name}_{side}"
                error = own @ (face.point(point) - truth.points_px[point])
                shift = distance * np.array(shifts[name]) * [sign, 1.0]
                ratios.append((error - shift) / face.sigma(point))
        # 0.95 to 1.1 on 199 pictures, irises 0.7 to 1.1; 48 dependent pairs scatter by 0.2, heavy tails add
        assert 0.5 < np.sqrt(np.mean(np.square(ratios))) < 1.45, name


def test_shut_eyes_are_said_and_widen(finder, framed):
    said = 0
    for k in range(6):
        picture = rendered(908, k, blink())
        face = finder.find(framed(picture.image))
        if not isinstance(face, FaceLandmarks):
            continue
        said += "eyes_shut" in [finding.code for finding in face.findings]
        off = np.linalg.norm(face.point("eye_inner_left") - picture.truth.points_px["eye_inner_left"])
        assert off < 4.0 * face.sigma("eye_inner_left")
    assert said >= 4  # 13 of 13 on the larger set; two may be lost to rejection


def test_open_eyes_are_not_said_to_be_shut(found):
    codes = [finding.code for face, _ in found for finding in face.findings]
    assert codes.count("eyes_shut") <= 1  # 3 of 186 on the larger set


def test_half_open_jaw_is_followed(finder, framed):
    """Without the wide look half of these are seen with lips closed."""
    good = 0
    for k in range(6):
        picture = rendered(909, k, jaw_open(0.5))
        face = finder.find(framed(picture.image))
        if isinstance(face, FaceLandmarks):
            truth = picture.truth.points_px
            gap = np.linalg.norm(face.point("upper_lip_inner") - face.point("lower_lip_inner"))
            true = np.linalg.norm(truth["upper_lip_inner"] - truth["lower_lip_inner"])
            good += abs(gap / true - 1.0) < 0.35
    assert good >= 5


@pytest.fixture(scope="module")
def pair(finder, framed):
    faces = [finder.find(framed(rendered(910, 1, neutral(), camera).image)) for camera in (0, 1)]
    return faces[0], faces[1], head_rig(size_px=SIZE).stereo


def test_two_cameras_of_one_rig_agree(pair):
    first, second, rig = pair
    check = check_by_rig(first, second, rig)
    assert check.finding is None
    assert check.chi < 2.0
    # Dodgson 2004: nearly all adults 45 to 80 mm; our heads are within 57 to 63.
    assert 52.0 < check.iris_distance.value < 68.0
    assert check_by_shape(first, second, (0, 0)).finding is None


def test_exchanged_cameras_are_said(pair):
    first, second, rig = pair
    check = check_by_rig(second, first, rig)
    assert check.finding.code == "cameras_disagree"


def test_another_rigs_calibration_is_said(pair):
    first, second, rig = pair
    pose = rig.camera2_from_camera1
    tilt = np.deg2rad(12.0)
    turned = np.array(
        [[np.cos(tilt), -np.sin(tilt), 0.0], [np.sin(tilt), np.cos(tilt), 0.0], [0.0, 0.0, 1.0]]
    )
    off = StereoRig(
        camera1=rig.camera1,
        camera2=rig.camera2,
        camera2_from_camera1=RigidTransform(
            rotation=turned @ pose.rotation, translation_mm=turned @ pose.translation_mm
        ),
    )
    check = check_by_rig(first, second, off)
    assert check.chi > 1.5
    assert widened(first, check).sigma("chin") == pytest.approx(first.sigma("chin") * check.chi)


def test_unlike_pictures_are_said_without_a_calibration(pair):
    first, second, _ = pair
    centre = second.points_px.mean(axis=0)
    small = replace(second, points_px=centre + 0.4 * (second.points_px - centre))
    assert "as large" in check_by_shape(first, small, (0, 0)).finding.sentence
    rolled = replace(
        second, points_px=centre + (second.points_px - centre) @ np.array([[0.7, 0.7], [-0.7, 0.7]])
    )
    assert "rolled" in check_by_shape(first, rolled, (0, 0)).finding.sentence
