"""The bias ratio: sees what RMS lets pass, reproduces the published table, and leaves flat boards alone."""

from functools import cache

import cv2
import numpy as np
import pytest
from synthetic import Noise, observe, opencv_project, rodrigues

from rigcheck.calibration import LENSES, CameraSetup, solve
from rigcheck.calibration.blind import blind_measurements
from rigcheck.calibration.blind_noise import noise_measurements
from rigcheck.calibration.evidence import camera_rms_px
from rigcheck.model import BoardSpec, CameraModel, RigidTransform

NOISE_PX = 0.05
CAMERA = CameraModel(
    name="one",
    image_size_px=(1440, 1080),
    model="brown",
    focal_px=(1300.0, 1300.0),
    principal_point_px=(719.5, 539.5),
    distortion=(-0.1, 0.05),
)
SETUP = CameraSetup(name="one", image_size_px=CAMERA.image_size_px)
# The handbook's design, section 2.1: 10 x 7 corners of 10 mm, 150-250 mm away; tilts up to 45 degrees.
BOARD = BoardSpec(name="table", kind="checkerboard", squares=(11, 8), square_mm=10.0)


def views_of(bow_mm, rng, *, n=22, camera=CAMERA, noise=None):
    """Views of a board bent to a cylinder: z = bow (x / 45 mm)^2, x from the board's middle."""
    middle = BOARD.corners_mm.mean(0)
    points = BOARD.corners_mm - middle
    points[:, 2] += bow_mm * (points[:, 0] / 45.0) ** 2
    out = []
    while len(out) < n:
        direction, tilt = rng.uniform(0, 2 * np.pi), np.radians(rng.uniform(0, 45))
        rotation = rodrigues([tilt * np.cos(direction), tilt * np.sin(direction), 0]) @ rodrigues(
            [0, 0, rng.uniform(-0.3, 0.3)]
        )
        z = rng.uniform(150, 250)
        shift = np.array([0.14 * rng.uniform(-1, 1) * z, 0.1 * rng.uniform(-1, 1) * z, z])
        pose = RigidTransform(rotation=rotation, translation_mm=shift)
        seen = observe(camera, points, pose, rng, noise=noise or Noise(sigma_px=NOISE_PX), frame_idx=len(out))
        if seen is not None:
            out.append((seen,))
    return out


def solved(bow_mm, seed, *, lens="brown4", flat_board=True, **design):
    views = views_of(bow_mm, np.random.default_rng([51, seed]), **design)
    return solve(views, BOARD, [SETUP], lenses=[LENSES[lens]], flat_board=flat_board)


@cache
def table_row(bow_mm):
    """Mean bias ratio and RMS of six designs."""
    found = [solved(bow_mm, seed) for seed in range(6)]
    ratios = [noise_measurements(one)["one.bias_ratio"] for one in found]
    assert all(ratio.sigma is not None and 0 < ratio.sigma < 0.1 for ratio in ratios)
    return np.mean([ratio.value for ratio in ratios]), np.mean([camera_rms_px(one) for one in found])


@pytest.mark.parametrize(
    ("bow_mm", "ratio", "rms_px"),
    [(0.0, -0.01, 0.069), (0.02, 0.06, None), (0.05, 0.31, 0.083), (0.1, 0.65, 0.116), (0.2, 0.88, 0.200)],
)
def test_published_table_of_bows(bow_mm, ratio, rms_px):
    """Handbook section 2.4, bow table (noise 0.05 px, 20-25 views), and section 9, test 3."""
    found, rms = table_row(bow_mm)
    assert found == pytest.approx(ratio, abs=0.04)  # six designs of other poses: sd of their mean 0.01-0.015
    if rms_px is not None:
        assert rms == pytest.approx(rms_px, rel=0.06)  # the same: sd of their mean 2 %


def test_tenth_of_a_millimetre_passes_rms_and_is_flagged():
    """Section 9, test 3: RMS within the usual 0.3 px, ratio far beyond 0.2; flat: within 0.2."""
    ratio, rms = table_row(0.1)
    assert rms < 0.3
    assert ratio > 0.5
    assert table_row(0.0)[0] < 0.1


def test_decentring_left_out_is_flagged():
    """Handbook section 2.4: missing tangential and k2 terms give 0.21 there; twice these coefficients, more."""
    camera = CameraModel(
        name="one",
        image_size_px=(1440, 1080),
        model="brown",
        focal_px=(1300.0, 1300.0),
        principal_point_px=(719.5, 539.5),
        distortion=(-0.1, 0.05, 2e-3, -1.6e-3),
    )
    missing = noise_measurements(solved(0.0, 1, lens="brown2", camera=camera))["one.bias_ratio"]
    right = noise_measurements(solved(0.0, 1, lens="brown4", camera=camera))["one.bias_ratio"]
    assert missing.value - 2 * missing.sigma > 0.2
    assert right.value + 2 * right.sigma < 0.2


def test_shape_solved_for_leaves_no_bias_and_still_tells_it():
    """With the bow solved for, nothing is left over; the ratio for a flat board equals that of a flat fit."""
    free, flat = solved(0.1, 2, flat_board=False), solved(0.1, 2)
    found, expected = noise_measurements(free), noise_measurements(flat)["one.bias_ratio"]
    assert abs(found["one.bias_ratio"].value) < 0.1
    # One linear step against a full robust fit, both of the same corners.
    assert found["one.bias_ratio_flat"].value == pytest.approx(expected.value, abs=0.02)


def test_local_noise_is_the_corners_noise_whatever_is_wrong():
    """Patches of their own homography do not see the bow: OpenCV's homographies of undistorted points agree."""
    one = solved(0.2, 3)
    found = noise_measurements(one)["one.local_noise_px"]
    # 0.05 px planted; the bow curves a patch of 20 mm by 0.01 mm, at most 0.03 px in the far corners.
    assert found.value == pytest.approx(NOISE_PX, rel=0.1)
    state = one.adjustment.state.intrinsics[0]
    k = np.array([[state[0], 0, state[2]], [0, state[1], state[3]], [0, 0, 1.0]])
    columns, rows = BOARD.corner_grid
    squares, patches = 0.0, 0
    for (side,) in one.views:
        straight = cv2.undistortPoints(side.corners_px.reshape(-1, 1, 2), k, state[5:9], P=k).reshape(-1, 2)
        at = dict(zip(side.corner_ids.tolist(), straight, strict=True))
        for row in range(rows - 2):
            for column in range(columns - 2):
                ids = [(row + i) * columns + column + j for i in range(3) for j in range(3)]
                if any(number not in at for number in ids):
                    continue
                image, plane = np.array([at[n] for n in ids]), BOARD.corners_mm[ids, :2]
                h = cv2.findHomography(plane, image, 0)[0]
                back = cv2.perspectiveTransform(plane.reshape(-1, 1, 2), h).reshape(-1, 2)
                squares, patches = squares + float(((image - back) ** 2).sum()), patches + 1
    assert found.n == patches
    # 2 %: undistorting stretches noise by up to 4 % in the picture's corners, which the measurement undoes.
    assert np.sqrt(squares / (10 * patches)) == pytest.approx(found.value, rel=0.02)


def test_a_bias_too_small_for_any_real_picture_is_let_pass():
    """Corners of 0.002 px, as only a rendering has: a bow of 0.002 mm, 0.001 px, is large against no noise."""
    found = noise_measurements(solved(0.002, 4, noise=Noise(sigma_px=0.002)))["one.bias_ratio"]
    assert found.value + 2 * found.sigma < 0.05
    found = noise_measurements(solved(0.05, 4, noise=Noise(sigma_px=0.002)))["one.bias_ratio"]
    assert found.value - 2 * found.sigma > 0.5


def test_too_little_of_the_board_gives_a_reason():
    """Two rows of corners hold no 3 x 3 block."""
    board = BoardSpec(name="strip", kind="checkerboard", squares=(11, 3), square_mm=10.0)
    rng, views = np.random.default_rng([52, 0]), []
    for tilt in (0.5, -0.5, 0.3, -0.6, 0.4):
        rotation = rodrigues([tilt, 0.8 * tilt, tilt])
        shift = np.array([0.0, 0.0, 170.0]) - rotation @ board.corners_mm.mean(0)
        pixels = opencv_project(CAMERA, board.corners_mm @ rotation.T + shift)
        assert ((pixels > 0) & (pixels < np.array(CAMERA.image_size_px))).all()
        pose = RigidTransform(rotation=rotation, translation_mm=shift)
        views.append((observe(CAMERA, board.corners_mm, pose, rng, noise=Noise(), frame_idx=len(views)),))
    found = noise_measurements(solve(views, board, [SETUP], lenses=[LENSES["brown2"]], flat_board=True))
    assert found["one.bias_ratio"].value is None
    assert "0 views show a complete block" in found["one.bias_ratio"].reason
    assert found["one.local_noise_px"].value is None


@pytest.mark.slow
@pytest.mark.xdist_group("statistics")
def test_flat_boards_are_left_alone():
    """200 flat boards, 10 views each, the board's shape solved for as in use: at most 1 % of false alarms.

    The limits of the checks: bias 0.2 (handbook 2.4), aspect 0.001, pattern 0.02 px, each with its 2 sigma.
    """
    found = []
    for seed in range(200):
        one = solved(0.0, 1000 + seed, n=10, flat_board=False)
        found.append(blind_measurements(one, working_distance_mm=200.0))
    for name, limit in (("bias_ratio", 0.2), ("pixel_aspect_error", 0.001), ("pattern_px", 0.02)):
        values = np.array([each[f"one.{name}"].value for each in found])
        sigmas = np.array([each[f"one.{name}"].sigma for each in found])
        assert (values + 2 * sigmas > limit).mean() <= 0.01, name
    ratios = np.array([each["one.bias_ratio"].value for each in found])
    sigmas = np.array([each["one.bias_ratio"].sigma for each in found])
    assert abs(ratios.mean()) < 0.01  # sd 0.03 over 200: 0.002, and a jackknifed ratio's own small bias
    assert 0.75 < ratios.std() / sigmas.mean() < 1.25  # a jackknife over 10 views knows its sigma to 20 %
    aspects = np.array(
        [(each["one.focal_ratio"].value - 1) / each["one.focal_ratio"].sigma for each in found]
    )
    assert 0.85 < aspects.std() < 1.15  # sd of a spread of 200: 0.05
    noise = np.array([each["one.local_noise_px"].value for each in found])
    assert noise.mean() == pytest.approx(NOISE_PX, rel=0.005)  # 1.5 % each, over 200
    assert 0.7 < noise.std() / np.mean([each["one.local_noise_px"].sigma for each in found]) < 1.3
    patterns = np.array([each["one.pattern_ratio"].value for each in found])
    assert patterns.mean() == pytest.approx(1.0, abs=0.05)  # spread 0.14 over 200: 0.01; a root leans below 1
