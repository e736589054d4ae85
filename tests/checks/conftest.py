"""Evidence that passes every check, and the means to plant a fault in it."""

import dataclasses

import numpy as np
import pytest

from rigcheck.checks import Limits, effective_limits
from rigcheck.model import (
    BoardSpec,
    Calibration,
    CalibrationRun,
    CameraCalibration,
    CameraModel,
    Estimate,
    FaceVolume,
    FitSummary,
    Provenance,
    RigidTransform,
    StereoCalibration,
    ViewResult,
)

CAMERAS = ("upper", "lower")

PAIR_MEASUREMENTS = {
    "stereo.harm_depth_mm": Estimate(value=0.046, unit="mm"),
    "stereo.epipolar_rms_px": Estimate(value=0.09, unit="px"),
    "stereo.leave_out_ratio": Estimate(value=1.05),
    "stereo.baseline_mm": Estimate(value=72.0, sigma=0.012, unit="mm"),
    "stereo.pairs": Estimate(value=24.0),
    "stereo.time_offset_ms": Estimate(value=0.02, sigma=0.01, unit="ms", n=100),
    "stereo.frame_shift": Estimate(value=0.0, n=100),
    "stereo.offset_frames": Estimate(value=0.0, n=100),
    "stereo.free_running": Estimate(value=0.0),
    "board.scale_sigma": Estimate(value=0.0002),
    "stereo.together_ratio": Estimate(value=1.03, n=24),
    "stereo.noise_alone_px": Estimate(value=0.09, unit="px", n=24),
    "stereo.better_shift": Estimate(value=0.0, n=24),
    "stereo.axes_meet_mm": Estimate(value=198.0, unit="mm", n=24),
    "prior.baseline_turned_deg": Estimate(value=0.2, unit="deg", n=24),
    "prior.exchanged_turned_deg": Estimate(value=158.8, unit="deg", n=24),
}
CAMERA_MEASUREMENTS = {
    "harm_depth_mm": Estimate(value=0.05, unit="mm"),
    "rms_px": Estimate(value=0.14, unit="px"),
    "held_out_ratio": Estimate(value=1.04),
    "coverage": Estimate(value=0.85),
    "tilt_spread_deg": Estimate(value=19.0, unit="deg"),
    "outlier_share": Estimate(value=0.01),
    "mapping_sigma_px": Estimate(value=0.05, unit="px"),
    "leave_out_ratio": Estimate(value=1.05),
    "focus_depth_mm": Estimate(value=203.0, sigma=1.0, unit="mm"),
    "focus_from_face_mm": Estimate(value=3.0, sigma=1.0, unit="mm"),
    "face_depth_mm": Estimate(value=200.0, unit="mm"),
    "face_depth_covered": Estimate(value=0.9, sigma=0.02),
    "usable_near_mm": Estimate(value=168.0, sigma=2.0, unit="mm"),
    "usable_far_mm": Estimate(value=248.0, sigma=3.0, unit="mm"),
    "focus_from_lens_data_mm": Estimate(value=4.0, sigma=1.0, unit="mm"),
    "lens_focus_depth_mm": Estimate(value=199.0, unit="mm"),
    "mtf50_cy_px": Estimate(value=0.28, sigma=0.01, unit="cy/px"),
    "mtf50_evenness": Estimate(value=0.9, sigma=0.03),
    "bias_ratio": Estimate(value=0.01, sigma=0.02, n=800),
    "local_noise_px": Estimate(value=0.1, sigma=0.002, unit="px"),
    "focal_ratio": Estimate(value=1.0003, sigma=0.0001),
    "pixel_aspect_error": Estimate(value=0.0003, sigma=0.0001),
    "fields_apart_px": Estimate(value=0.002, sigma=0.001, unit="px", n=24),
    "stated_interlaced": Estimate(value=0.0, n=24),
    "wander_px": Estimate(value=0.2, sigma=0.3, unit="px", n=24),
    "wander_ratio": Estimate(value=1.02, sigma=0.11, n=24),
    "wander_share": Estimate(value=0.001, n=24),
    "pattern_px": Estimate(value=0.004, sigma=0.003, unit="px"),
    "pattern_ratio": Estimate(value=1.05, sigma=0.13),
    "pattern_worst_px": Estimate(value=0.07, sigma=0.01, unit="px"),
    "pattern_worst_x_px": Estimate(value=100.0, unit="px"),
    "pattern_worst_y_px": Estimate(value=1300.0, unit="px"),
}
RUN_MEASUREMENTS = {
    "board.size_ratio": Estimate(value=0.99, n=24),
    "board.size_factor": Estimate(value=1.01, n=24),
    "board.flatness_mm": Estimate(value=0.01, sigma=0.002, unit="mm"),
    "board.known_length_mm": Estimate(value=110.0, sigma=0.01, unit="mm", n=1),
    "board.length_from_pitch_mm": Estimate(value=110.01, sigma=0.01, unit="mm", n=1),
    "board.length_error": Estimate(value=0.0001, sigma=0.0001),
    "clip.drift_depth_mm": Estimate(value=0.02, sigma=0.01, unit="mm"),
    "clip.drift_ratio": Estimate(value=1.1, sigma=0.32),
    "clip.duration_s": Estimate(value=60.0, unit="s"),
    "prior.chi_square": Estimate(value=8.0, n=8),
    "prior.largest_shift.upper.focal_x_px": Estimate(value=1.0, unit="sigma"),
}


def _camera(name):
    return CameraCalibration(
        camera=CameraModel(
            name=name,
            image_size_px=(1080, 1440),
            model="brown",
            focal_px=(1400.0, 1400.0),
            principal_point_px=(539.5, 719.5),
            distortion=(-0.1, 0.01),
        ),
        reprojection_rms_px=0.14,
        sigma_focal_px=(0.3, 0.3),
        sigma_principal_point_px=(0.3, 0.3),
        sigma_distortion=(0.01, 0.01),
        frame_rate_hz=60.0,
    )


def _view(distance_mm):
    pose = RigidTransform(rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, distance_mm]))
    return ViewResult(view_idx=0, sides=(), camera1_from_board=pose, tilt_deg=30.0, distance_mm=distance_mm)


def _calibration(cameras):
    pair = len(cameras) == 2
    pose = RigidTransform(rotation=np.eye(3), translation_mm=np.array([-72.0, 0.0, 0.0]))
    return Calibration(
        created="2026-02-03T04:05:06+00:00",
        cameras=tuple(_camera(name) for name in cameras),
        stereo=StereoCalibration(
            camera2_from_camera1=pose,
            reprojection_rms_px=0.14,
            epipolar_rms_px=0.09,
            sigma_rotation_deg={"convergence": 0.003, "across": 0.001, "twist": 0.002},
            sigma_translation_mm=(0.01, 0.01, 0.01),
            sigma_baseline_mm=0.012,
        )
        if pair
        else None,
        face_volume=FaceVolume(depth_mm=0.046, lateral_mm=0.01, working_distance_mm=200.0) if pair else None,
        board=BoardSpec(name="b", kind="checkerboard", squares=(10, 7), square_mm=8.0),
        provenance=Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate"),
        parameters=(),
        covariance=np.zeros((0, 0)),
    )


def _run(cameras):
    measurements = {f"{name}.{key}": found for name in cameras for key, found in CAMERA_MEASUREMENTS.items()}
    measurements |= RUN_MEASUREMENTS
    return CalibrationRun(
        calibration=_calibration(cameras),
        views=tuple(_view(distance) for distance in (150.0, 200.0, 240.0)),
        rejected=(),
        model_scores=(),
        fit=FitSummary(
            status="converged",
            message="gradient is zero",
            iterations=12,
            initial_cost=100.0,
            final_cost=1.0,
            n_points=2000,
            n_parameters=160,
            rms_px=0.14,
            noise_px=0.1,
            condition_number=1e5,
            downweighted=20,
        ),
        measurements=measurements | (PAIR_MEASUREMENTS if len(cameras) == 2 else {}),
        leave_out_sigma={},
        coverage_maps={name: np.ones((12, 9), dtype=np.int64) for name in cameras},
    )


@pytest.fixture
def pair_run():
    return _run(CAMERAS)


@pytest.fixture
def single_run():
    return _run(CAMERAS[:1])


@pytest.fixture
def limits():
    return Limits(effective_limits())


@pytest.fixture
def planted():
    """Return a copy of a run with some measurements or fields replaced; None takes a measurement away."""

    def plant(run, measurements=None, **fields):
        merged = run.measurements | {
            name: found if isinstance(found, Estimate) or found is None else Estimate(value=found)
            for name, found in (measurements or {}).items()
        }
        kept = {name: found for name, found in merged.items() if found is not None}
        return dataclasses.replace(run, measurements=kept, **fields)

    return plant
