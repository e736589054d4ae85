"""Plane of focus and usable depth on boards rendered through a lens of known focus, and on planted numbers."""

from dataclasses import replace

import numpy as np
import pytest
from filmed import SENSOR, film, held_poses, true_run
from synthetic import BOARD, SIZE, opencv_project, reference_rig

from rigcheck.calibration.blur_growth import DISC_TO_BLUR, EdgeDepths, fit_focus, moved_views
from rigcheck.calibration.focus import FIELD_PLACES, USABLE_DISC_PX, camera_edges, focus_measurements
from rigcheck.demo import Lens, RenderOptions, board_in_space
from rigcheck.geometry.optics import GAUSSIAN_MTF50, ThinLens, blur_disc_mm, depth_limits_mm
from rigcheck.model import CameraDescription, FrameRef, Observation, RigDescription, RigidTransform
from rigcheck.target.edges import EdgeBlurs

PITCH_UM = 3.45


def through(f_number, focused_mm, *, poses, moving=None, board=None, seed=0):
    """Measurements of camera 1 from rendered views; the poses are the true ones."""
    lens = Lens(
        focal_length_mm=6.0,
        f_number=f_number,
        focused_at_mm=focused_mm,
        pixel_pitch_um=PITCH_UM,
        sharpest_px=0.5,
    )
    views = film(
        poses,
        options=RenderOptions(lens=lens, sensor=SENSOR, samples=2),
        moving=moving,
        board=board,
        seed=seed,
    )
    run = true_run([((view.observation,), view.pose) for view in views])
    rig = RigDescription(
        name="kestrel",
        cameras=(
            CameraDescription(
                name="upper",
                focal_length_mm=6.0,
                f_number=f_number,
                focused_at_mm=focused_mm,
                pixel_pitch_um=PITCH_UM,
            ),
        ),
        working_distance_mm=195.0,
    )
    found = focus_measurements(run, [view.blurs for view in views], rig)
    return {name.removeprefix("upper."): estimate for name, estimate in found.items()}, run, views


@pytest.mark.slow
@pytest.mark.parametrize(("f_number", "focused_mm", "within_mm"), [(2.8, 188.0, 2.0), (4.0, 205.0, 3.0)])
def test_plane_and_usable_depth_on_rendered_boards(f_number, focused_mm, within_mm):
    found, _, _ = through(f_number, focused_mm, poses=held_poses(int(10 * f_number), 10))
    plane = found["focus_depth_mm"]
    assert abs(plane.value - focused_mm) < min(3 * plane.sigma, within_mm)  # a few mm; sigma 0.7 to 1.5
    assert plane.sigma < 2.0
    lens = ThinLens(focal_length_mm=6.0, f_number=f_number, focused_at_mm=focused_mm)
    truth = depth_limits_mm(lens, USABLE_DISC_PX * PITCH_UM / 1000)
    for name, expected in zip(("near", "far"), truth, strict=True):
        assert abs(found[f"usable_{name}_mm"].value - expected) < 3 * found[f"usable_{name}_mm"].sigma
        assert found[f"lens_usable_{name}_mm"].value == pytest.approx(expected)
    growth = float(blur_disc_mm(lens, focused_mm + 0.01)) / 0.01 / (PITCH_UM / 1000)
    assert found["lens_growth_px_mm"].value == pytest.approx(growth, rel=1e-3)  # finite difference
    assert abs(found["focus_growth_px_mm"].value - growth) < 3 * found["focus_growth_px_mm"].sigma
    assert found["focus_from_face_mm"].value == pytest.approx(plane.value - 195.0)
    assert abs(found["focus_from_lens_data_mm"].value) < within_mm
    # The lens keeps sigma 0.5 px, less what the renderer's resampling sharpens; the middle is the sharpest.
    assert found["mtf50_cy_px"].value == pytest.approx(GAUSSIAN_MTF50 / 0.52, rel=0.08)
    assert found["mtf50_evenness"].value > 0.8


@pytest.mark.slow
def test_soft_print_is_not_read_as_defocus():
    """A print of 5 dots a mm seen mostly from near: taken as sharp it would move the plane by 3 to 7 mm."""
    soft = board_in_space(BOARD, texels_per_mm=5.0)
    poses = held_poses(12, 14, near_mm=150.0, far_mm=215.0, tilt_deg=40.0)
    found, _, _ = through(4.0, 192.0, poses=poses, board=soft)
    plane = found["focus_depth_mm"]
    assert abs(plane.value - 192.0) < min(3 * plane.sigma, 3.0)  # as with a sharp print
    # A dot of 0.2 mm, read linearly between dots: its deviation is 0.058 mm (box) or more.
    assert 0.04 < found["print_blur_mm"].value < 0.10


@pytest.mark.slow
def test_motion_is_not_read_as_defocus():
    """Three boards near the plane of focus move by 0.3 to 0.4 mm, 2 to 3 px, while the shutter is open."""
    poses = held_poses(5, 11)
    depth = np.array([pose.apply(BOARD.corners_mm.mean(0))[2] for pose in poses])
    near = np.argsort(np.abs(depth - 200.0))[:3].tolist()
    shifts = ((0.4, 0.0, 0.0), (0.25, 0.25, 0.0), (0.0, 0.4, 0.0))
    found, run, views = through(4.0, 200.0, poses=poses, moving=dict(zip(near, shifts, strict=True)))
    assert found["moving_views"].value >= 3
    plane = found["focus_depth_mm"]
    assert abs(plane.value - 200.0) < min(3 * plane.sigma, 3.0)  # as without motion
    edges = camera_edges(run, 0, {view.blurs.ref: view.blurs for view in views})
    assert set(moved_views(edges).tolist()) >= {near[0], near[2]}  # along one direction of the board, nearly


@pytest.mark.slow
def test_small_aperture_is_inconclusive():
    """6 mm at f/16: the disc grows by 0.017 px a mm; diffraction is not even drawn."""
    found, _, _ = through(16.0, 195.0, poses=held_poses(6, 8))
    assert found["focus_depth_mm"].value is None
    assert "blur" in found["focus_depth_mm"].reason
    assert found["usable_near_mm"].value is None
    assert found["mtf50_cy_px"].value == pytest.approx(GAUSSIAN_MTF50 / 0.52, rel=0.1)  # still measured


def planted(
    *, plane_mm=195.0, growth=2600.0, depths=(150.0, 240.0), n_views=14, softer=0.0, seed=0, noise=0.02
):
    """Edges that follow the model: `softer` adds to the variance at the edge of the field."""
    rng = np.random.default_rng([71, seed])
    view = np.repeat(np.arange(n_views), 60)
    depth = np.repeat(rng.uniform(*depths, n_views), 60) + rng.uniform(-12, 12, len(view))
    place = rng.uniform(-0.7, 0.7, (len(view), 2))
    disc = growth * np.abs(1 / depth - 1 / plane_mm)
    # The board is foreshortened by its tilt, up to 40 degrees; its print is as soft as a good one.
    scale = 1420.0 / depth * np.repeat(rng.uniform(0.77, 1.0, n_views), 60)
    print_px = 0.03 * scale
    blur = np.sqrt(0.6**2 + softer * (place**2).sum(axis=1) + (DISC_TO_BLUR * disc) ** 2 + print_px**2)
    seen = blur * (1 + rng.normal(0, noise, len(view)))
    return EdgeDepths(
        view=view,
        depth_mm=depth,
        place=place,
        along_x=rng.uniform(size=len(view)) < 0.5,
        blur_px=seen,
        sigma_px=np.maximum(noise * blur, 0.003),
        mtf50_cy_px=GAUSSIAN_MTF50 / seen,
        scale_px_mm=scale,
    )


def test_model_is_recovered_without_noise():
    fit = fit_focus(planted(noise=0.0, softer=0.2))
    assert not fit.reason
    assert fit.plane_mm == pytest.approx(195.0, abs=1e-6)  # exact model, linear solution
    assert fit.growth_px_mm == pytest.approx(2600.0, rel=1e-9)
    assert fit.lens_blur_px == pytest.approx(0.6, rel=1e-9)
    assert fit.print_blur_mm == pytest.approx(0.03, rel=1e-6)  # also where the prior stands
    for side, sign in ((+1, +1), (-1, -1)):
        limit, _ = fit.limit_mm(2.0, side)
        assert float(fit.disc_px(np.array([limit]))[0]) == pytest.approx(2.0)
        assert sign * (fit.plane_mm - limit) > 0


def test_errors_stay_within_sigma():
    pulls = []
    for seed in range(60):
        fit = fit_focus(planted(seed=seed, softer=0.1, noise=0.06))
        assert not fit.reason
        pulls.append((fit.plane_mm - 195.0) / fit.plane_sigma_mm)
    # Sigma carries what the model leaves of real lenses on top of the noise planted here: never below 1.
    assert np.std(pulls) < 1.0
    assert abs(np.mean(pulls)) < 0.3


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"n_views": 3}, "3 still views"),
        ({"depths": (198.0, 198.5)}, "mm only, too little"),
        ({"plane_mm": 290.0}, "farther still|beyond"),
        ({"plane_mm": 110.0}, "nearer still|nearer"),
        ({"growth": 700.0, "noise": 0.005}, "all is about equally sharp"),
        ({"growth": 0.0}, "does not grow"),
    ],
)
def test_inconclusive_with_the_reason(change, words):
    fit = fit_focus(planted(**change))
    assert any(part in fit.reason for part in words.split("|")), fit.reason


def test_moving_views_are_told_by_their_two_directions():
    edges = planted()
    assert len(moved_views(edges)) == 0
    sharpest = int(min(range(14), key=lambda view: np.median(edges.blur_px[edges.view == view])))
    hit = (edges.view == sharpest) & edges.along_x
    blurred = np.where(hit, np.sqrt(edges.blur_px**2 + 2.0**2 / 12), edges.blur_px)
    assert moved_views(replace(edges, blur_px=blurred)).tolist() == [sharpest]


def test_view_blurred_both_ways_stands_out():
    edges = planted(seed=3)
    blurred = np.where(edges.view == 7, np.sqrt(edges.blur_px**2 + 2.0**2 / 12), edges.blur_px)
    fit = fit_focus(replace(edges, blur_px=blurred))
    assert fit.n_moved == 1
    assert fit.plane_mm == pytest.approx(195.0, abs=1.0)  # as without it


def posed_blurs(camera, number, poses, *, plane_mm):
    """Edges of both cameras with the blur that a plane of focus gives in each camera's own depth."""
    rig = reference_rig()
    out, views = [], []
    for view, pose in enumerate(poses):
        corners = BOARD.corners_mm
        middles = 0.5 * (corners[:-1] + corners[1:])
        seen = pose.apply(middles)
        seen = seen if number == 0 else rig.camera2_from_camera1.apply(seen)
        disc = 2600.0 * np.abs(1 / seen[:, 2] - 1 / plane_mm)
        blur = np.hypot(0.6, DISC_TO_BLUR * disc)
        n = len(middles)
        ref = FrameRef(camera=camera.name, frame_idx=view, origin=camera.name)
        out.append(
            EdgeBlurs(
                ref=ref,
                board_mm=middles,
                midpoints_px=opencv_project(camera, seen),
                directions_rad=np.full(n, 0.1),
                along_x=np.arange(n) % 2 == 0,
                blur_px=blur,
                sigma_px=np.full(n, 0.01),
                mtf50_cy_px=np.full(n, np.nan),
                black=np.full(n, 15.0),
                white=np.full(n, 180.0),
                linear=True,
            )
        )
        views.append(
            Observation(
                ref=ref,
                corner_ids=np.arange(len(corners)),
                corners_px=np.clip(
                    opencv_project(camera, corners + np.array([0.0, 0.0, 200.0])), 0, max(SIZE)
                ),
                sigma_px=np.full(len(corners), 0.05),
            )
        )
    return out, views


def test_each_camera_of_a_pair_has_its_own_depths():
    """Planes 190 and 205 mm from each lens: found along each camera's own axis; the face is 195 mm from the pair."""
    rig, poses = reference_rig(), held_poses(8, 12)
    blurs1, seen1 = posed_blurs(rig.camera1, 0, poses, plane_mm=190.0)
    blurs2, seen2 = posed_blurs(rig.camera2, 1, poses, plane_mm=205.0)
    run = true_run(list(zip(zip(seen1, seen2, strict=True), poses, strict=True)), cameras=2)
    described = RigDescription(
        name="kestrel",
        cameras=(CameraDescription(name="upper"), CameraDescription(name="lower")),
        working_distance_mm=195.0,
    )
    found = focus_measurements(run, [*blurs1, *blurs2], described)
    assert found["upper.focus_depth_mm"].value == pytest.approx(
        190.0, abs=0.1
    )  # no noise; a print without softness
    assert found["lower.focus_depth_mm"].value == pytest.approx(205.0, abs=0.1)
    # Toed in by 10.5 degrees, 36 mm off the middle: 36 sin + 195 cos (elementary).
    half = np.radians(10.5)
    assert found["upper.face_depth_mm"].value == pytest.approx(
        36 * np.sin(half) + 195 * np.cos(half), abs=0.3
    )  # the reference rig is mounted a little askew
    assert found["upper.focus_from_face_mm"].value == pytest.approx(
        190.0 - found["upper.face_depth_mm"].value, abs=0.1
    )
    assert "does not give focal_length_mm" in found["upper.lens_usable_near_mm"].reason
    # Edges without a slanted response: a Gaussian of the fitted blur stands in.
    assert found["upper.mtf50_cy_px"].value == pytest.approx(GAUSSIAN_MTF50 / 0.62, rel=0.05)


def test_without_a_rig_file_the_face_is_not_guessed():
    rig, poses = reference_rig(), held_poses(8, 12)
    blurs, seen = posed_blurs(rig.camera1, 0, poses, plane_mm=190.0)
    run = true_run([((side,), pose) for side, pose in zip(seen, poses, strict=True)])
    found = focus_measurements(run, blurs)
    assert found["upper.focus_depth_mm"].value == pytest.approx(190.0, abs=0.1)
    assert found["upper.focus_from_face_mm"].reason == "the rig file gives no working distance"
    nothing = focus_measurements(run, [])
    assert all(each.value is None or name.endswith("moving_views") for name, each in nothing.items())


def test_soft_corner_is_found_in_its_place():
    rig, poses = reference_rig(), held_poses(9, 24, near_mm=180.0, far_mm=215.0)
    shift = [RigidTransform(rotation=p.rotation, translation_mm=p.translation_mm) for p in poses]
    blurs, seen = posed_blurs(rig.camera1, 0, shift, plane_mm=195.0)
    soft = []
    for each in blurs:
        corner = (each.midpoints_px[:, 0] > 720) & (each.midpoints_px[:, 1] < 480)
        soft.append(replace(each, blur_px=np.where(corner, 2.0 * each.blur_px, each.blur_px)))
    run = true_run([((side,), pose) for side, pose in zip(seen, poses, strict=True)])
    even, uneven = focus_measurements(run, blurs), focus_measurements(run, soft)
    assert even["upper.mtf50_evenness"].value > 0.9
    assert uneven["upper.mtf50_evenness"].value == pytest.approx(0.5, abs=0.06)  # twice the blur
    parts = {place: uneven[f"upper.mtf50_{place}_cy_px"].value for place in FIELD_PLACES}
    assert min((value, place) for place, value in parts.items() if value is not None)[1] == "upper_right"
