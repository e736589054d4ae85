"""Rendered views of a board through a lens, looked at as a clip would be; and evidence built on their truth."""

from dataclasses import dataclass, replace

import numpy as np
from synthetic import BOARD, opencv_project, reference_rig, rodrigues

from rigcheck.demo import BoardInSpace, RenderOptions, Sensor, board_in_space, render_view
from rigcheck.demo.mount import pyramid
from rigcheck.model import (
    Calibration,
    CalibrationRun,
    CameraCalibration,
    FitSummary,
    FrameRef,
    Observation,
    Provenance,
    RigidTransform,
    StereoCalibration,
    ViewResult,
    ViewSide,
)
from rigcheck.target import BoardDetector
from rigcheck.target.edges import EdgeBlurs, edge_blurs, linear_light_table
from rigcheck.target.surface import SurfaceLook, surface_look

SENSOR = Sensor(read_noise_dn=1.2, dn_per_electron=0.05)
LINEAR = linear_light_table("linear", black_level=SENSOR.black_dn)


@dataclass(frozen=True, kw_only=True, eq=False)
class Filmed:
    """What was seen of one view by camera 1."""

    pose: RigidTransform
    image: np.ndarray
    observation: Observation
    blurs: EdgeBlurs
    look: SurfaceLook


def held_poses(seed, count, *, near_mm=150.0, far_mm=240.0, tilt_deg=30.0):
    """camera1_from_board at depths evenly spread, in random order, tilted any way, in the middle of the picture."""
    rng = np.random.default_rng([61, seed])
    centre, out = BOARD.corners_mm.mean(0), []
    for depth in rng.permutation(np.linspace(near_mm, far_mm, count)):
        towards = rng.uniform(0, 2 * np.pi)
        tilt = np.radians(tilt_deg) * np.sqrt(rng.uniform(0.1, 1.0))
        rotation = rodrigues([tilt * np.cos(towards), tilt * np.sin(towards), 0.0]) @ rodrigues(
            [0.0, 0.0, rng.uniform(0.05, 0.2)]
        )
        middle = depth * np.array([rng.uniform(-0.12, 0.12), rng.uniform(-0.15, 0.15), 1.0])
        out.append(RigidTransform(rotation=rotation, translation_mm=middle - rotation @ centre))
    return out


def shifted(pose, shift_mm):
    """Moments of an exposure during which the board moves by `shift_mm` (3,), in the camera's frame."""
    return tuple(
        RigidTransform(
            rotation=pose.rotation, translation_mm=pose.translation_mm + share * np.array(shift_mm)
        )
        for share in np.linspace(-0.5, 0.5, 7)
    )


def film(poses, *, options=None, board=None, moving=None, seed=0) -> list[Filmed]:
    """Render each pose with camera 1 of the reference rig and look at it; `moving` maps a view to its shift."""
    camera = reference_rig().camera1
    detector, out = BoardDetector(BOARD), []
    options = options or RenderOptions(blur_px=0.6, sensor=SENSOR, samples=2)
    rng = np.random.default_rng([62, seed])
    for number, pose in enumerate(poses):
        seen = board[number] if isinstance(board, list) else board or board_in_space(BOARD)
        exposure = shifted(pose, moving[number]) if moving and number in moving else (pose,)
        image = render_view(camera, exposure, board=seen, options=options, rng=rng)
        observation = detector.detect(image, FrameRef(camera="upper", frame_idx=number, origin="rendered"))
        if not isinstance(observation, Observation):
            continue
        blurs = edge_blurs(image, observation, BOARD, linear_light=LINEAR)
        out.append(
            Filmed(
                pose=pose,
                image=image,
                observation=observation,
                blurs=blurs,
                look=surface_look(image, observation, BOARD, blurs),
            )
        )
    return out


def painted(board: BoardInSpace, paint) -> BoardInSpace:
    """Change a board's surface: `paint(x_mm, y_mm, reflectance)` gives the new share of light given back."""
    finest = board.levels[0]
    row, column = np.indices(finest.shape, dtype=np.float32)
    x = (column - board.origin_texel[0]) / board.texels_per_mm[0]
    y = (row - board.origin_texel[1]) / board.texels_per_mm[1]
    return replace(board, levels=pyramid(paint(x, y, finest.copy()).astype(np.float32)))


def true_run(views, *, cameras=1) -> CalibrationRun:
    """Evidence as if solved exactly: `views` are (observations one a camera or None, camera1_from_board)."""
    rig = reference_rig()
    models = (rig.camera1, rig.camera2)[:cameras]
    sides = []
    for number, (observations, pose) in enumerate(views):
        parts = []
        for camera, seen in zip(range(cameras), observations, strict=True):
            parts.append(None if seen is None else _side(seen, pose, camera))
        depth = float(pose.apply(BOARD.corners_mm.mean(0))[2])
        sides.append(
            ViewResult(
                view_idx=number, sides=tuple(parts), camera1_from_board=pose, tilt_deg=20.0, distance_mm=depth
            )
        )
    return CalibrationRun(
        calibration=Calibration(
            created="2026-02-03T04:05:06+00:00",
            cameras=tuple(_camera(model) for model in models),
            stereo=_stereo(rig) if cameras == 2 else None,
            face_volume=None,
            board=BOARD,
            provenance=Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate"),
            parameters=(),
            covariance=np.zeros((0, 0)),
        ),
        views=tuple(sides),
        rejected=(),
        model_scores=(),
        fit=FitSummary(
            status="converged",
            message="",
            iterations=1,
            initial_cost=1.0,
            final_cost=1.0,
            n_points=1,
            n_parameters=1,
            rms_px=0.1,
            noise_px=0.1,
            condition_number=1.0,
            downweighted=0,
        ),
        measurements={},
        leave_out_sigma={},
        coverage_maps={},
    )


def _side(seen, pose, camera):
    rig = reference_rig()
    model = (rig.camera1, rig.camera2)[camera]
    points = pose.apply(BOARD.corners_mm[seen.corner_ids])
    points = points if camera == 0 else rig.camera2_from_camera1.apply(points)
    residuals = seen.corners_px - opencv_project(model, points)
    return ViewSide(
        observation=seen,
        residuals_px=residuals,
        weights=np.ones(seen.n),
        rms_px=float(np.sqrt((residuals**2).sum() / seen.n)),
    )


def _camera(model):
    return CameraCalibration(
        camera=model,
        reprojection_rms_px=0.1,
        sigma_focal_px=(0.3, 0.3),
        sigma_principal_point_px=(0.3, 0.3),
        sigma_distortion=(0.01,) * len(model.distortion),
        frame_rate_hz=60.0,
    )


def _stereo(rig):
    return StereoCalibration(
        camera2_from_camera1=rig.camera2_from_camera1,
        reprojection_rms_px=0.1,
        epipolar_rms_px=0.1,
        sigma_rotation_deg={"convergence": 0.003, "across": 0.001, "twist": 0.002},
        sigma_translation_mm=(0.01, 0.01, 0.01),
        sigma_baseline_mm=0.01,
    )
