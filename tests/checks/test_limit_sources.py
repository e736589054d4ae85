"""The numbers that a limit's source quotes are computed again here."""

import numpy as np
import pytest
from verifying import TRUE_RIG, Changed

from rigcheck.checks import Limits, effective_limits
from rigcheck.geometry.rig_change import face_shift
from rigcheck.opencv import cv2

FOCAL_PX, NOISE_PX, VIEWS = 1300.0, 0.1, 9
COLUMNS, ROWS, PITCH_MM = 10, 7, 10.0


def board_mm():
    x, y = np.meshgrid(PITCH_MM * np.arange(COLUMNS), PITCH_MM * np.arange(ROWS))
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    return points - points.mean(0)


def one_design(tilt_deg, rng):
    """Sigma of the focal length, px, and the spread of tilts, degrees, of views that all have one tilt.

    Every view's tilt points in a random direction; covariance noise² (JᵀJ)⁻¹ with OpenCV's own derivatives.
    """
    camera = np.array([[FOCAL_PX, 0, 719.5], [0, FOCAL_PX, 539.5], [0, 0, 1.0]])
    intrinsics = 9
    information = np.zeros((intrinsics + 6 * VIEWS,) * 2)
    slopes = []
    for view in range(VIEWS):
        direction = rng.uniform(0, 2 * np.pi)
        tilt = cv2.Rodrigues(np.deg2rad(tilt_deg) * np.array([np.cos(direction), np.sin(direction), 0.0]))[0]
        rotation = tilt @ cv2.Rodrigues(np.array([0.0, 0.0, rng.uniform(-0.3, 0.3)]))[0]
        depth_mm = rng.uniform(150, 250)
        shift = np.array(
            [0.14 * rng.uniform(-1, 1) * depth_mm, 0.1 * rng.uniform(-1, 1) * depth_mm, depth_mm]
        )
        by_all = cv2.projectPoints(board_mm(), cv2.Rodrigues(rotation)[0], shift, camera, np.zeros(5))[1]
        rows = np.zeros((len(by_all), len(information)))
        rows[:, :intrinsics] = by_all[:, 6 : 6 + intrinsics]
        rows[:, intrinsics + 6 * view : intrinsics + 6 * view + 6] = by_all[:, :6]
        information += rows.T @ rows
        slopes.append(np.rad2deg(np.arctan2(rotation[:2, 2], rotation[2, 2])))
    sigma_px = NOISE_PX * np.sqrt(np.linalg.inv(information)[0, 0])
    return sigma_px, np.sqrt(max(np.linalg.eigvalsh(np.cov(np.transpose(slopes)))[0], 0.0))


def typical(tilt_deg):
    designs = [one_design(tilt_deg, np.random.default_rng([3, k])) for k in range(30)]
    return np.median(designs, axis=0)


@pytest.mark.parametrize(("tilt_deg", "sigma_px"), [(5, 8), (10, 2), (20, 0.8), (30, 0.5)])
def test_focal_length_by_tilt(tilt_deg, sigma_px):
    """As `tilt.spread_deg` quotes them; 20 %: one quoted digit and the median of 30 designs."""
    assert typical(tilt_deg)[0] == pytest.approx(sigma_px, rel=0.2)


def test_tilt_limits_part_weak_designs_from_strong():
    """Tilts of 20° and more pass, of 10° are cautioned, of 3° fail: sigmas of 0.06, 0.17 and 1.5 % of f."""
    band = Limits(effective_limits()).band("tilt.spread_deg")
    assert typical(20)[1] > band.caution > typical(10)[1] > band.fail > typical(3)[1]


def test_mapping_limit_is_the_harm_limit_in_pixels():
    """Depth error of a shift d in one picture: Z²·d/(f·B) (elementary; Z 200 mm, B 80 mm)."""
    limits = Limits(effective_limits())
    harm_mm = 200.0**2 * limits["mapping.sigma_px.caution"].value / (FOCAL_PX * 80.0)
    assert harm_mm == pytest.approx(limits["harm.depth_mm.caution"].value, rel=0.05)  # 0.25 for 0.26 px


def test_print_limit_is_the_harm_limit_at_the_face():
    """A scale error scales every length (elementary): 0.05 % of 200 mm."""
    limits = Limits(effective_limits())
    harm_mm = 200.0 * limits["print.scale_sigma.caution"].value
    assert harm_mm == pytest.approx(
        limits["harm.depth_mm.caution"].value, rel=1e-9
    )  # the same decimal number


def test_focus_limits_of_verify_are_the_harm_limits():
    """Image distance f u / (u - f) of a 6 mm lens from 250 to 150 mm; 0.05 % of focal length is 0.063 mm in depth.

    The first is the thin lens (any optics textbook; handbook 3: 1.67 %), the second what `face_shift` gives for the
    reference rig with one camera's focal length changed.
    """
    limits = Limits(effective_limits())
    near, far = (6.0 * u / (u - 6.0) for u in (150.0, 250.0))
    assert near / far - 1 == pytest.approx(0.0167, abs=0.0001)  # digits quoted
    changed = Changed(focal=0.0005)
    per_share = face_shift(changed.rig, TRUE_RIG, working_distance_mm=195.0).depth_mm / 0.0005
    assert per_share * 0.0005 == pytest.approx(0.06, abs=0.005)  # one digit quoted
    for level, harm in (("caution", 0.10), ("fail", 0.25)):
        moved = limits[f"verify.focus_moved_mm.{level}"].value
        assert moved / 100.0 * (near / far - 1) * per_share == pytest.approx(harm, rel=0.08)  # round limits
