"""A calibrated rig, rigs that changed since by a known amount, and today's pairs of the board."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from synthetic import BOARD, Noise, observe_pair, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.drift.stored import StoredRig, stored_rig
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.geometry.rotation import exp_rotation, pair_axes
from rigcheck.model import BoardSpec, Calibration, Provenance, RigidTransform, StereoRig

TRUE_RIG = reference_rig()
NOISE = Noise(sigma_px=0.1)
DISTANCE_MM = 195.0
# Fewer corners, for statistics of many repeats.
SMALL_BOARD = BoardSpec(
    name="small",
    kind="charuco",
    squares=(6, 8),
    square_mm=13.5,
    marker_mm=10.0,
    dictionary="DICT_4X4_100",
)


@cache
def calibrated(board: BoardSpec = BOARD, cameras: int = 2, n_views: int = 24, seed: int = 0) -> Calibration:
    """The reference rig as `calibrate` stores it, from pairs with 0.1 px of noise."""
    pairs = observe_pair(
        TRUE_RIG, np.random.default_rng([71, seed]), n_views=n_views, noise=NOISE, board=board
    )
    models = (TRUE_RIG.camera1, TRUE_RIG.camera2)[:cameras]
    setups = [CameraSetup(name=m.name, image_size_px=m.image_size_px, frame_rate_hz=60.0) for m in models]
    views = [pair[:cameras] for pair in pairs]
    solution = solve([view for view in views if any(view)], board, setups, lenses=[LENSES["brown4"]])
    provenance = Provenance(
        created="2026-02-03T04:05:06+00:00", versions={}, inputs_sha256={}, options={}, command="calibrate"
    )
    return calibration_run(solution, provenance=provenance, working_distance_mm=DISTANCE_MM).calibration


def drawn(stored: StoredRig, rng: np.random.Generator) -> StoredRig:
    """Another calibration of the true rig: its values plus errors of the stored covariance."""
    cameras = (TRUE_RIG.camera1, TRUE_RIG.camera2)[: len(stored.models)]
    pose = TRUE_RIG.camera2_from_camera1
    true = replace(stored, intrinsics=tuple(intrinsics_vector(camera) for camera in cameras))
    if len(cameras) == 2:
        true = replace(true, rotation=pose.rotation, translation=pose.translation_mm)
    values, vectors = np.linalg.eigh(_scaled(stored.covariance)[0])
    error = vectors @ (np.sqrt(np.maximum(values, 0.0)) * rng.normal(size=len(values)))
    state = true.moved(error * _scaled(stored.covariance)[1])
    return replace(true, intrinsics=state.intrinsics, rotation=state.rotation, translation=state.translation)


def _scaled(covariance):
    unit = np.sqrt(np.diag(covariance))
    return covariance / np.outer(unit, unit), unit


@dataclass(frozen=True, kw_only=True)
class Changed:
    """What happened to the rig since: degrees, mm, shares or px; camera 2 turns about its own lens."""

    convergence_deg: float = 0.0
    across_deg: float = 0.0
    twist_deg: float = 0.0
    baseline_mm: float = 0.0
    focal: float = 0.0
    centre_px: tuple[float, float] = (0.0, 0.0)
    camera: int = 0

    @property
    def rig(self) -> StereoRig:
        """The true rig after it."""
        pose = TRUE_RIG.camera2_from_camera1
        axes = pair_axes(pose.rotation, pose.translation_mm).matrix
        turn = exp_rotation(-np.radians([self.convergence_deg, self.across_deg, self.twist_deg]) @ axes)
        t = turn @ pose.translation_mm
        t = t * (1.0 + self.baseline_mm / np.linalg.norm(t))
        cameras = [TRUE_RIG.camera1, TRUE_RIG.camera2]
        lens = cameras[self.camera]
        cameras[self.camera] = replace(
            lens,
            focal_px=tuple(f * (1.0 + self.focal) for f in lens.focal_px),
            principal_point_px=tuple(
                c + d for c, d in zip(lens.principal_point_px, self.centre_px, strict=True)
            ),
        )
        return StereoRig(
            camera1=cameras[0],
            camera2=cameras[1],
            camera2_from_camera1=RigidTransform(rotation=turn @ pose.rotation, translation_mm=t),
        )


def pairs_of(rig: StereoRig, rng, *, n_views=6, noise=NOISE, board=BOARD):
    """Today's pairs."""
    return observe_pair(rig, rng, n_views=n_views, noise=noise, board=board)


def stored(board: BoardSpec = BOARD, cameras: int = 2) -> StoredRig:
    """The stored rig of :func:`calibrated`."""
    return stored_rig(calibrated(board, cameras))
