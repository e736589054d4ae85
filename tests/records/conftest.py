"""Values to write and read back, with numbers that are awkward on purpose."""

import numpy as np
import pytest

from rigcheck.model import (
    BoardMeasurement,
    BoardSpec,
    Calibration,
    CameraCalibration,
    CameraModel,
    CheckResult,
    EffectiveLimit,
    Estimate,
    FaceVolume,
    FrameRef,
    Provenance,
    Rejection,
    Report,
    RigidTransform,
    StereoCalibration,
)

BOARD_TEXT = """\
kind: charuco
squares: [9, 12]
square_mm: 9.0
marker_mm: 6.75
dictionary: DICT_5X5_100
layout: current
measured: {across_mm: 81.04, across_squares: 9, down_mm: 108.02, down_squares: 12, u_mm: 2e-2}
held_out_length_mm: 60.0
"""


def rotation(vector_rad):
    """Rotation matrix of a rotation vector, by Rodrigues' formula."""
    angle = np.linalg.norm(vector_rad)
    x, y, z = np.asarray(vector_rad) / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def camera(name, model="brown", distortion=(-0.1234567890123, 1e-5, 3e-4, -2.5e-4, 1 / 3)):
    return CameraCalibration(
        camera=CameraModel(
            name=name,
            image_size_px=(1080, 1440),
            model=model,
            focal_px=(1420.1 / 3, 1419.7),
            principal_point_px=(539.5000000001, 719.25),
            distortion=distortion,
        ),
        reprojection_rms_px=0.1234,
        sigma_focal_px=(0.31, 0.32),
        sigma_principal_point_px=(0.2, 1e-7),
        sigma_distortion=tuple(0.01 for _ in distortion),
        frame_rate_hz=60000 / 1001,
    )


@pytest.fixture
def provenance():
    return Provenance(
        created="2026-02-03T04:05:06+01:00",
        versions={"rigcheck": "0.1.0", "numpy": "2.4.6"},
        inputs_sha256={"clips/stella Ω.mov": "ab" * 32},
        options={"replace": False, "offset_frames": -2, "note": "1e-3", "rig": None, "list": [1, 2.5, "off"]},
        command="calibrate",
    )


@pytest.fixture
def board():
    return BoardSpec(
        name="board 9x12",
        kind="charuco",
        squares=(9, 12),
        square_mm=9.0,
        marker_mm=6.75,
        dictionary="DICT_5X5_100",
        layout="before_4_6",
        measured=BoardMeasurement(
            across_mm=81.04, across_squares=9, down_mm=108.02, down_squares=12, u_mm=0.02
        ),
        held_out_length_mm=60.0,
    )


@pytest.fixture
def calibration(provenance, board):
    factor = np.random.default_rng([1, 0]).normal(size=(4, 4)) * [1.0, 1e-3, 10.0, 1e-6]
    covariance = factor.T @ factor
    pose = RigidTransform(
        rotation=rotation([0.01, -0.36, 0.004]), translation_mm=np.array([-70.1, 0.3, 13.7])
    )
    return Calibration(
        created="2026-02-03T04:05:06+01:00",
        cameras=(camera("upper"), camera("lower", "fisheye", (0.1, -0.02, 1e-3, -1e-4))),
        stereo=StereoCalibration(
            camera2_from_camera1=pose,
            reprojection_rms_px=0.13,
            epipolar_rms_px=0.09,
            sigma_rotation_deg={"convergence": 0.003, "across": 0.001, "twist": 0.002},
            sigma_translation_mm=(0.01, 0.02, 0.03),
            sigma_baseline_mm=0.011,
        ),
        face_volume=FaceVolume(
            depth_mm=0.041,
            lateral_mm=0.012,
            working_distance_mm=200.0,
            map_x_mm=np.array([-65.0, 0.0, 65.0]),
            map_y_mm=np.array([-80.0, 80.0]),
            depth_map_mm=np.array([[0.05, 0.03, 0.05], [0.06, 0.04, 1 / 17]]),
        ),
        board=board,
        provenance=provenance,
        parameters=("upper.focal_x_px", "upper.focal_y_px", "lower.focal_x_px", "stereo.convergence_deg"),
        covariance=(covariance + covariance.T) / 2,
    )


@pytest.fixture
def single_calibration(calibration):
    values = vars(calibration) | {
        "cameras": calibration.cameras[:1],
        "stereo": None,
        "face_volume": None,
        "board": BoardSpec(name="plain", kind="checkerboard", squares=(10, 7), square_mm=8.0),
    }
    return Calibration(**values)


@pytest.fixture
def report(provenance):
    return Report(
        command="calibrate",
        verdict="caution",
        checks=(
            CheckResult(
                code="CAL01",
                title="Harm on the face",
                status="pass",
                estimate=Estimate(value=0.041, unit="mm", n=24),
                limit="≤ 0.1 mm",
                message="0.041 mm <b>in depth</b>",
                action="",
            ),
            CheckResult(
                code="CAL05",
                title="Views held out",
                status="skipped",
                estimate=Estimate(value=None, reason="too few views"),
                limit="≤ 1.2",
                message="not judged: too few views",
                action="film more",
                required=False,
            ),
        ),
        measurements={
            "stereo.baseline_mm": Estimate(value=71.4371828182845, sigma=0.0123, unit="mm", n=24),
            "board.scale_sigma": Estimate(value=None, reason="the print was not measured"),
        },
        rejected=(
            Rejection(
                ref=FrameRef(
                    camera="upper", frame_idx=7, origin="a.mov", time_s=0.11, timecode="00:00:00:07"
                ),
                code="blurred",
                sentence="The board moved.",
            ),
        ),
        limits=(
            EffectiveLimit(name="harm.depth_mm.caution", value=0.1, unit="mm", source="x", origin="default"),
        ),
        provenance=provenance,
        notes=("a note",),
    )
