"""Published calibrations reproduced from their published pictures and corners.

Sources are named in each data set's SOURCE.txt; values and deviations in its expected.yaml.
"""

from pathlib import Path

import numpy as np
import pytest
import yaml
from skimage.data import stereo_motorcycle
from synthetic import rodrigues

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.calibration.quantities import quantities
from rigcheck.calibration.start import single_camera_layout
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, run_checks
from rigcheck.geometry.adjustment import adjust
from rigcheck.geometry.bundle import Observations, RigState
from rigcheck.geometry.covariance import shared_covariance
from rigcheck.geometry.pair import sampson_distance_px, triangulate
from rigcheck.geometry.planar import focal_from_homographies, homography, pose_from_homography
from rigcheck.geometry.rotation import exp_rotation, log_rotation, pair_axes
from rigcheck.model import BoardSpec, FrameRef, Observation, Provenance
from rigcheck.opencv import cv2
from rigcheck.target import BoardDetector

PROVENANCE = Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate")


def expected(folder: Path) -> dict:
    return yaml.safe_load((folder / "expected.yaml").read_text())


def plain_fit(plane, views, size, *, lens, skew=False):
    """Least squares from closed forms, for corner lists without a board of ours."""
    homographies = [homography(plane[:, :2], pixels) for pixels in views]
    centre = (np.array(size) - 1) / 2
    focal = focal_from_homographies(np.stack(homographies), centre)
    to_rays = np.linalg.inv(np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]]))
    poses = [pose_from_homography(to_rays @ h) for h in homographies]
    n = len(plane)
    observations = Observations(
        camera_idx=np.zeros(n * len(views), dtype=np.int64),
        view_idx=np.repeat(np.arange(len(views)), n),
        points_mm=np.tile(plane, (len(views), 1)),
        pixels=np.concatenate(views),
        sigma_px=np.ones(n * len(views)),
        shape_basis=np.zeros((n * len(views), 0)),
    )
    start = RigState(
        intrinsics=(np.r_[focal, focal, centre, np.zeros(9)],),
        rotation=np.eye(3),
        translation=np.zeros(3),
        shape=np.zeros(0),
        board_rotations=np.stack([rotation for rotation, _ in poses]),
        board_translations=np.stack([translation for _, translation in poses]),
    )
    return adjust(observations, single_camera_layout(LENSES[lens], skew=skew), start, loss="squares")


def test_zhangs_corners(outside_data):
    """Zhang, PAMI 2000 (MSR-TR-98-71): five views, skew free, two radial coefficients."""
    folder = outside_data / "zhang_corners"
    want, limit = expected(folder)["published"], expected(folder)["measured"]["max_deviation_from_published"]
    plane = np.loadtxt(folder / "Model.txt").reshape(-1, 2)
    views = [np.loadtxt(folder / f"data{k}.txt").reshape(-1, 2) for k in range(1, 6)]
    # Model and pixels as published: x right, y up in the model; the mirror is in the data, not in the solver.
    points = np.column_stack([plane, np.zeros(len(plane))])
    fit = plain_fit(points, views, (640, 480), lens="brown2", skew=True)
    fx, fy, cx, cy, skew, k1, k2 = fit.state.intrinsics[0][:7]
    got = {"alpha": fx, "gamma": skew, "beta": fy, "u0": cx, "v0": cy}
    for name, value in got.items():
        # Published to three digits and less: half a last digit, or what expected.yaml saw.
        assert value == pytest.approx(want[name], abs=max(limit["px"], 0.0005)), name
    assert k1 == pytest.approx(want["k1"], abs=limit["k"])
    assert k2 == pytest.approx(want["k2"], abs=limit["k"])
    assert fit.summary.rms_px == pytest.approx(expected(folder)["measured"]["rms_px_per_point"], abs=2e-6)
    sd = np.sqrt(np.diag(shared_covariance(fit).independent))
    published_sd = expected(folder)["measured"]["sd_1sigma"]
    names = ("alpha", "beta", "u0", "v0", "gamma", "k1", "k2")
    assert sd == pytest.approx([published_sd[name] for name in names], rel=0.01)  # printed to three digits
    lines = (folder / "calibration-result-zhang-withdistortion.txt").read_text().split()
    numbers = np.array([float(word) for word in lines])[7:].reshape(5, 12)
    for view, row in enumerate(numbers):
        away = np.abs(fit.state.board_rotations[view] - row[:9].reshape(3, 3)).max()
        assert away < 5e-6  # printed to six digits
        assert np.abs(fit.state.board_translations[view] - row[9:]).max() < 1e-4  # inch


def seven_views(path: Path):
    words = iter(path.read_text().partition("#")[0].split())
    size = int(next(words)), int(next(words))
    nx, ny, n_views, _ = (int(next(words)) for _ in range(4))
    n = nx * ny
    values = np.array([float(word) for word in words])
    objects = values[: 3 * n * n_views].reshape(n_views, n, 3)
    images = values[3 * n * n_views : 5 * n * n_views].reshape(n_views, n, 2)
    return size, objects[0], list(images), values[5 * n * n_views :]


def test_seven_view_corners(outside_data):
    """OpenCV test data calib1.dat: an independent solver's parameters, poses and standard deviations."""
    folder = outside_data / "corners_7views"
    want = expected(folder)
    size, plane, views, rest = seven_views(folder / "calib1.dat")
    fit = plain_fit(plane, views, size, lens="brown4")
    values = fit.state.intrinsics[0]
    published, measured = want["published"], want["measured"]
    # 0.002 px: what OpenCV's own solution, listed in expected.yaml, deviates from the published one.
    assert values[:2] == pytest.approx(published["fc"], abs=0.002)
    assert values[2:4] == pytest.approx(published["cc"], abs=0.002)
    assert values[5:9] == pytest.approx(published["kc"], abs=4e-5)
    assert fit.summary.rms_px == pytest.approx(measured["rms_px"], abs=2e-6)
    sd = np.sqrt(np.diag(shared_covariance(fit).independent))
    assert sd == pytest.approx(measured["sd"], rel=2e-4)  # SSE / (2N - p)
    # The published ones divide by N - p with N points.
    freedom = np.sqrt((2 * fit.observations.n - 50) / (fit.observations.n - 50))
    assert sd * freedom == pytest.approx(published["sd_fx_fy_cx_cy_k1_k2_p1_p2"], rel=2e-3)
    rotations = rest[8 : 8 + 9 * 7].reshape(7, 3, 3)
    for view in range(7):
        assert np.abs(fit.state.board_rotations[view] - rotations[view].T).max() < 2e-5


def pictures(folder: Path, pattern: str, numbers, board: BoardSpec, camera: str):
    detector, found = BoardDetector(board), []
    for number in numbers:
        path = folder / (pattern % number)
        image = cv2.imdecode(np.fromfile(path, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
        one = detector.detect(image, FrameRef(camera=camera, frame_idx=number, origin=path.name))
        found.append(one if isinstance(one, Observation) else None)
    return found, (image.shape[1], image.shape[0])


def solved_pair(folder, patterns, numbers, board, *, flat_board=False):
    sides, setups = [], []
    for camera, pattern in zip(("first", "second"), patterns, strict=True):
        seen, size = pictures(folder, pattern, numbers, board, camera)
        sides.append(seen)
        setups.append(CameraSetup(name=camera, image_size_px=size))
    return solve(list(zip(*sides, strict=True)), board, setups, flat_board=flat_board)


def test_chessboard_stereo_meets_the_published_calibration(outside_data):
    """Bouguet's stereo example: intrinsics, rotation and translation within their stated (3 sigma)
    uncertainty."""
    folder = outside_data / "chessboard_stereo"
    want = expected(folder)["published_bouguet"]
    board = BoardSpec(name="chess", kind="checkerboard", squares=(10, 7), square_mm=30.0)
    solution = solved_pair(folder, ("left%02d.jpg", "right%02d.jpg"), [*range(1, 10), *range(11, 15)], board)
    numbers, state = quantities(solution), solution.adjustment.state
    assert len(solution.views) == 13
    om = log_rotation(state.rotation)
    assert (np.abs(om - want["om"]) <= np.array(want["om_3sigma"])).all()
    assert (np.abs(state.translation - want["T_mm"]) <= np.array(want["T_3sigma_mm"])).all()
    for camera, f, c in (("first", "fL", "cL"), ("second", "fR", "cR")):
        for k, axis in enumerate("xy"):
            for key, published in (
                (f"{camera}.focal_{axis}_px", want[f][k]),
                (f"{camera}.centre_{axis}_px", want[c][k]),
            ):
                q = numbers[key]
                assert abs(q.value - published) <= 3 * q.sigma(solution), key
    assert solution.adjustment.summary.rms_px < 0.25  # expected.yaml: 0.20-0.22 px with bounded windows


def test_a_refinement_window_that_reaches_the_neighbour_would_be_seen(outside_data):
    """Planted fault: corners refined with half-window 11 (expected.yaml.

    Baseline + 0.3 mm, RMS 0.44) miss.
    """
    folder = outside_data / "chessboard_stereo"
    want = expected(folder)["published_bouguet"]
    board = BoardSpec(name="chess", kind="checkerboard", squares=(10, 7), square_mm=30.0)
    numbers = [*range(1, 10), *range(11, 15)]
    pairs = []
    for camera, pattern in (("first", "left%02d.jpg"), ("second", "right%02d.jpg")):
        side = []
        for number in numbers:
            image = cv2.imdecode(
                np.fromfile(folder / (pattern % number), dtype=np.uint8), cv2.IMREAD_GRAYSCALE
            )
            corners = cv2.findChessboardCorners(image, (9, 6))[1].reshape(-1, 1, 2)
            stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-4)
            corners = cv2.cornerSubPix(image, corners, (11, 11), (-1, -1), stop).reshape(-1, 2)
            side.append(
                Observation(
                    ref=FrameRef(camera=camera, frame_idx=number, origin=pattern % number),
                    corner_ids=np.arange(54),
                    corners_px=corners,
                    sigma_px=np.full(54, 0.1),
                )
            )
        pairs.append(side)
    setups = [CameraSetup(name=name, image_size_px=(640, 480)) for name in ("first", "second")]
    # Least squares on those corners, as a plain recipe would: the robust fit forgives them.
    solution = solve(list(zip(*pairs, strict=True)), board, setups, lenses=[LENSES["brown4"]])
    plain = adjust(
        solution.adjustment.observations,
        solution.adjustment.layout,
        solution.adjustment.state,
        loss="squares",
    )
    away = np.abs(plain.state.translation - want["T_mm"])
    assert (away > np.array(want["T_3sigma_mm"])).any()


def test_wide_charuco_pair_agrees_with_the_joint_solution(outside_data):
    """Strongly converging pair with different lenses; joint OpenCV solution within 3 sigma of ours."""
    folder = outside_data / "charuco_wide_pair"
    want = expected(folder)["measured"]["stereo_joint"]
    board = BoardSpec(
        name="wide",
        kind="charuco",
        squares=(8, 11),
        square_mm=24.0,
        marker_mm=18.75,
        dictionary="DICT_4X4_1000",
    )
    names = ("mid_%02d.jpg", "top_%02d.jpg")
    # That solution took the board as flat, so this one does.
    solution = solved_pair(folder, names, range(21), board, flat_board=True)
    numbers, state = quantities(solution), solution.adjustment.state
    published = {
        "first.focal_x_px": want["fL"][0],
        "first.focal_y_px": want["fL"][1],
        "first.centre_x_px": want["cL"][0],
        "first.centre_y_px": want["cL"][1],
        "second.focal_x_px": want["fR"][0],
        "second.focal_y_px": want["fR"][1],
        "second.centre_x_px": want["cR"][0],
        "second.centre_y_px": want["cR"][1],
        "stereo.translation_x_mm": want["T"][0],
        "stereo.translation_y_mm": want["T"][1],
        "stereo.translation_z_mm": want["T"][2],
        "stereo.baseline_mm": want["baseline"],
    }
    off = {k: (numbers[k].value - v) / numbers[k].sigma(solution) for k, v in published.items()}
    assert max(map(abs, off.values())) <= 3, off
    turn = log_rotation(state.rotation @ rodrigues(want["rvec_rad"]).T)
    turned = np.abs(np.degrees(pair_axes(state.rotation, state.translation).matrix @ turn))
    for name, angle in zip(("convergence", "across", "twist"), turned, strict=True):
        assert angle <= 3 * numbers[f"stereo.{name}_deg"].sigma(solution), name


def test_that_board_is_not_flat(outside_data):
    """What the flat joint solution cannot say.

    The real board is bent, by many sigmas, and the fit gets better.
    """
    folder = outside_data / "charuco_wide_pair"
    board = BoardSpec(
        name="wide",
        kind="charuco",
        squares=(8, 11),
        square_mm=24.0,
        marker_mm=18.75,
        dictionary="DICT_4X4_1000",
    )
    names = ("mid_%02d.jpg", "top_%02d.jpg")
    free = solved_pair(folder, names, range(21), board)
    flat = solved_pair(folder, names, range(21), board, flat_board=True)
    bent = quantities(free)["board.bow_short_mm"]
    assert abs(bent.value) > 5 * bent.sigma(free)
    assert free.adjustment.summary.rms_px < 0.92 * flat.adjustment.summary.rms_px


def judged_mono(solution):
    run = calibration_run(solution, provenance=PROVENANCE)
    return {
        c.code: c for c in run_checks(CALIBRATION_CHECKS, run, Limits(effective_limits({}, origin="default")))
    }


def test_four_alike_photos_are_not_enough(outside_data):
    """OpenCV's ChArUco tutorial photos: judged by the uncertainty on the result (focal length known to
    3 %)."""
    folder = outside_data / "charuco_mono"
    want = expected(folder)["published"]
    board = BoardSpec(
        name="mono", kind="charuco", squares=(5, 7), square_mm=40.0, marker_mm=20.0, dictionary="DICT_6X6_250"
    )
    seen, size = pictures(folder, "img_%02d.jpg", range(4), board, "one")
    assert [side.n for side in seen] == [24] * 4
    solution = solve([(side,) for side in seen], board, [CameraSetup(name="one", image_size_px=size)])
    harm = judged_mono(solution)["CAL01"]
    assert harm.status == "fail"
    assert harm.estimate.value > 1.0  # mm of depth at the working distance
    numbers = quantities(solution)
    for key, published in (
        ("focal_x_px", want["fx"]),
        ("centre_x_px", want["cx"]),
        ("centre_y_px", want["cy"]),
    ):
        q = numbers[f"one.{key}"]
        assert abs(q.value - published) <= 3 * q.sigma(solution), key


def test_motorcycle_pair_obeys_its_published_geometry():
    """Scharstein et al., GCPR 2014 (in scikit-image).

    Rectified, f 994.978 px, baseline 193.001 mm, doffs 31.086.
    """
    first, second, disparity = stereo_motorcycle()
    rows, columns = np.mgrid[40:460:20, 120:720:20]
    keep = np.isfinite(disparity[rows, columns]) & (disparity[rows, columns] > 0)
    pixels1 = np.column_stack([columns[keep], rows[keep]]).astype(float)
    truth = disparity[rows, columns][keep].astype(float)
    grey = [cv2.cvtColor(np.ascontiguousarray(image), cv2.COLOR_RGB2GRAY) for image in (first, second)]
    guess = np.column_stack([pixels1[:, 0] - truth, pixels1[:, 1]]).astype(np.float32)
    found, good, _ = cv2.calcOpticalFlowPyrLK(
        grey[0],
        grey[1],
        pixels1.astype(np.float32).reshape(-1, 1, 2),
        guess.reshape(-1, 1, 2).copy(),
        winSize=(15, 15),
        maxLevel=0,
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    found = found.reshape(-1, 2).astype(float)
    near = (good.reshape(-1) == 1) & (np.abs(found - guess).max(1) < 1.0)
    f, cx, cy, doffs, baseline = 994.978, 311.193, 254.877, 31.086, 193.001
    intrinsics = np.r_[f, f, cx, cy, np.zeros(9)], np.r_[f, f, cx + doffs, cy, np.zeros(9)]
    lines = {
        "intrinsics": intrinsics,
        "models": ("brown", "brown"),
        "rotation": np.eye(3),
        "translation": np.array([-baseline, 0.0, 0.0]),
    }
    distances = sampson_distance_px(pixels1[near], found[near], **lines)
    # Measured row difference of the pair: median 0.057, mad 0.102 px (expected.yaml of the stored copy).
    assert np.median(np.abs(distances)) < 0.15
    exact = np.column_stack([pixels1[:, 0] - truth, pixels1[:, 1]])
    depth = triangulate(pixels1, exact, **lines)[:, 2]
    assert depth == pytest.approx(f * baseline / (truth + doffs), rel=1e-9)
    # Planted: 0.1 degrees across is loud.
    tilted = {**lines, "rotation": exp_rotation([np.radians(0.1), 0.0, 0.0])}
    assert np.median(np.abs(sampson_distance_px(pixels1[near], found[near], **tilted))) > 1.0
