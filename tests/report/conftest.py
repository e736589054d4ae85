"""A rig of our own invention, with residuals that are noise: what a good calibration looks like.

The cameras, helmets and clips named here do not exist. Sizes follow the usual head rig: portrait
pictures of 1080 x 1440, 1420 px focal length, 72 mm baseline, 21 degrees of convergence.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from rigcheck.model import (
    BoardSpec,
    Calibration,
    CalibrationRun,
    CameraCalibration,
    CameraModel,
    CheckResult,
    EffectiveLimit,
    Estimate,
    FaceVolume,
    FitSummary,
    FrameRef,
    ModelScore,
    Observation,
    Provenance,
    Rejection,
    Report,
    RigidTransform,
    StereoCalibration,
    ViewResult,
    ViewSide,
)
from rigcheck.opencv import cv2

SIZE = (1080, 1440)
NAMES = ("upper", "lower")
N_VIEWS = 24
BAD_VIEW = 17


def _rotation(vector):
    return cv2.Rodrigues(np.asarray(vector, dtype=float))[0]


def board_spec():
    return BoardSpec(
        name="heron-9x12",
        kind="charuco",
        squares=(9, 12),
        square_mm=9.0,
        marker_mm=6.75,
        dictionary="DICT_5X5_100",
    )


def camera_models(names=NAMES):
    first = CameraModel(
        name=names[0],
        image_size_px=SIZE,
        model="brown",
        focal_px=(1420.31, 1420.12),
        principal_point_px=(543.2, 712.8),
        distortion=(-0.1184, 0.0721, 0.00031, -0.00022),
    )
    second = replace(
        first,
        name=names[1],
        focal_px=(1417.64, 1417.95),
        principal_point_px=(536.1, 725.4),
        distortion=(-0.1202, 0.0788),
    )
    return first, second


def pair_pose():
    half = np.radians(10.5)
    centre2 = 72.004 * np.array([np.cos(half), 0.0008, np.sin(half)])
    camera1_from_camera2 = _rotation([0.002, -np.radians(21.0), 0.001])
    rotation = camera1_from_camera2.T
    return RigidTransform(rotation=rotation, translation_mm=-rotation @ centre2)


def board_pose(k):
    rng = np.random.default_rng([7, k])
    tilt = np.radians((k % 6) * 8.0)
    turn = 2.4 * k
    rotation = _rotation([tilt * np.cos(turn), tilt * np.sin(turn), 0.0]) @ _rotation([0, 0, 0.2 * np.sin(k)])
    distance = 150.0 + 85.0 * ((k * 7) % N_VIEWS) / (N_VIEWS - 1)
    wander = distance * np.array([0.16 * np.cos(1.7 * k) + 0.09, 0.17 * np.sin(2.3 * k)]) + rng.normal(
        0, 3, 2
    )
    centre = np.array([*wander, distance])
    return RigidTransform(rotation=rotation, translation_mm=centre - rotation @ np.array([40.5, 54.0, 0.0]))


def distortion(camera):
    """The coefficients padded to the four that OpenCV insists on."""
    return np.array([*camera.distortion, 0.0, 0.0, 0.0, 0.0])[:4]


def project(camera, camera_from_board, points_mm):
    picture, _ = cv2.projectPoints(
        points_mm,
        cv2.Rodrigues(camera_from_board.rotation)[0],
        camera_from_board.translation_mm,
        camera.K,
        distortion(camera),
    )
    return picture.reshape(-1, 2)


def frame_ref(camera, k):
    second = 12 * k + 7
    return FrameRef(
        camera=camera,
        frame_idx=60 * second,
        origin=f"heron_{camera}_A004.mov",
        time_s=float(second),
        timecode=f"10:{second // 60:02d}:{second % 60:02d}:00",
    )


def _side(camera, camera_from_board, k, which):
    rng = np.random.default_rng([11, k, which])
    board = board_spec()
    picture = project(camera, camera_from_board, board.corners_mm)
    inside = ((picture > 12) & (picture < np.array(SIZE) - 13)).all(axis=1)
    if inside.sum() < 12:
        return None
    noise = 0.07 if k != BAD_VIEW else 0.31
    residuals = rng.normal(0, noise, (int(inside.sum()), 2))
    weights = np.ones(len(residuals))
    if k in (5, BAD_VIEW):
        residuals[3] = (2.4, -1.8)
        weights[3] = 0.0
    observation = Observation(
        ref=frame_ref(camera.name, k),
        corner_ids=np.flatnonzero(inside),
        corners_px=picture[inside] + residuals,
        sigma_px=np.full(len(residuals), noise),
        blur_px=0.9,
    )
    rms = float(np.sqrt((residuals**2).sum() / len(residuals)))
    return ViewSide(observation=observation, residuals_px=residuals, weights=weights, rms_px=rms)


def view_results(cameras, pose):
    views = []
    for k in range(N_VIEWS):
        camera1_from_board = board_pose(k)
        sides = [_side(cameras[0], camera1_from_board, k, 0)]
        if len(cameras) == 2:
            camera2_from_board = RigidTransform(
                rotation=pose.rotation @ camera1_from_board.rotation,
                translation_mm=pose.apply(camera1_from_board.translation_mm),
            )
            sides.append(_side(cameras[1], camera2_from_board, k, 1))
        views.append(
            ViewResult(
                view_idx=k,
                sides=tuple(sides),
                camera1_from_board=camera1_from_board,
                tilt_deg=float(np.degrees(np.arccos(camera1_from_board.rotation[2, 2]))),
                distance_mm=float(camera1_from_board.apply(np.array([40.5, 54.0, 0.0]))[2]),
            )
        )
    return tuple(views)


def coverage_maps(views, names, shape=(24, 18)):
    maps = {name: np.zeros(shape, dtype=np.int64) for name in names}
    cell = np.array([SIZE[0] / shape[1], SIZE[1] / shape[0]])
    for view in views:
        for side in view.sides:
            if side is None:
                continue
            columns, rows = ((side.observation.corners_px + 0.5) / cell).astype(int).T
            np.add.at(maps[side.observation.ref.camera], (rows, columns), 1)
    return maps


def face_volume():
    x, y = np.linspace(-60, 60, 13), np.linspace(-75, 75, 16)
    grid_x, grid_y = np.meshgrid(x, y)
    depth = 0.021 + 0.019 * (grid_x / 65) ** 2 + 0.026 * (grid_y / 80) ** 2 + 0.006 * grid_x / 65
    return FaceVolume(
        depth_mm=0.0412,
        lateral_mm=0.0118,
        working_distance_mm=200.0,
        map_x_mm=x,
        map_y_mm=y,
        depth_map_mm=depth,
    )


def _board_picture(camera, camera_from_board, k):
    """Draw the board as the camera would see it, with vignetting, blur and noise."""
    scale = 12
    drawn = cv2.aruco.CharucoBoard(
        (9, 12), 9.0, 6.75, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    ).generateImage((9 * 9 * scale, 12 * 9 * scale))
    drawn = cv2.copyMakeBorder(drawn, 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=225)
    columns, rows = np.meshgrid(np.arange(0.5, SIZE[0], 2.0), np.arange(0.5, SIZE[1], 2.0))
    pixels = np.stack([columns, rows], axis=-1).reshape(-1, 1, 2)
    rays = cv2.undistortPoints(pixels, camera.K, distortion(camera)).reshape(-1, 2)
    plane = np.column_stack([camera_from_board.rotation[:, :2], camera_from_board.translation_mm])
    at = np.column_stack([rays, np.ones(len(rays))]) @ np.linalg.inv(plane).T
    at = (at[:, :2] / at[:, 2:]) * scale + 60 - 0.5
    maps = at.reshape(*columns.shape, 2).astype(np.float32)
    small = cv2.remap(drawn, maps[..., 0], maps[..., 1], cv2.INTER_AREA, borderValue=58).astype(float)
    radius = np.hypot(columns - SIZE[0] / 2, rows - SIZE[1] / 2) / 900
    small = 20 + small * 0.78 * (1 - 0.35 * radius**2)
    small = cv2.GaussianBlur(small, (0, 0), 1.1) + np.random.default_rng([13, k]).normal(0, 3, small.shape)
    return cv2.resize(small.clip(0, 255).astype(np.uint8), SIZE, interpolation=cv2.INTER_LINEAR)


def _pictures(cameras, pose, views):
    worst = sorted(views, key=lambda view: -view.rms_px)[:2]
    pictures = {}
    for view in worst:
        for which, side in enumerate(view.sides):
            if side is None:
                continue
            camera_from_board = view.camera1_from_board
            if which == 1:
                camera_from_board = RigidTransform(
                    rotation=pose.rotation @ camera_from_board.rotation,
                    translation_mm=pose.apply(camera_from_board.translation_mm),
                )
            key = (view.view_idx, cameras[which].name)
            pictures[key] = _board_picture(cameras[which], camera_from_board, view.view_idx)
    return pictures


def rejections(names=NAMES):
    reasons = (
        ("blurred", "edge blur 3.4 px found, 2.0 px or less needed", 612),
        ("few_corners", "7 corners found, 12 needed", 148),
        ("moving", "corners moved 1.8 px since the frame before, 0.5 px or less needed", 1404),
        ("no_board", "no marker of the board seen", 37),
    )
    return tuple(
        Rejection(
            ref=FrameRef(
                camera=names[i % len(names)], frame_idx=i, origin=f"heron_{names[i % len(names)]}_A004.mov"
            ),
            code=code,
            sentence=sentence,
        )
        for code, sentence, count in reasons
        for i in range(count)
    )


def provenance():
    return Provenance(
        created="2031-03-04T10:42:07+01:00",
        versions={"rigcheck": "0.1.0", "opencv": "5.1.0", "numpy": "2.4.6", "scipy": "1.16.3"},
        inputs_sha256={
            "heron_upper_A004.mov": "9f2c" * 16,
            "heron_lower_A004.mov": "41d8" * 16,
            "heron-9x12.yaml": "07be" * 16,
        },
        options={
            "board": "heron-9x12.yaml",
            "views": 24,
            "robust": "huber 1.345",
            "rig": None,
            "replace": False,
        },
        command="calibrate",
    )


def camera_calibration(camera, rms):
    return CameraCalibration(
        camera=camera,
        reprojection_rms_px=rms,
        sigma_focal_px=(0.214, 0.221),
        sigma_principal_point_px=(0.187, 0.262),
        sigma_distortion=(0.00041, 0.0021, 0.000018, 0.000021)[: len(camera.distortion)],
        frame_rate_hz=60.0,
    )


def _model_scores(names):
    rows = []
    for name in names:
        rows += [
            ModelScore(
                camera=name, name="brown, 2 terms", n_parameters=6, bic=-8120.4, held_out_rms_px=0.1021,
                chosen=name != names[0], note="simplest within one standard error of the best",
            ),
            ModelScore(
                camera=name, name="brown, 4 terms", n_parameters=8, bic=-8139.9, held_out_rms_px=0.1012,
                chosen=name == names[0],
            ),
            ModelScore(
                camera=name, name="brown, 5 terms", n_parameters=9, bic=-8134.0, held_out_rms_px=0.1013,
                chosen=False,
            ),
        ]  # fmt: skip
    return tuple(rows)


def _measurements():
    found = {
        "baseline": Estimate(value=72.0042, sigma=0.0118, unit="mm", n=24),
        "epipolar_rms": Estimate(value=0.0731, sigma=0.0011, unit="px", n=2013),
        "time_offset": Estimate(value=None, unit="ms", reason="the board moved too little to tell"),
    }
    for n in (3, 5, 8, 12, 18, 24):
        found[f"face_depth_after_{n:02d}_views"] = Estimate(value=0.041 * (24 / n) ** 0.6, unit="mm", n=n)
    return found


def _leave_out_sigma(cameras):
    sigmas = {} if len(cameras) == 1 else {"stereo.baseline_mm": 0.0141, "stereo.convergence_deg": 0.0023}
    if len(cameras) == 2:
        sigmas |= {"stereo.across_deg": 0.0008, "stereo.twist_deg": 0.0019}
    for camera in cameras:
        entries = {"focal_x_px": 0.26, "focal_y_px": 0.27, "centre_x_px": 0.21, "centre_y_px": 0.31}
        sigmas |= {f"{camera.name}.{name}": sigma for name, sigma in entries.items()}
    return sigmas | {"board.shape_0": 0.0013}


def build_run(*, names=NAMES, with_pictures=True):
    cameras = camera_models(names if len(names) == 2 else (names[0], "unused"))[: len(names)]
    pose = pair_pose()
    views = view_results(cameras, pose)
    stereo = StereoCalibration(
        camera2_from_camera1=pose,
        reprojection_rms_px=0.1024,
        epipolar_rms_px=0.0731,
        sigma_rotation_deg={"convergence": 0.0021, "across": 0.0007, "twist": 0.0009},
        sigma_translation_mm=(0.0117, 0.0084, 0.0191),
        sigma_baseline_mm=0.0118,
    )
    calibration = Calibration(
        created="2031-03-04T10:42:07+01:00",
        cameras=tuple(camera_calibration(camera, 0.1018) for camera in cameras),
        stereo=stereo if len(cameras) == 2 else None,
        face_volume=face_volume() if len(cameras) == 2 else None,
        board=board_spec(),
        provenance=provenance(),
        parameters=("camera1.fx",),
        covariance=np.array([[0.0458]]),
    )
    return CalibrationRun(
        calibration=calibration,
        views=views,
        rejected=rejections(names),
        model_scores=_model_scores(names),
        fit=FitSummary(
            status="converged", message="cost changed by less than 1e-9", iterations=14, initial_cost=5.2e4,
            final_cost=2011.0, n_points=4026, n_parameters=164, rms_px=0.1024, noise_px=0.0711,
            condition_number=4.1e5, downweighted=6,
        ),
        measurements=_measurements(),
        leave_out_sigma=_leave_out_sigma(cameras),
        coverage_maps=coverage_maps(views, names),
        notes=("Clip of camera upper is 12 frames longer; the extra frames were not used.",),
        pictures=_pictures(cameras, pose, views) if with_pictures else {},
    )  # fmt: skip


def _check(code, title, status, estimate, limit, message, action="", required=True):
    return CheckResult(
        code=code, title=title, status=status, estimate=estimate, limit=limit, message=message,
        action=action, required=required,
    )  # fmt: skip


def checks():
    return (
        _check("CAL01", "Reprojection error", "pass", Estimate(value=0.1024, sigma=0.0011, unit="px", n=4026),
               "≤ 0.30 px", "The corners fit the solution."),
        _check("CAL02", "Spread of tilt", "pass", Estimate(value=13.7, unit="deg", n=24), "≥ 10°",
               "The board was tilted enough to tell focal length from distance."),
        _check("CAL03", "Picture covered", "caution", Estimate(value=71.2, unit="percent", n=24), "≥ 80 %",
               "The lower edge of camera lower saw no corner.",
               "Film six more views with the board at the lower edge of camera lower."),
        _check("CAL05", "Board measured", "inconclusive",
               Estimate(value=None, reason="no measured length in the board file"), "needed",
               "The print's true size is not known; every length could be off by the same share.",
               "Measure the print with calipers across at least 100 mm and write it into the board file."),
        _check("CAL06", "Square pixels", "pass", Estimate(value=1.00013, sigma=0.00021, unit="1", n=24),
               "within 0.001 of 1", "Focal lengths along x and y agree."),
        _check("STE01", "Epipolar error", "pass", Estimate(value=0.0731, sigma=0.0011, unit="px", n=2013),
               "≤ 0.30 px", "Points seen by both cameras lie on each other's lines."),
        _check("STE02", "Depth on the face", "pass", Estimate(value=0.0412, unit="mm", n=24),
               "≤ 0.10 mm, fail from 0.25 mm", "Depth on the face is known well enough."),
        _check("CAL04", "Board shape", "fail", Estimate(value=0.112, sigma=0.004, unit="mm", n=24),
               "≤ 0.05 mm", "The board is bowed; the baseline would be wrong by about as much.",
               "Mount the board on glass or aluminium, let it reach room temperature, and film it again."),
        _check("STE04", "Held-out length", "skipped", Estimate(value=None, reason="no known length given"),
               "≤ 0.05 mm", "Nothing to compare with.", "", False),
    )  # fmt: skip


def build_report(*, verdict="fail", checks_in=None, names=NAMES):
    return Report(
        command="calibrate",
        verdict=verdict,
        checks=checks() if checks_in is None else checks_in,
        measurements=_measurements(),
        rejected=rejections(names),
        limits=(
            EffectiveLimit(name="calibration.reprojection_rms_px", value=0.3, unit="px",
                           source="common practice", origin="default"),
            EffectiveLimit(name="face.depth_caution_mm", value=0.1, unit="mm",
                           source="common practice", origin="rig file heron.yaml"),
            EffectiveLimit(name="face.depth_fail_mm", value=0.25, unit="mm",
                           source="common practice", origin="default"),
        ),
        provenance=provenance(),
        notes=("The board's print was not measured.",),
    )  # fmt: skip


@pytest.fixture(scope="session")
def scenario():
    """Builders of reports and runs, and one of each ready made."""
    return SimpleNamespace(
        build_run=build_run, build_report=build_report, checks=checks, run=build_run(), report=build_report()
    )
