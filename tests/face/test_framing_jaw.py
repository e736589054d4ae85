"""The drop of the chin is predicted without bias, through the lens, and its sigma covers jaws as published."""

import numpy as np
import pytest
from face_study import published_jaw, random_pose

from rigcheck.demo.camera import project_points
from rigcheck.demo.head_expression import neutral
from rigcheck.demo.head_performer import posed_head, random_performer
from rigcheck.demo.head_rig import head_rig
from rigcheck.face import framing_jaw
from rigcheck.face.framing_jaw import chin_after, chin_drop_px
from rigcheck.face.framing_points import UprightFace
from rigcheck.face.framing_pose import Optics, fit_head, ideal_points, picture_points
from rigcheck.face.head_model import MESH_PLACES, head_points
from rigcheck.geometry.upright import upright_points, upright_size
from rigcheck.model import CameraModel, FrameRef
from rigcheck.opencv import cv2

SIZE_PX = (540, 720)
BROWN = (-0.12, 0.06, 2e-4, -3e-4, -0.004)
FISHEYE = (-0.02, 0.01, -0.003, 0.001)


def optics_of(model="brown", distortion=BROWN, turn_deg=0, size=SIZE_PX):
    camera = CameraModel(
        name="a",
        image_size_px=size,
        model=model,
        focal_px=(700.0, 700.0),
        principal_point_px=(262.0, 371.0),
        distortion=distortion,
    )
    return Optics(image_size_px=size, camera=camera, mount_rotation_deg=turn_deg)


@pytest.mark.parametrize(("model", "distortion"), [("brown", BROWN), ("fisheye", FISHEYE)])
@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270])
def test_points_go_through_the_lens_as_opencv_sends_them(model, distortion, turn_deg):
    """Oracle: OpenCV's projections. And back: `ideal_points` undoes it, to a millionth of a pixel."""
    optics = optics_of(model, distortion, turn_deg)
    rays = np.random.default_rng([135, turn_deg]).uniform(-0.3, 0.3, (50, 2))
    k = np.array([[700.0, 0, 262.0], [0, 700.0, 371.0], [0, 0, 1]])
    points = np.column_stack([rays, np.ones(50)])[:, None]
    project = cv2.projectPoints if model == "brown" else cv2.fisheye.projectPoints
    recorded = project(points, np.zeros(3), np.zeros(3), k, np.array(distortion))[0].reshape(-1, 2)
    ideal = 700.0 * upright_points(rays, (1, 1), turn_deg)
    seen = picture_points(ideal, optics)
    assert seen == pytest.approx(upright_points(recorded, SIZE_PX, turn_deg), abs=1e-6)
    assert ideal_points(seen, optics) == pytest.approx(ideal, abs=1e-6)
    assert picture_points(ideal.reshape(2, 25, 2), optics) == pytest.approx(seen.reshape(2, 25, 2))


def test_beyond_the_picture_a_lens_does_not_fold():
    """A strong third coefficient turns the polynomial back outside the picture; places go on outward all the same."""
    optics = optics_of(distortion=(-0.2, 0.0, 0.0, 0.0, -0.4))
    down = np.stack([np.zeros(80), np.linspace(0.0, 1400.0, 80)], axis=1)
    assert (np.diff(picture_points(down, optics)[:, 1]) > 1.0).all()
    polynomial = down[:, 1] * (1 - 0.2 * (down[:, 1] / 700) ** 2 - 0.4 * (down[:, 1] / 700) ** 6)
    assert (np.diff(polynomial) < 0).any()


def test_without_a_calibration_the_picture_is_taken_as_undistorted():
    ideal = np.array([[0.0, 0.0], [10.0, -4.0]])
    seen = picture_points(ideal, Optics(image_size_px=(720, 540), mount_rotation_deg=90))
    assert seen == pytest.approx(ideal + (np.array(upright_size((720, 540), 90)) - 1) / 2)


def drops(count=60):
    """Predicted less true drop over its sigma, and both drops, of performers whose named points are known as they are.

    The rendered heads' own points, seen through the rendered rig's lenses; jaws as published (`face_study`), not the
    renderer's. (2 `count`, 3).
    """
    rig, rows = head_rig(size_px=SIZE_PX), []
    for case in range(5000, 5000 + count):
        rng = np.random.default_rng([91, case])
        performer, pose = random_performer(rng), random_pose(rng)
        opening, jaw = published_jaw(rng)
        rest = posed_head(performer, neutral()).points_mm
        size = (performer.face_length_mm or 117.9) / 117.9
        wide = rest["chin"] + np.array([0.0, *(chin_after(opening / size, **jaw) * size)])
        for k, camera in enumerate(rig.cameras):
            from_rig = rig.camera_from_rig[k]
            placed = from_rig.apply(pose.apply(np.array([*rest.values(), wide])))
            seen = dict(zip([*rest, "wide"], project_points(camera, placed), strict=True))
            eyes = float(np.linalg.norm(seen["eye_outer_left"] - seen["eye_outer_right"]))
            points, sigma = np.full((478, 2), np.nan), np.full(478, np.inf)
            for name in MESH_PLACES.keys() & rest.keys():
                points[MESH_PLACES[name]], sigma[MESH_PLACES[name]] = seen[name], 0.015 * eyes
            ref = FrameRef(camera="a", frame_idx=0, origin="x")
            face = UprightFace(ref=ref, size_px=SIZE_PX, points_px=points, sigma_px=sigma)
            distance = float(from_rig.apply(pose.translation_mm)[2])
            optics = Optics(image_size_px=SIZE_PX, camera=camera, distance_mm=distance, distance_sigma=0.02)
            found, own = chin_drop_px(
                fit_head(face, optics), optics, gap_px=face.mouth_gap * eyes, eye_distance_px=eyes
            )
            true = float(seen["wide"][1] - seen["chin"][1])
            rows.append(((found - true) / own, found / eyes, true / eyes))
    return np.array(rows)


def test_drop_is_unbiased_and_its_sigma_honest():
    """95 % within two sigmas expected of jaws as published; of 300 pictures 92 to 99 %."""
    ratio, found, true = drops(150).T
    assert abs(found.mean() / true.mean() - 1.0) < 0.03  # 0.011 is the chance error of the true jaws
    assert abs(ratio.mean()) < 0.15  # 0.07 is the chance error
    assert 0.8 < ratio.std() < 1.2
    assert 0.92 < np.mean(np.abs(ratio) < 2.0) < 0.99


def test_a_drop_that_forgets_the_lens_is_too_large(monkeypatch):
    """The planted fault: predicted as if the lens did not bend the picture, on the same heads."""
    monkeypatch.setattr(framing_jaw, "picture_points", lambda ideal_px, optics: ideal_px)
    ratio, found, true = drops(150).T
    assert found.mean() / true.mean() > 1.04
    assert ratio.mean() > 0.15


def test_drop_is_the_mean_over_people_not_the_mean_persons():
    """Monte Carlo over the stated jaws, seen straight on, to a chance error of 0.6 %; the mean jaw drops 6 % more."""
    rng = np.random.default_rng([136])
    chin, at_mm = head_points()["chin"], np.array([0.0, 0.0, 200.0])
    points, sigma = np.full((478, 2), np.nan), np.full(478, np.inf)
    optics = Optics(image_size_px=SIZE_PX, focal_px=700.0, focal_sigma=1e-4, distance_sigma=1e-4)

    def seen(point):
        x, y, z = point + at_mm
        return 700.0 * np.array([x, y]) / z + (np.array(SIZE_PX) - 1) / 2

    for name in MESH_PLACES.keys() & head_points().keys():
        points[MESH_PLACES[name]], sigma[MESH_PLACES[name]] = seen(head_points()[name]), 1.0
    ref = FrameRef(camera="a", frame_idx=0, origin="x")
    face = UprightFace(ref=ref, size_px=SIZE_PX, points_px=points, sigma_px=sigma)
    found, _ = chin_drop_px(fit_head(face, optics), optics, gap_px=0.0, eye_distance_px=300.0)
    people = []
    for _ in range(1500):
        down, back = chin_after(
            rng.normal(49.6, 6.9),
            forward_mm=rng.normal(77, 5),
            below_mm=rng.normal(88, 7),
            turn_factor=rng.normal(1, 0.06),
        )
        people.append(seen(chin + np.array([0.0, down, back]))[1] - seen(chin)[1])
    assert found == pytest.approx(np.mean(people), rel=0.02)
    usual = seen(chin + np.array([0.0, *chin_after(49.6)]))[1] - seen(chin)[1]
    assert usual > 1.04 * np.mean(people)
