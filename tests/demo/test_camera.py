"""The demo's own projection against OpenCV's, and its inverse against itself."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rigcheck.demo import project_points, rays_of_pixels
from rigcheck.demo.camera import ray_grid
from rigcheck.model import CameraModel
from rigcheck.opencv import cv2

ORACLE_PX = 1e-9  # float64 rounding at pictures of some thousand pixels is 1e-12; the formulas agree exactly


def camera(model, distortion, size_px=(1080, 1440)):
    return CameraModel(
        name="upper",
        image_size_px=size_px,
        model=model,
        focal_px=(1418.0, 1421.5),
        principal_point_px=(545.2, 711.9),
        distortion=tuple(distortion),
    )


def points_in_view(seed, n=200, reach=0.55):
    rng = np.random.default_rng([401, seed])
    depth = rng.uniform(120, 300, n)
    return np.column_stack([rng.uniform(-reach, reach, (n, 2)) * depth[:, None], depth])


def opencv_brown(model, points_mm):
    zero = np.zeros(3)
    distortion = np.array([*model.distortion, 0.0, 0.0][: max(4, len(model.distortion))])
    pixels, _ = cv2.projectPoints(points_mm, zero, zero, model.K, distortion)
    return pixels.reshape(-1, 2)


def opencv_fisheye(model, points_mm):
    zero = np.zeros(3)
    shaped = points_mm.reshape(-1, 1, 3)
    pixels, _ = cv2.fisheye.projectPoints(shaped, zero, zero, model.K, np.array(model.distortion))
    return pixels.reshape(-1, 2)


# The oracle is OpenCV, a general-purpose library whose lens models are those of its calib3d documentation.
@settings(max_examples=40, deadline=None)
@given(
    length=st.sampled_from([2, 4, 5, 8]),
    values=st.lists(st.floats(-0.25, 0.25), min_size=8, max_size=8),
    seed=st.integers(0, 1000),
)
def test_brown_projection_is_opencvs(length, values, seed):
    values[2:4] = [v * 0.02 for v in values[2:4]]
    model = camera("brown", values[:length])
    points = points_in_view(seed)
    assert np.abs(project_points(model, points) - opencv_brown(model, points)).max() < ORACLE_PX


@settings(max_examples=40, deadline=None)
@given(values=st.lists(st.floats(-0.1, 0.1), min_size=4, max_size=4), seed=st.integers(0, 1000))
def test_fisheye_projection_is_opencvs(values, seed):
    model = camera("fisheye", values)
    points = points_in_view(seed, reach=2.5)
    assert np.abs(project_points(model, points) - opencv_fisheye(model, points)).max() < ORACLE_PX


def test_the_oracle_sees_two_coefficients_swapped():
    right = camera("brown", (-0.12, 0.06, 3e-4, -2e-4, 0.0))
    swapped = camera("brown", (-0.12, 0.06, -2e-4, 3e-4, 0.0))
    points = points_in_view(1)
    assert np.abs(project_points(swapped, points) - opencv_brown(right, points)).max() > 0.1


def test_a_point_on_the_fisheyes_axis_lands_on_the_principal_point():
    model = camera("fisheye", (0.01, -0.02, 0.003, 0.0))
    assert project_points(model, np.array([0.0, 0.0, 200.0])) == pytest.approx(model.principal_point_px)


def test_points_not_in_front_have_no_picture():
    model = camera("brown", ())
    assert np.isnan(project_points(model, np.array([[1.0, 2.0, -100.0], [0.0, 0.0, 0.0]]))).all()


@pytest.mark.parametrize(
    ("model", "distortion"),
    [
        ("brown", ()),
        ("brown", (-0.12, 0.06, 3e-4, -3e-4, -0.004)),
        ("brown", (-0.35, 0.15, 8e-4, 5e-4, -0.03)),
        ("brown", (0.4, -0.2, 1e-3, -1e-3, 0.05, 0.6, -0.1, 0.02)),
        ("fisheye", (0.05, -0.01, 0.002, -0.0005)),
    ],
)
def test_a_pixels_ray_projects_back_onto_it(model, distortion):
    lens = camera(model, distortion)
    x, y = np.meshgrid(np.linspace(-8, 1087, 41), np.linspace(-8, 1447, 53))
    pixels = np.stack([x, y], axis=-1)
    rays = rays_of_pixels(lens, pixels)
    assert np.isfinite(rays).all()
    # Newton stops at 1e-10 of the picture plane: 1.5e-7 px at this focal length, far below a pixel's meaning.
    assert np.abs(project_points(lens, rays) - pixels).max() < 1e-6


def test_pixels_beyond_the_fold_of_a_lens_have_no_ray():
    # With k1 = -0.5 the bent radius grows only up to a radius of 1 / sqrt(1.5), where it is 0.544.
    folding = camera("brown", (-0.5, 0.0), size_px=(2400, 2400))
    centre = np.array(folding.principal_point_px)
    inside, outside = (centre + np.array([share * 1418, 0.0]) for share in (0.53, 0.56))
    assert np.isfinite(rays_of_pixels(folding, inside)).all()
    assert np.isnan(rays_of_pixels(folding, outside)).all()


@pytest.mark.parametrize("step_px", [1, 3, 4])
def test_grid_nodes_stand_where_they_say(step_px):
    model = camera("brown", (-0.12, 0.06), size_px=(108, 144))
    grid = ray_grid(model, step_px)
    row, column = 4, 7
    place = grid.first_px + step_px * np.array([column, row])
    assert np.abs(project_points(model, grid.rays[row, column]) - place).max() < 1e-6  # as above


def test_the_far_branch_of_a_folding_lens_is_not_used():
    # r (1 - 0.7 r^2 + 0.2 r^4) grows to 0.508 at r = 0.854, falls, and grows again beyond r = 1.17.
    folding = camera("brown", (-0.7, 0.2), size_px=(2400, 2400))
    shares = np.stack(np.meshgrid(np.linspace(-1.5, 1.5, 61), np.linspace(-1.5, 1.5, 61)), axis=-1)
    radius = np.hypot(shares[..., 0], shares[..., 1])
    rays = rays_of_pixels(folding, np.array(folding.principal_point_px) + shares * folding.focal_px)
    assert np.isfinite(rays[radius < 0.50]).all()
    assert np.isnan(rays[radius > 0.52]).all()


def test_a_lens_that_bends_outwards_has_rays_up_to_its_fold():
    # r (1 + 0.4 r^2 - 0.1 r^6) grows to 1.55 at r = 1.29; Newton's method from the pixel itself misses some.
    outward = camera("brown", (0.4, 0.0, 0.0, 0.0, -0.1), size_px=(5000, 5000))
    shares = np.column_stack([np.linspace(0.0, 1.50, 151), np.zeros(151)])
    pixels = np.array(outward.principal_point_px) + shares * outward.focal_px
    assert np.abs(project_points(outward, rays_of_pixels(outward, pixels)) - pixels).max() < 1e-6  # as above
