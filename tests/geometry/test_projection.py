import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic import opencv_project

from rigcheck.geometry.projection import intrinsics_vector, project, project_with_derivatives, unproject
from rigcheck.model import CameraModel

LENSES = [
    ("brown", 0),
    ("brown", 2),
    ("brown", 4),
    ("brown", 5),
    ("brown", 8),
    ("fisheye", 0),
    ("fisheye", 4),
]


def camera(model, n, rng):
    return CameraModel(
        name="one",
        image_size_px=(1000, 800),
        model=model,
        focal_px=(900.0, 911.0),
        principal_point_px=(503.0, 391.0),
        distortion=tuple(rng.normal(0, 0.03, n)),
    )


def points(rng, n=60):
    found = rng.normal(0, 35, (n, 3))
    found[:, 2] = rng.uniform(100, 250, n)
    return found


@pytest.mark.parametrize(("model", "n"), LENSES)
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_projection_agrees_with_opencv(model, n, seed):
    rng = np.random.default_rng([2, seed])
    one, seen = camera(model, n, rng), points(rng)
    expected = opencv_project(one, seen)
    assert (
        np.abs(project(seen, intrinsics_vector(one), model) - expected).max() < 1e-9
    )  # px, double precision


@pytest.mark.parametrize(("model", "n"), [("brown", 8), ("fisheye", 4)])
def test_derivatives_agree_with_differences(model, n, rng):
    generator = rng(3, n)
    intrinsics = intrinsics_vector(camera(model, n, generator))
    intrinsics[4] = 0.4  # skew
    seen = points(generator)
    found = project_with_derivatives(seen, intrinsics, model)
    for k in range(3):
        step = np.zeros(3)
        step[k] = 1e-4
        difference = (
            project(seen + step, intrinsics, model) - project(seen - step, intrinsics, model)
        ) / 2e-4
        assert (
            np.abs(difference - found.by_point[:, :, k]).max() < 1e-6
        )  # px/mm; truncation of the difference
    for k in range(len(intrinsics)):
        size = 1e-5 * max(abs(intrinsics[k]), 0.1)
        step = np.zeros(len(intrinsics))
        step[k] = size
        difference = (project(seen, intrinsics + step, model) - project(seen, intrinsics - step, model)) / (
            2 * size
        )
        assert np.abs(difference - found.by_intrinsics[:, :, k]).max() < 1e-5  # rounding over a step of 1e-6


def test_derivatives_by_distortion_agree_with_opencv(rng):
    one = camera("brown", 8, rng(4, 0))
    seen = points(rng(4, 1))
    jacobian = cv2.projectPoints(seen, np.zeros(3), np.zeros(3), one.K, np.array(one.distortion))[1]
    found = project_with_derivatives(seen, intrinsics_vector(one), "brown").by_intrinsics
    assert np.abs(jacobian[:, 10:18].reshape(-1, 2, 8) - found[:, :, 5:]).max() < 1e-8
    assert np.abs(jacobian[:, 6:10].reshape(-1, 2, 4) - found[:, :, :4]).max() < 1e-12


@pytest.mark.parametrize(
    "distortion", [(-0.12, 0.09, 4e-4, -3e-4), (-0.35, 0.13, 1e-3, 2e-3, -0.02), (0.05,) * 2]
)
def test_unproject_undoes_brown(distortion, rng):
    one = CameraModel(
        name="one",
        image_size_px=(1000, 800),
        model="brown",
        focal_px=(900.0, 900.0),
        principal_point_px=(499.5, 399.5),
        distortion=distortion,
    )
    seen = points(rng(5, 0))
    rays = unproject(opencv_project(one, seen), intrinsics_vector(one), "brown")
    assert np.abs(rays - seen[:, :2] / seen[:, 2:]).max() < 1e-10  # Newton to 1e-12, conditioning near 10


def test_unproject_undoes_a_wide_fisheye():
    one = CameraModel(
        name="one",
        image_size_px=(1600, 1600),
        model="fisheye",
        focal_px=(500.0, 500.0),
        principal_point_px=(799.5, 799.5),
        distortion=(0.02, -0.004, 0.001, -0.0002),
    )
    angle = np.radians(np.linspace(0, 75, 40))
    seen = np.column_stack([np.sin(angle), 0.2 * np.sin(angle), np.cos(angle)]) * 100
    rays = unproject(opencv_project(one, seen), intrinsics_vector(one), "fisheye")
    assert np.abs(rays - seen[:, :2] / seen[:, 2:]).max() < 1e-9


def test_beyond_the_fold_there_is_no_ray():
    # r (1 - 0.5 r^2) turns back at r = sqrt(2/3), where it reaches 0.544: 0.6 is seen by no ray.
    one = CameraModel(
        name="one",
        image_size_px=(1000, 1000),
        model="brown",
        focal_px=(500.0, 500.0),
        principal_point_px=(499.5, 499.5),
        distortion=(-0.5, 0.0),
    )
    rays = unproject(np.array([[499.5 + 300.0, 499.5], [520.0, 499.5]]), intrinsics_vector(one), "brown")
    assert np.isnan(rays[0]).all()
    assert np.isfinite(rays[1]).all()
