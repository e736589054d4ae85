import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from synthetic import reference_rig

from rigcheck.geometry.rotation import (
    angles_apart,
    exp_rotation,
    log_rotation,
    nearest_rotation,
    pair_axes,
    skew,
)

vectors = st.lists(st.floats(-1.8, 1.8), min_size=3, max_size=3).map(np.array)


@given(vectors)
def test_exp_agrees_with_scipy_and_opencv(vector):
    # Independent oracles; 1e-12: both work in double precision.
    assert np.abs(exp_rotation(vector) - Rotation.from_rotvec(vector).as_matrix()).max() < 1e-12
    assert np.abs(exp_rotation(vector) - cv2.Rodrigues(vector)[0]).max() < 1e-12


@given(vectors)
def test_log_undoes_exp(vector):
    assert np.abs(exp_rotation(log_rotation(exp_rotation(vector))) - exp_rotation(vector)).max() < 1e-9


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-5, 1e-4, np.pi - 1e-7, np.pi])
def test_log_at_the_ends(angle):
    axis = np.array([0.6, -0.48, 0.64])
    found = log_rotation(exp_rotation(angle * axis))
    assert np.linalg.norm(found) == pytest.approx(angle, abs=1e-7)
    assert np.abs(exp_rotation(found) - exp_rotation(angle * axis)).max() < 1e-7


@given(vectors, vectors)
def test_skew_is_the_cross_product(a, b):
    assert np.allclose(skew(a) @ b, np.cross(a, b), atol=1e-12)


def test_nearest_rotation_of_a_noisy_rotation(rng):
    rotation = exp_rotation([0.3, -0.2, 0.9])
    noisy = rotation + rng(1, 0).normal(0, 1e-3, (3, 3))
    found = nearest_rotation(noisy)
    assert np.abs(found @ found.T - np.eye(3)).max() < 1e-12
    assert np.linalg.norm(found - noisy) <= np.linalg.norm(rotation - noisy)


def test_named_axes_of_a_toed_in_pair():
    rig = reference_rig(convergence_deg=21.0)
    pose = rig.camera2_from_camera1
    axes = pair_axes(pose.rotation, pose.translation_mm)
    assert np.abs(axes.matrix @ axes.matrix.T - np.eye(3)).max() < 1e-12
    turned = -np.degrees(axes.matrix @ log_rotation(pose.rotation))
    assert turned[0] == pytest.approx(21.0, abs=0.01)  # toe-in is positive; built with 21 degrees of it
    # A further turn of the camera about the convergence axis adds to it, and to nothing else.
    more = exp_rotation(-np.radians(0.5) * axes.convergence) @ pose.rotation
    again = -np.degrees(axes.matrix @ log_rotation(more))
    assert again[0] - turned[0] == pytest.approx(0.5, abs=0.01)
    assert np.abs(again[1:] - turned[1:]).max() < 0.1


def test_axes_refuse_what_has_no_meaning():
    with pytest.raises(ValueError, match="share one projection centre"):
        pair_axes(np.eye(3), np.zeros(3))
    with pytest.raises(ValueError, match="along the viewing direction"):
        pair_axes(np.eye(3), np.array([0.0, 0.0, 50.0]))


def test_angles_apart_are_scipys():
    turns = Rotation.random(12, random_state=5)
    near = Rotation.from_rotvec(1e-6 * np.eye(3)) * turns[0]
    every = Rotation.concatenate([turns, near])
    expected = [[(one * other.inv()).magnitude() for other in every] for one in every]
    np.testing.assert_allclose(angles_apart(every.as_matrix()), expected, rtol=1e-6, atol=1e-9)
