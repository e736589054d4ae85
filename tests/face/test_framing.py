"""Offsets, margins, roll, fill, pose and the open jaw, on landmarks projected from a head with OpenCV."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.face.fitting_run import CameraSeen, fitting_run
from rigcheck.face.framing import camera_framing, resting, trusted
from rigcheck.face.framing_jaw import chin_after, chin_drop_px
from rigcheck.face.framing_points import combined, hull_share, upright_face
from rigcheck.face.framing_pose import Optics, camera_place, fit_head
from rigcheck.face.framing_refit import refit_shifts
from rigcheck.face.framing_slip import helmet_slip
from rigcheck.face.head_model import (
    FACE_LENGTH_MM,
    INTERPUPILLARY_MM,
    MESH_PLACES,
    OWN_LEVEL_DEG,
    STRETCH_SIGMAS,
    head_points,
    mesh_points,
    stretched,
)
from rigcheck.geometry.upright import recorded_points, upright_size
from rigcheck.model import CameraModel, FaceLandmarks, FrameRef, RigidTransform, StereoRig
from rigcheck.opencv import cv2

SIZE_PX = (1080, 1440)
FOCAL_PX = 1420.0
K = np.array([[FOCAL_PX, 0, 539.5], [0, FOCAL_PX, 719.5], [0, 0, 1.0]])
CAMERA = CameraModel(
    name="upper",
    image_size_px=SIZE_PX,
    model="brown",
    focal_px=(FOCAL_PX, FOCAL_PX),
    principal_point_px=(539.5, 719.5),
)


def pose(*, look_up_deg=0.0, roll_deg=0.0, at_mm=(0.0, 0.0, 200.0)):
    """`camera_from_face`: rotation vector and translation for a camera that looks up at the face."""
    up = cv2.Rodrigues(np.radians([-look_up_deg, 0.0, 0.0]))[0]
    roll = cv2.Rodrigues(np.radians([0.0, 0.0, roll_deg]))[0]
    return roll @ up, np.array(at_mm)


def landmarks(
    rotation, translation, *, name="upper", frame=0, sigma_px=3.0, noise=None, moved=None, camera=K
):
    """Marked-like landmarks of the average head, projected by OpenCV."""
    points = dict(head_points())
    for point, shift in (moved or {}).items():
        points[point] = points[point] + shift
    names = [each for each in points if each in MESH_PLACES]
    seen = cv2.projectPoints(
        np.array([points[each] for each in names]),
        cv2.Rodrigues(rotation)[0],
        translation,
        camera,
        np.zeros(5),
    )[0].reshape(-1, 2)
    every, sigma = np.full((478, 2), np.nan), np.full(478, np.inf)
    for each, place in zip(names, seen, strict=True):
        every[MESH_PLACES[each]] = place if noise is None else place + noise.normal(0, sigma_px, 2)
        sigma[MESH_PLACES[each]] = sigma_px
    return FaceLandmarks(
        ref=FrameRef(camera=name, frame_idx=frame, origin="clip"),
        image_size_px=SIZE_PX,
        points_px=every,
        sigma_px=sigma,
        found_by="marked",
    )


def measured(*faces, optics=None, mount=0):
    optics = optics or Optics(image_size_px=SIZE_PX, camera=CAMERA)
    return camera_framing("upper", [upright_face(face, mount) for face in faces], optics)


def test_head_model_has_the_published_sizes():
    """Gordon et al. 2012 (public file): interpupillary 62.9 mm, menton-sellion 117.9 mm, both sexes in equal parts."""
    points = head_points()
    assert np.linalg.norm(points["iris_left"] - points["iris_right"]) == pytest.approx(
        INTERPUPILLARY_MM.mean, abs=1.0
    )  # mm: a quarter of a standard deviation
    assert np.linalg.norm(points["sellion"] - points["chin"]) == pytest.approx(FACE_LENGTH_MM.mean, abs=1.0)


def test_centred_face_has_no_offset():
    numbers = measured(landmarks(*pose())).numbers
    assert numbers["nostril_offset_x_px"].value == pytest.approx(0.0, abs=1e-6)
    assert numbers["nostril_offset_y_px"].value == pytest.approx(0.0, abs=1e-6)
    assert numbers["roll_deg"].value == pytest.approx(0.0, abs=1e-6)


def test_offsets_are_those_of_the_projection():
    rotation, at = pose(at_mm=(7.0, -11.0, 210.0))
    numbers = measured(landmarks(rotation, at)).numbers
    both = [head_points()[name] for name in ("alar_base_right", "alar_base_left")]
    seen = cv2.projectPoints(np.array(both), cv2.Rodrigues(rotation)[0], at, K, np.zeros(5))[0].reshape(-1, 2)
    want = seen.mean(axis=0) - [539.5, 719.5]
    assert numbers["nostril_offset_x_px"].value == pytest.approx(want[0], abs=1e-6)
    assert numbers["nostril_offset_y_px"].value == pytest.approx(want[1], abs=1e-6)


def test_a_smile_that_lifts_the_nostrils_is_no_slip_and_a_slip_is_one():
    """Planted: the nostrils seen 17 px higher, as a smile misled the mesh; then the whole face 17 px higher."""
    still = landmarks(*pose())
    points = still.points_px.copy()
    places = [MESH_PLACES[name] for name in ("alar_base_right", "alar_base_left")]
    points[places, 1] -= 17.0
    smiling, slipped = (replace(still, points_px=each) for each in (points, still.points_px - [0.0, 17.0]))
    approved = measured(still).numbers
    found = []
    for face in (smiling, slipped):
        numbers, names = measured(face).numbers, {}
        for which, known in (("today", numbers), ("approved", approved)):
            names[which] = {f"framing.upper.{name}": each for name, each in known.items()}
        shifts = refit_shifts("upper", names["today"], names["approved"])
        found.append(shifts["refit.upper.down_mm"].value * numbers["px_per_mm"].value)
    assert found == pytest.approx([0.0, -17.0], abs=1e-6)


@pytest.mark.parametrize("mount", [0, 90, 180, 270])
def test_mounting_is_undone(mount):
    upright = landmarks(*pose(at_mm=(6.0, 9.0, 205.0), roll_deg=3.0))
    recorded = upright_size(SIZE_PX, mount)
    turned = FaceLandmarks(
        ref=upright.ref,
        image_size_px=recorded,
        points_px=recorded_points(upright.points_px, recorded, mount),
        sigma_px=upright.sigma_px,
        found_by="marked",
    )
    got = measured(turned, optics=Optics(image_size_px=recorded, mount_rotation_deg=mount), mount=mount)
    want = measured(upright, optics=Optics(image_size_px=SIZE_PX))
    for name in ("nostril_offset_x_px", "nostril_offset_y_px", "chin_margin_px", "roll_deg", "look_up_deg"):
        assert got.numbers[name].value == pytest.approx(want.numbers[name].value, abs=1e-6)


@pytest.mark.parametrize("roll_deg", [-12.0, 5.0])
def test_roll_is_clockwise_positive(roll_deg):
    assert measured(landmarks(*pose(roll_deg=roll_deg))).numbers["roll_deg"].value == pytest.approx(
        roll_deg, abs=0.05
    )


@pytest.mark.parametrize("look_up_deg", [-15.0, 0.0, 20.0, 35.0])
def test_look_up_of_the_average_head(look_up_deg):
    """A camera that looks up sees the face from below: 0.6°, since the head is the fitted one but for its priors."""
    found = measured(landmarks(*pose(look_up_deg=look_up_deg)))
    assert found.numbers["look_up_deg"].value == pytest.approx(look_up_deg, abs=0.6)
    assert found.numbers["look_up_deg"].sigma > 3.6  # the facial angle's spread over people is always in it


def test_pose_agrees_with_solvepnp():
    """OpenCV's solvePnP on the same points: 1°, mm per cent of distance; the priors pull a little."""
    rotation, at = pose(look_up_deg=12.0, roll_deg=4.0, at_mm=(5.0, -8.0, 190.0))
    face = landmarks(rotation, at)
    names = [each for each in head_points() if each in MESH_PLACES and each not in ("forehead", "sellion")]
    seen = np.array([face.points_px[MESH_PLACES[each]] for each in names])
    ok, vector, shift = cv2.solvePnP(np.array([head_points()[each] for each in names]), seen, K, None)
    fit = fit_head(upright_face(face, 0), Optics(image_size_px=SIZE_PX, camera=CAMERA, distance_mm=190.0))
    assert ok
    turn = cv2.Rodrigues(cv2.Rodrigues(vector)[0].T @ fit.rotation)[0]
    assert np.degrees(np.linalg.norm(turn)) < 1.0
    assert np.linalg.norm(fit.translation_mm - shift.ravel()) < 0.01 * 190.0
    assert camera_place(fit)[1] > 0  # the camera stands below the nostril base


def test_sigma_of_the_scale_is_that_of_its_logarithm():
    """By hand: px over mm is exp(focal - distance), so that its relative variance is that of their difference."""
    found = measured(landmarks(*pose(look_up_deg=12.0)))
    covariance = found.fit.covariance
    log_variance = covariance[11, 11] - 2.0 * covariance[10, 11] + covariance[10, 10]
    scale = found.numbers["px_per_mm"]
    assert scale.value == pytest.approx(found.fit.px_per_mm, rel=1e-12)
    # 1 %: steps of a tenth of a sigma, of which the exponential is not quite straight
    assert scale.sigma == pytest.approx(scale.value * np.sqrt(log_variance), rel=0.01)


def test_median_keeps_what_every_picture_gets_wrong():
    """A landmark's own sigma does not shrink with the number of pictures; the spread's part does."""
    one = combined([5.0], [3.0], unit="px")
    many = combined(np.random.default_rng([71, 0]).normal(5.0, 1.0, 400).tolist(), [3.0] * 400, unit="px")
    assert one.sigma == 3.0
    assert 3.0 <= many.sigma < 3.01
    assert combined([np.nan], [1.0], unit="px", reason="none").reason == "none"


def test_share_within_the_picture():
    square = np.array([[-50.5, 9.5], [49.5, 9.5], [49.5, 59.5], [-50.5, 59.5]])
    assert hull_share(square, (100, 100)) == pytest.approx(0.25)  # half of it lies outside
    assert hull_share(square + 500.0, (100, 100)) == 0.0
    assert np.isnan(hull_share(square[:2], (100, 100)))


@pytest.mark.parametrize(
    ("turn_deg", "slide_mm", "travel_mm", "down_mm", "back_mm"),
    [
        (20, (6.0, 4.5), 32.2, 26.2, 31.0),
        (30, (9.0, 7.0), 47.2, 34.4, 48.7),
        (34, (9.5, 7.2), 52.7, 35.9, 56.7),
    ],
)
def test_jaw_agrees_with_the_handbook(turn_deg, slide_mm, travel_mm, down_mm, back_mm):
    """Handbook's jaw (computed there; menton 80 forward and 94 below the hinge): menton down and back."""
    # The handbook's incisors lie 92 mm from the hinge; ours are placed from the chin, so the opening is matched.
    found = [chin_after(opening, forward_mm=80.0, below_mm=94.0) for opening in np.linspace(10, 80, 1401)]
    nearest = min(found, key=lambda each: abs(each[0] - down_mm) + abs(each[1] - back_mm))
    assert nearest[0] == pytest.approx(down_mm, abs=0.6)  # mm: the table's slides are interpolated
    assert nearest[1] == pytest.approx(back_mm, abs=0.6)


def test_receding_chin_moves_up_in_the_picture():
    """Perspective at 200 mm: a chin that drops and recedes moves less than one that only drops; more from below."""
    optics = Optics(image_size_px=SIZE_PX, camera=CAMERA)
    fits = [fit_head(upright_face(landmarks(*pose(look_up_deg=up)), 0), optics) for up in (0.0, 25.0)]
    drops = [chin_drop_px(fit, optics, gap_px=0.0, eye_distance_px=600.0) for fit in fits]
    chin, (down, back) = head_points()["chin"], chin_after(49.6)
    only_down = FOCAL_PX * (down / (200.0 + chin[2]))
    receding = FOCAL_PX * ((chin[1] + down) / (200.0 + chin[2] + back) - chin[1] / (200.0 + chin[2]))
    assert drops[0][0] == pytest.approx(receding, rel=0.1)  # the fit's scale and stretches
    assert receding < 0.6 * only_down
    assert drops[1][0] > 1.3 * drops[0][0]
    assert drops[0][1] > 15.0  # px: openings alone differ by 6.9 mm over people


def test_own_widest_picture_is_taken_when_the_chin_drops_far():
    at = pose(look_up_deg=10.0)
    down, back = chin_after(52.0)
    wide = {"chin": np.array([0.0, down, back]), "lower_lip_inner": np.array([0.0, 30.0, 10.0])}
    shut = [landmarks(*at, frame=k) for k in range(6)]
    own = measured(*shut, landmarks(*at, frame=6, moved=wide))
    half = {"chin": wide["chin"] * 0.3, "lower_lip_inner": np.array([0.0, 9.0, 3.0])}
    talking = measured(*shut, landmarks(*at, frame=6, moved=half))
    assert own.jaw_from == "own"
    assert own.numbers["jaw_open_margin_px"].value == pytest.approx(1439.5 - own.widest.chin_px[1], abs=1e-6)
    assert talking.jaw_from == "predicted"
    assert talking.numbers["jaw_open_margin_px"].sigma > own.numbers["jaw_open_margin_px"].sigma


def test_resting_and_unsure_pictures():
    at = pose()
    shut = [landmarks(*at, frame=k) for k in range(8)]
    open_mouth = [
        landmarks(*at, frame=8 + k, moved={"lower_lip_inner": np.array([0.0, 12.0, 0.0])}) for k in range(4)
    ]
    faces = [upright_face(face, 0) for face in (*shut, *open_mouth)]
    assert [face.ref.frame_idx for face in resting(faces)] == list(range(8))
    assert trusted(faces) == faces  # marked points carry no score


def test_slip_is_the_size_of_the_step_and_silent_without():
    """4 mm at 200 mm and f 1420 px are 28.4 px; noise of 1 px a landmark: 1.5 px."""
    rng = np.random.default_rng([72, 0])
    still, slid = [], []
    for k in range(24):
        for out, shift in ((still, 0.0), (slid, 4.0 if k >= 12 else 0.0)):
            face = landmarks(*pose(at_mm=(0.0, shift, 200.0)), frame=k, sigma_px=1.0, noise=rng)
            out.append(upright_face(face, 0))
    assert helmet_slip(slid).slip_px.value == pytest.approx(
        28.4 * 200 / 212, abs=1.5
    )  # eyes lie 12 mm further
    assert helmet_slip(still).slip_px.value < 1.5
    assert helmet_slip(still[:3]).slip_px.value is None


def test_sigma_of_look_up_is_honest():
    """60 heads that differ from the average as stated, landmarks off by 3 px: sd of error/sigma 1 ± 0.3 (60 draws)."""
    ratios = []
    for k in range(60):
        rng = np.random.default_rng([73, k])
        look = rng.uniform(-5, 25)
        rotation, at = pose(look_up_deg=look, at_mm=(0.0, 0.0, 200.0 * np.exp(rng.normal(0, 0.1))))
        stretch = rng.normal(0, STRETCH_SIGMAS)
        level = cv2.Rodrigues(np.radians([rng.normal(0, OWN_LEVEL_DEG), 0, 0]))[0]
        moved = {
            name: level @ (stretched(point[None], stretch)[0] + rng.normal(0, 2.0, 3)) - point
            for name, point in head_points().items()
        }
        found = measured(landmarks(rotation, at, moved=moved, noise=rng)).numbers["look_up_deg"]
        ratios.append((found.value - look) / found.sigma)
    assert 0.7 < np.std(ratios) < 1.3
    assert abs(np.mean(ratios)) < 0.4  # 3 standard errors of a mean of 60


def pair_of(rotation, at, *, baseline_mm=72.0):
    """A stacked pair toed in at 200 mm, and a face's landmarks in both."""
    angle = 2 * np.arctan2(baseline_mm / 2, 200.0)
    second_from_first = cv2.Rodrigues(np.array([-angle, 0.0, 0.0]))[0]
    half = cv2.Rodrigues(np.array([-angle / 2, 0.0, 0.0]))[0]
    centre1, centre2 = np.array([0.0, -baseline_mm / 2, 0.0]), np.array([0.0, baseline_mm / 2, 0.0])
    first_from_bar, second_from_bar = half.T, half
    shift = second_from_bar @ (centre1 - centre2)
    first = (first_from_bar @ rotation, first_from_bar @ (at - centre1))
    second = (second_from_bar @ rotation, second_from_bar @ (at - centre2))
    assert np.allclose(second_from_first, second_from_bar @ first_from_bar.T)
    other = CameraModel(
        name="lower",
        image_size_px=SIZE_PX,
        model="brown",
        focal_px=(FOCAL_PX, FOCAL_PX),
        principal_point_px=(539.5, 719.5),
    )
    rig = StereoRig(
        camera1=CAMERA,
        camera2=other,
        camera2_from_camera1=RigidTransform(rotation=second_from_first, translation_mm=shift),
    )
    return rig, landmarks(*first), landmarks(*second, name="lower")


def seen_pair(rig, first, second):
    return [
        CameraSeen(
            optics=Optics(image_size_px=SIZE_PX, camera=camera), name=camera.name, faces=(face,), looked=1
        )
        for camera, face in ((rig.camera1, first), (rig.camera2, second))
    ]


def test_bar_moves_centre_the_nostril_base():
    """The slide that is advised, made: what is left in both pictures is what the advice says remains."""
    at = np.array([8.0, 14.0, 205.0])
    rig, first, second = pair_of(np.eye(3), at)
    run = fitting_run(seen_pair(rig, first, second), rig=rig)
    assert run.moves is not None
    # Camera 1 stands above and looks down by the toe-in: its picture's axes, in the bar's frame.
    toe_in = np.arctan2(36.0, 200.0)
    slide = cv2.Rodrigues(np.array([-toe_in, 0.0, 0.0]))[0] @ np.array([*run.moves.slide_mm, 0.0])
    assert slide[0] == pytest.approx(8.0, abs=0.05)
    rig, first, second = pair_of(np.eye(3), at - slide)
    after = fitting_run(seen_pair(rig, first, second), rig=rig)
    for name in ("upper", "lower"):
        left = after.number(name, "nostril_offset_y_px").value
        assert left == pytest.approx(run.moves.after_slide_px[name][1], abs=0.5)
        assert abs(left) < 0.3 * abs(run.number(name, "nostril_offset_y_px").value)


def test_pair_measures_published_lengths_and_notices_a_wrong_scale():
    rig, first, second = pair_of(np.eye(3), np.array([0.0, 0.0, 205.0]))
    run = fitting_run(seen_pair(rig, first, second), rig=rig)
    points = head_points()
    want = np.linalg.norm(points["iris_left"] - points["iris_right"])
    assert run.measurements["framing.pair.interpupillary_mm"].value == pytest.approx(want, abs=1e-3)
    assert run.measurements["framing.pair.epipolar_px"].value < 1e-3
    pose12 = rig.camera2_from_camera1
    wrong = StereoRig(
        camera1=rig.camera1,
        camera2=rig.camera2,
        camera2_from_camera1=RigidTransform(
            rotation=pose12.rotation, translation_mm=1.4 * pose12.translation_mm
        ),
    )
    far = fitting_run(seen_pair(wrong, first, second), rig=wrong)
    assert far.measurements["framing.pair.interpupillary_mm"].value == pytest.approx(1.4 * want, rel=1e-3)
    swapped = fitting_run(seen_pair(rig, second, first), rig=rig)
    assert swapped.measurements["framing.pair.epipolar_sigmas"].value > 4.0


@pytest.mark.parametrize("points", [head_points(), mesh_points()])
def test_the_average_head_is_shared_and_cannot_be_written_into(points):
    with pytest.raises(ValueError, match="read-only"):
        points["chin"][0] = 1.0
    with pytest.raises(TypeError):
        points["chin"] = np.zeros(3)
