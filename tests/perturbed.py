"""Calibrations that are off by a chosen or a random error, without solving anew."""

from dataclasses import replace
from functools import cache

import numpy as np
from synthetic import BOARD, Noise, observe_pair, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.geometry.rotation import exp_rotation
from rigcheck.model import BoardMeasurement, Calibration, Provenance, RigidTransform

RIG = reference_rig()
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (RIG.camera1, RIG.camera2)]
MEASURED = replace(
    BOARD,
    measured=BoardMeasurement(across_mm=81.0, across_squares=9, down_mm=108.0, down_squares=12, u_mm=0.02),
)
TERMS = ("focal_x_px", "focal_y_px", "centre_x_px", "centre_y_px", "k1", "k2", "p1", "p2")


def provenance(created="2026-01-05T08:00:00+00:00", **options):
    return Provenance(created=created, versions={}, inputs_sha256={}, options=options, command="calibrate")


@cache
def solved(seed: int, *, n_views: int = 24, sigma_px: float = 0.05, measured: bool = False) -> Calibration:
    """Solve from simulated corners; `measured` gives the print's scale a sigma."""
    board = MEASURED if measured else BOARD
    pairs = observe_pair(
        RIG, np.random.default_rng([71, seed]), n_views=n_views, noise=Noise(sigma_px=sigma_px)
    )
    solution = solve(pairs, board, SETUPS, lenses=[LENSES["brown4"]])
    return calibration_run(
        solution,
        provenance=provenance(created=f"2026-01-{5 + seed % 20:02d}T08:00:00+00:00"),
        working_distance_mm=195.0,
    ).calibration


def moved(calibration: Calibration, error, *, created: str = "2026-01-06T08:00:00+00:00") -> Calibration:
    """Add an error, in the order of the stored parameters."""
    by_name = dict(zip(calibration.parameters, error, strict=True))
    cameras = []
    for entry in calibration.cameras:
        camera = entry.camera
        change = [by_name[f"{camera.name}.{term}"] for term in TERMS]
        cameras.append(
            replace(
                entry,
                camera=replace(
                    camera,
                    focal_px=tuple(np.add(camera.focal_px, change[:2])),
                    principal_point_px=tuple(np.add(camera.principal_point_px, change[2:4])),
                    distortion=tuple(np.add(camera.distortion, change[4:])),
                ),
            )
        )
    pose = calibration.stereo.camera2_from_camera1
    turn = [by_name[f"stereo.turn_{axis}_rad"] for axis in "xyz"]
    shift = [by_name[f"stereo.translation_{axis}_mm"] for axis in "xyz"]
    now = RigidTransform(
        rotation=exp_rotation(turn) @ pose.rotation, translation_mm=pose.translation_mm + np.array(shift)
    )
    return replace(
        calibration,
        created=created,
        cameras=tuple(cameras),
        stereo=replace(calibration.stereo, camera2_from_camera1=now),
        provenance=replace(calibration.provenance, created=created),
    )


def changed(calibration: Calibration, **changes: float) -> Calibration:
    """Change single stored parameters: ``upper__centre_x_px=3.0``."""
    error = np.zeros(len(calibration.parameters))
    for name, value in changes.items():
        error[calibration.parameters.index(name.replace("__", "."))] = value
    return moved(calibration, error)


def drawn(rng: np.random.Generator, covariance) -> np.ndarray:
    """Draw one error with this covariance (semidefinite allowed)."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    return scale * (vectors @ (np.sqrt(np.maximum(values, 0.0)) * rng.normal(size=len(values))))
