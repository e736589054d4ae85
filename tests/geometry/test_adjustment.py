"""The bundle adjustment against OpenCV, the handbook's formulas, and itself."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from synthetic import BOARD, Noise, board_poses, observe, reference_rig, rodrigues

from rigcheck.calibration.start import LENSES, single_camera_layout
from rigcheck.geometry.adjustment import Stopping, adjust
from rigcheck.geometry.board_views import gather
from rigcheck.geometry.bundle import GaussianPrior, RigState
from rigcheck.geometry.covariance import shared_covariance
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.model import BoardSpec, CameraModel, FrameRef, Observation, RigidTransform

HANDBOOK_CAMERA = CameraModel(
    name="one",
    image_size_px=(1440, 1080),
    model="brown",
    focal_px=(1300.0, 1300.0),
    principal_point_px=(719.5, 539.5),
    distortion=(0.0, 0.0, 0.0, 0.0),
)
HANDBOOK_BOARD = BoardSpec(name="10x7 corners", kind="checkerboard", squares=(11, 8), square_mm=10.0)


def exact_state(camera, poses):
    return RigState(
        intrinsics=(intrinsics_vector(camera),),
        rotation=np.eye(3),
        translation=np.zeros(3),
        shape=np.zeros(0),
        board_rotations=np.stack([pose.rotation for pose in poses]),
        board_translations=np.stack([pose.translation_mm for pose in poses]),
    )


def tilted_poses(rng, tilts_deg, board=HANDBOOK_BOARD, near=150.0, far=250.0):
    """Views at given tilts, turned about all sides, as in the handbook's simulations."""
    centre, out = board.corners_mm.mean(0), []
    for view, tilt in enumerate(tilts_deg):
        direction = 2 * np.pi * view / len(tilts_deg) + rng.uniform(0, 0.3)
        rotation = rodrigues(np.radians(tilt) * np.array([np.cos(direction), np.sin(direction), 0.0]))
        z = rng.uniform(near, far)
        middle = np.array([rng.uniform(-0.1, 0.1) * z, rng.uniform(-0.08, 0.08) * z, z])
        out.append(RigidTransform(rotation=rotation, translation_mm=middle - rotation @ centre))
    return out


def fitted(camera, board, poses, rng, *, lens="brown4", sigma=0.1, loss="squares"):
    sides = [
        observe(camera, board.corners_mm, pose, rng, noise=Noise(sigma_px=sigma), frame_idx=k)
        for k, pose in enumerate(poses)
    ]
    kept = [(side, pose) for side, pose in zip(sides, poses, strict=True) if side is not None]
    observations = gather([(side,) for side, _ in kept], board, cameras=[0])
    start = exact_state(camera, [pose for _, pose in kept])
    layout = single_camera_layout(LENSES[lens])
    return adjust(observations, layout, start, loss=loss), [side for side, _ in kept]


def opencv_fit(sides, board, camera, flags):
    corners = [board.corners_mm[side.corner_ids].astype(np.float32) for side in sides]
    pixels = [side.corners_px.astype(np.float32).reshape(-1, 1, 2) for side in sides]
    return cv2.calibrateCameraExtended(corners, pixels, camera.image_size_px, None, None, flags=flags)


def test_least_squares_solution_and_sigmas_equal_opencvs(rng):
    """Handbook 2.2: the library's standard deviations equal own J'J (sqrt(SSR/(2N-p)), p with poses)."""
    camera = reference_rig().camera1
    fit, sides = fitted(camera, BOARD, board_poses(rng(11, 0), 12), rng(11, 1), sigma=0.05)
    rms, matrix, distortion, _, _, sd, *_ = opencv_fit(sides, BOARD, camera, cv2.CALIB_FIX_K3)
    values = fit.state.intrinsics[0]
    # 5e-4 px: OpenCV stops earlier and takes corners as float32 (1e-4 px at 1000 px).
    assert np.abs(values[:4] - [matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]]).max() < 5e-3
    assert np.abs(values[5:9] - distortion.reshape(-1)[:4]).max() < 5e-5
    assert fit.summary.rms_px == pytest.approx(rms, rel=1e-4)
    covariance = shared_covariance(fit)
    own = np.sqrt(np.diag(covariance.independent))
    assert own == pytest.approx(sd.reshape(-1)[:8], rel=2e-3)


def test_every_parameter_sits_at_the_bottom(rng):
    """Moving any fitted unknown by one sigma, the others held, must raise the cost."""
    camera = reference_rig().camera1
    fit, _ = fitted(camera, BOARD, board_poses(rng(12, 0), 6), rng(12, 1), sigma=0.05)
    sigma = np.sqrt(np.diag(shared_covariance(fit).independent))
    layout, base = fit.layout, fit.summary.final_cost

    def cost(shared, private):
        frozen = replace(layout, free=(np.zeros_like(layout.free[0]),))
        moved = fit.state.moved(layout, shared, private)
        return adjust(
            fit.observations, frozen, moved, loss="squares", stopping=Stopping(iterations=0)
        ).summary.final_cost

    still = np.zeros((len(fit.state.board_rotations), 6))
    for k in range(layout.size):
        for sign in (-1, 1):
            step = np.zeros(layout.size)
            step[k] = sign * sigma[k]
            assert cost(step, still) > base
    for k in range(6):
        nudge = still.copy()
        nudge[0, k] = 1e-4
        assert cost(np.zeros(layout.size), nudge) > base
        assert cost(np.zeros(layout.size), -nudge) > base


@pytest.mark.parametrize(("n_views", "n_corners", "expected"), [(15, 70, 0.1381), (6, 6, 0.0882)])
def test_rms_formula(n_views, n_corners, expected, rng):
    """Handbook 9 test 1: RMS = sigma sqrt(2) sqrt(1 - p/2N), few points flatter the result by 38 %."""
    found, points = [], 0
    for trial in range(30):
        generator = rng(13, trial)
        poses = tilted_poses(generator, np.resize([15, 30, 40], n_views), near=180, far=220)
        fit, _ = fitted(HANDBOOK_CAMERA, HANDBOOK_BOARD, poses, rng(14, trial))
        if n_corners < 70:
            fit = thinned(fit, n_corners, generator)
        points = fit.observations.n
        found.append(fit.summary.rms_px)
    p = fit.layout.size + 6 * n_views
    assert points == n_views * n_corners
    assert 0.1 * np.sqrt(2) * np.sqrt(1 - p / (2 * points)) == pytest.approx(expected, abs=0.0035)
    # The handbook's p counts a camera with 5 coefficients (9 + 6 V), ours has 4; hence 0.0035.
    spread = np.std(found) / np.sqrt(len(found))
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(
        0.1 * np.sqrt(2) * np.sqrt(1 - p / (2 * points)), abs=4 * spread + 5e-4
    )


def thinned(fit, n_corners, generator):
    """The same views with few corners each, spread over the board."""
    o = fit.observations
    keep = np.zeros(o.n, dtype=bool)
    for view in range(o.view_idx[-1] + 1):
        rows = np.flatnonzero(o.view_idx == view)
        keep[generator.choice(rows, n_corners, replace=False)] = True
    return adjust(o.select(keep), fit.layout, fit.state, loss="squares")


def test_mahalanobis_distance_to_truth_is_chi_square(rng):
    """Handbook 9 test 2 and 2.7: d^2 of 8 intrinsics has mean 8 (7.8-8.0 seen there)."""
    distances = []
    for trial in range(60):
        poses = tilted_poses(rng(15, trial), np.resize([10, 25, 40], 12))
        fit, _ = fitted(HANDBOOK_CAMERA, HANDBOOK_BOARD, poses, rng(16, trial))
        away = (fit.state.intrinsics[0] - intrinsics_vector(HANDBOOK_CAMERA))[fit.layout.free[0]]
        distances.append(away @ np.linalg.solve(shared_covariance(fit).independent, away))
    assert np.mean(distances) == pytest.approx(8.0, abs=4 * 4.0 / np.sqrt(60))  # sd of chi2_8 is 4


@pytest.mark.parametrize(
    ("tilt", "sd_f"),
    [(2, 50.0), (5, 7.6), (10, 2.2), (20, 0.86), (30, 0.52), (40, 0.43), (50, 0.40), (60, 0.36)],
)
def test_tilt_decides_how_well_the_focal_length_is_known(tilt, sd_f, rng):
    """Handbook 2.1, first table: median SD of f, 9 views all at one tilt, 10 x 7 corners, sigma 0.1 px."""
    found = []
    for trial in range(12):
        poses = tilted_poses(rng(17, trial), [tilt] * 9)
        fit, _ = fitted(HANDBOOK_CAMERA, HANDBOOK_BOARD, poses, rng(18, trial))
        found.append(np.sqrt(shared_covariance(fit).independent[0, 0]) * 0.1 / known_noise(fit))
    # Positions and distances are drawn anew here, so the table is met within its own scatter.
    assert np.median(found) == pytest.approx(sd_f, rel=0.45)


def known_noise(fit):
    freedom = 2 * fit.observations.n - fit.summary.n_parameters
    return float(np.sqrt((fit.prediction.residuals**2).sum() / freedom))


def test_uncertainty_falls_with_the_root_of_the_views(rng):
    """Handbook 2.1, second table: SD f 1.24, 0.87, 0.58, 0.42, 0.35 px for 3, 5, 10, 15, 20 views."""
    for n_views, sd_f in ((3, 1.24), (5, 0.87), (10, 0.58), (15, 0.42), (20, 0.35)):
        found = []
        for trial in range(10):
            poses = tilted_poses(rng(19, trial), np.resize([10, 25, 40], n_views))
            fit, _ = fitted(HANDBOOK_CAMERA, HANDBOOK_BOARD, poses, rng(20, trial))
            found.append(np.sqrt(shared_covariance(fit).independent[0, 0]) * 0.1 / known_noise(fit))
        assert np.median(found) == pytest.approx(sd_f, rel=0.45)  # scatter of the drawn poses


def test_board_shape_is_recovered_when_it_is_free(rng):
    """A board bowed by 0.15 mm: the shape coefficient returns it, and the focal length is unbiased."""
    camera = reference_rig().camera1
    centred = (BOARD.corners_mm[:, :2] - BOARD.corners_mm[:, :2].mean(0)) / 45.0
    basis = (centred**2).sum(1, keepdims=True)
    bowed = BOARD.corners_mm.copy()
    bowed[:, 2] += 0.15 * basis[:, 0]
    sides = [
        observe(camera, bowed, pose, rng(21, k), noise=Noise(), frame_idx=k)
        for k, pose in enumerate(board_poses(rng(21, 99), 20))
    ]
    views = [(side,) for side in sides if side is not None]
    observations = replace(
        gather(views, BOARD, cameras=[0]), shape_basis=basis[np.concatenate([v.corner_ids for (v,) in views])]
    )
    poses = [pose for side, pose in zip(sides, board_poses(rng(21, 99), 20), strict=True) if side is not None]
    flat = single_camera_layout(LENSES["brown4"])
    layout = replace(flat, n_shape=1)
    free = adjust(observations, layout, replace(exact_state(camera, poses), shape=np.zeros(1)), loss="tukey")
    stiff = adjust(gather(views, BOARD, cameras=[0]), flat, exact_state(camera, poses), loss="tukey")
    sigma = np.sqrt(np.diag(shared_covariance(free).independent))
    assert free.state.shape[0] == pytest.approx(0.15, abs=4 * sigma[-1])
    assert sigma[-1] < 0.003  # mm; the handbook's section 11 gives 0.0011 for 24 pairs of two cameras
    assert abs(free.state.intrinsics[0][0] - 1420.0) < 4 * sigma[0]
    assert abs(stiff.state.intrinsics[0][0] - 1420.0) > 10 * sigma[0]  # what a flat board would have told


def test_prior_pulls_as_its_information_says(rng):
    camera = reference_rig().camera1
    fit, _ = fitted(camera, BOARD, board_poses(rng(22, 0), 5), rng(22, 1), sigma=0.05)
    information = np.zeros((8, 8))
    information[0, 0] = 1e12
    offset = np.zeros(8)
    offset[0] = 3.0
    held = adjust(
        fit.observations,
        fit.layout,
        fit.state,
        loss="squares",
        prior=GaussianPrior(offset=offset, information=information),
    )
    assert held.state.intrinsics[0][0] - fit.state.intrinsics[0][0] == pytest.approx(3.0, abs=1e-4)
    weak = adjust(
        fit.observations,
        fit.layout,
        fit.state,
        loss="squares",
        prior=GaussianPrior(offset=offset, information=information * 1e-18),
    )
    assert abs(weak.state.intrinsics[0][0] - fit.state.intrinsics[0][0]) < 0.01


def test_how_it_stopped_is_said(rng):
    camera = reference_rig().camera1
    fit, _ = fitted(camera, BOARD, board_poses(rng(23, 0), 5), rng(23, 1))
    assert fit.summary.status == "converged"
    state = replace(fit.state, intrinsics=(fit.state.intrinsics[0] + np.r_[200.0, np.zeros(12)],))
    early = adjust(fit.observations, fit.layout, state, loss="squares", stopping=Stopping(iterations=1))
    assert early.summary.status == "iteration_limit"
    assert "limit" in early.summary.message
    behind = replace(fit.state, board_translations=-fit.state.board_translations)
    with pytest.raises(ValueError, match="behind its camera"):
        adjust(fit.observations, fit.layout, behind)


def test_views_out_of_order_are_refused():
    side = Observation(
        ref=FrameRef(camera="a", frame_idx=0, origin="x"),
        corner_ids=np.arange(12),
        corners_px=np.zeros((12, 2)),
        sigma_px=np.ones(12),
    )
    observations = gather([(side,), (side,)], BOARD, cameras=[0])
    with pytest.raises(ValueError, match="sorted by view"):
        replace(observations, view_idx=observations.view_idx[::-1].copy())


def test_pose_alone_equals_opencvs(rng):
    """With intrinsics held, the board's pose is cv2.solvePnP's (iterative, least squares)."""
    camera = reference_rig().camera1
    pose = board_poses(rng(24, 0), 1)[0]
    side = observe(camera, BOARD.corners_mm, pose, rng(24, 1), noise=Noise(), frame_idx=0)
    observations = gather([(side,)], BOARD, cameras=[0])
    layout = replace(single_camera_layout(LENSES["brown4"]), free=(np.zeros(13, dtype=bool),))
    fit = adjust(observations, layout, exact_state(camera, [pose]), loss="squares")
    points = BOARD.corners_mm[side.corner_ids]
    start = cv2.Rodrigues(pose.rotation)[0], pose.translation_mm.reshape(3, 1).copy()
    distortion = np.array(camera.distortion)
    _, turn, shift = cv2.solvePnP(
        points, side.corners_px, camera.K, distortion, *start, True, flags=cv2.SOLVEPNP_ITERATIVE
    )
    assert (
        np.abs(cv2.Rodrigues(turn)[0] - fit.state.board_rotations[0]).max() < 1e-6
    )  # both stop at 1e-6 or so
    assert np.abs(shift.reshape(3) - fit.state.board_translations[0]).max() < 1e-4  # mm
