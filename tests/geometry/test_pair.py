import numpy as np
import pytest
from synthetic import opencv_project, reference_rig

from rigcheck.geometry.face_volume import FACE_BOX_MM, depth_derivatives, face_grid
from rigcheck.geometry.pair import essential_matrix, sampson_distance_px, triangulate
from rigcheck.geometry.planar import focal_from_homographies, homography, pose_from_homography
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.geometry.rotation import exp_rotation, pair_axes
from rigcheck.model import CameraModel, RigidTransform, StereoRig


def plain(rig):
    pose = rig.camera2_from_camera1
    return {
        "intrinsics": (intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
        "models": (rig.camera1.model, rig.camera2.model),
        "rotation": pose.rotation,
        "translation": pose.translation_mm,
    }


def seen_by(rig, points):
    return opencv_project(rig.camera1, points), opencv_project(
        rig.camera2, rig.camera2_from_camera1.apply(points)
    )


def face_points(rig, distance=195.0):
    pose = rig.camera2_from_camera1
    return face_grid(pose.rotation, pose.translation_mm, working_distance_mm=distance)


def test_triangulation_finds_the_points_that_opencv_projected():
    rig = reference_rig()
    points = face_points(rig).points_mm
    found = triangulate(*seen_by(rig, points), **plain(rig))
    assert np.abs(found - points).max() < 1e-7  # mm; rounding of 1e-10 px over the depth sensitivity


def test_behind_and_parallel_rays_give_nan():
    rig = reference_rig(convergence_deg=0.0)
    lines = plain(rig) | {"rotation": np.eye(3)}
    lines["intrinsics"] = (lines["intrinsics"][0],) * 2
    pixels = np.array([[536.2, 724.9]])
    assert np.isnan(triangulate(pixels, pixels, **lines)).all()


def test_sampson_is_zero_for_true_matches_and_sigma_for_noise(rng):
    # Hartley & Zisserman 2003, eq. 11.9: first-order geometric distance; RMS = sigma per axis for noise in
    # both.
    rig = reference_rig()
    points = np.repeat(face_points(rig).points_mm, 20, axis=0)
    first, second = seen_by(rig, points)
    assert np.abs(sampson_distance_px(first, second, **plain(rig))).max() < 1e-9
    noise = rng(7, 0)
    noisy = sampson_distance_px(
        first + noise.normal(0, 0.1, first.shape), second + noise.normal(0, 0.1, second.shape), **plain(rig)
    )
    rms = float(np.sqrt((noisy**2).mean()))
    assert rms == pytest.approx(0.1, rel=0.1)  # undistorted pixels are stretched by up to 5 % here


def test_essential_matrix_constraint(rng):
    rig = reference_rig()
    pose = rig.camera2_from_camera1
    e = essential_matrix(pose.rotation, pose.translation_mm)
    x1 = rng(8, 0).normal(0, 1, (20, 3))
    x2 = x1 @ pose.rotation.T + pose.translation_mm
    assert np.abs((x2 * (x1 @ e.T)).sum(1)).max() < 1e-9


@pytest.mark.parametrize(
    ("baseline", "turned", "depth_mm"),
    [
        (60, "convergence", 0.119),
        (80, "convergence", 0.091),
        (100, "convergence", 0.074),
        (120, "convergence", 0.063),
    ],
)
def test_depth_error_of_a_turn_follows_the_closed_form(baseline, turned, depth_mm):
    """Handbook 2.8: 0.01 deg of convergence, Z 200 mm: dZ = (Z^2 + B^2/4) e / B mid-plane; and its table."""
    rig = toed_in(baseline)
    pose = rig.camera2_from_camera1
    point = np.array([[baseline / 2, 0.0, 200.0]]) @ half_turn(baseline)
    axis = getattr(pair_axes(pose.rotation, pose.translation_mm), turned)
    moved = StereoRig(
        camera1=rig.camera1,
        camera2=rig.camera2,
        camera2_from_camera1=RigidTransform(
            rotation=exp_rotation(np.radians(0.01) * axis) @ pose.rotation,
            translation_mm=exp_rotation(np.radians(0.01) * axis) @ pose.translation_mm,
        ),
    )
    found = triangulate(*seen_by(rig, point), **plain(moved))
    shift = abs(float(((found - point) @ half_turn(baseline).T)[0, 2]))
    assert shift == pytest.approx((200**2 + baseline**2 / 4) * np.radians(0.01) / baseline, rel=0.01)
    assert shift == pytest.approx(depth_mm, abs=0.001)  # printed to three digits


def half_turn(baseline):
    """World to camera 1 of :func:`toed_in`, as a matrix for row vectors."""
    return exp_rotation([0.0, -np.arctan2(baseline / 2, 200.0), 0.0]).T


def toed_in(baseline):
    """The handbook's reference rig: f 1300 px, pinhole, side by side, meeting at 200 mm."""
    camera = CameraModel(
        name="a",
        image_size_px=(1440, 1080),
        model="brown",
        focal_px=(1300.0, 1300.0),
        principal_point_px=(719.5, 539.5),
    )
    half = np.arctan2(baseline / 2, 200.0)
    first, second = exp_rotation([0, -half, 0]), exp_rotation([0, half, 0])
    return StereoRig(
        camera1=camera,
        camera2=camera,
        camera2_from_camera1=RigidTransform(
            rotation=second @ first.T, translation_mm=second @ np.array([-baseline, 0.0, 0.0])
        ),
    )


@pytest.mark.parametrize(("baseline", "depth_mm"), [(60, 0.333), (80, 0.250), (100, 0.200), (120, 0.167)])
def test_baseline_error_is_invisible_to_epipolar_lines_and_scales_depth(baseline, depth_mm):
    """Handbook 2.8 table, baseline 0.1 mm too long; 2.9: epipolar 0.0000 px."""
    rig = toed_in(baseline)
    pose = rig.camera2_from_camera1
    longer = pose.translation_mm * (1 + 0.1 / baseline)
    moved = StereoRig(
        camera1=rig.camera1,
        camera2=rig.camera2,
        camera2_from_camera1=RigidTransform(rotation=pose.rotation, translation_mm=longer),
    )
    point = np.array([[baseline / 2, 0.0, 200.0]]) @ half_turn(baseline)
    pixels = seen_by(rig, point)
    assert np.abs(sampson_distance_px(*pixels, **plain(moved))).max() < 1e-9
    found = triangulate(*pixels, **plain(moved))
    in_world = (found - point) @ half_turn(baseline).T
    assert in_world[0, 2] == pytest.approx(depth_mm, abs=0.0006)  # printed to three digits


def test_implicit_derivatives_agree_with_triangulating_again():
    rig = reference_rig()
    grid = face_points(rig)
    lines = plain(rig)
    derivative = depth_derivatives(grid.points_mm, **lines)
    pixels = seen_by(rig, grid.points_mm)
    n1, n2 = (len(v) for v in lines["intrinsics"])
    for column, size in (
        (0, 1e-2),
        (n1 + 2, 1e-2),
        (n1 + 5, 1e-5),
        (n1 + n2, 1e-6),
        (n1 + n2 + 2, 1e-6),
        (n1 + n2 + 4, 1e-3),
    ):
        changed = {**lines, "intrinsics": tuple(v.copy() for v in lines["intrinsics"])}
        if column < n1:
            changed["intrinsics"][0][column] += size
        elif column < n1 + n2:
            changed["intrinsics"][1][column - n1] += size
        elif column < n1 + n2 + 3:
            step = np.zeros(3)
            step[column - n1 - n2] = size
            changed["rotation"] = exp_rotation(step) @ lines["rotation"]
        else:
            changed["translation"] = lines["translation"].copy()
            changed["translation"][column - n1 - n2 - 3] += size
        difference = (triangulate(*pixels, **changed) - grid.points_mm) / size
        scale = np.abs(difference).max()
        assert np.abs(difference - derivative[:, :, column]).max() < 2e-3 * scale  # one-sided difference


def test_harm_of_named_changes_matches_the_handbook():
    """Handbook 11, reference rig: convergence 0.05 deg 0.49 mm, twist 0.05 deg 0.09, baseline 0.1 mm
    0.27 (RMS depth)."""
    rig = reference_rig()
    pose = rig.camera2_from_camera1
    grid = face_points(rig)
    depth = np.einsum("i,nij->nj", grid.axes[2], depth_derivatives(grid.points_mm, **plain(rig)))
    axes = pair_axes(pose.rotation, pose.translation_mm)
    turn, shift = depth[:, 26:29], depth[:, 29:32]
    along = pose.translation_mm / rig.baseline_mm

    def rms(change):
        return float(np.sqrt((change**2).mean()))

    assert rms(turn @ axes.convergence * np.radians(0.05)) == pytest.approx(0.49, abs=0.02)
    assert rms(turn @ axes.twist * np.radians(0.05)) == pytest.approx(0.09, abs=0.005)
    assert rms(shift @ along * 0.1) == pytest.approx(0.27, abs=0.01)
    # Across is loud on epipolar lines and nearly harmless on the face.
    assert rms(turn @ axes.across * np.radians(0.05)) < 0.05 * rms(turn @ axes.convergence * np.radians(0.05))


def test_face_grid_is_the_box_on_the_view():
    rig = reference_rig()
    grid = face_points(rig, 200.0)
    assert np.abs(grid.axes @ grid.axes.T - np.eye(3)).max() < 1e-12
    assert np.ptp(grid.offsets_mm, axis=0) == pytest.approx(np.array(FACE_BOX_MM) * [5 / 6, 6 / 7, 3 / 4])
    turned = face_grid(None, None, working_distance_mm=200.0, upright_deg=90)
    assert np.ptp(turned.points_mm[:, 1]) == pytest.approx(
        130 * 5 / 6
    )  # the face's width along the picture's height


def test_closed_forms_of_a_plane(rng):
    focal, centre = 1400.0, np.array([539.5, 719.5])
    plane = np.stack(np.meshgrid(np.arange(8) * 9.0, np.arange(11) * 9.0), -1).reshape(-1, 2)
    homographies = []
    for vector in ([0.5, 0.1, 0.0], [-0.3, 0.5, 0.1], [0.1, -0.6, -0.2]):
        rotation, translation = exp_rotation(vector), np.array([-30.0, -40.0, 190.0])
        rays = np.column_stack([plane, np.zeros(len(plane))]) @ rotation.T + translation
        rays = rays[:, :2] / rays[:, 2:]
        h = homography(plane, rays)
        found = pose_from_homography(h)
        assert np.abs(found[0] - rotation).max() < 1e-9
        assert np.abs(found[1] - translation).max() < 1e-6
        homographies.append(homography(plane, rays * focal + centre))
    assert focal_from_homographies(np.stack(homographies), centre) == pytest.approx(focal, rel=1e-8)


def test_flat_on_views_give_no_focal_length():
    """Zhang 2000: planes parallel to the picture constrain nothing."""
    plane = np.stack(np.meshgrid(np.arange(5.0), np.arange(6.0)), -1).reshape(-1, 2)
    flat = np.stack([homography(plane, plane * scale + 300.0) for scale in (30.0, 40.0, 55.0)])
    found = focal_from_homographies(flat, np.array([319.5, 239.5]))
    assert found is None or found > 1e5
