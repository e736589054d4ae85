"""A known rig and the corners it would see: projected by OpenCV: no mistake shared."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigcheck.model import BoardSpec, CameraModel, FrameRef, Observation, RigidTransform, StereoRig

FloatArray = NDArray[np.float64]

# The handbook's reference board and rig: 9 x 12 squares of 9 mm at 150-235 mm, f 1420 px, baseline 72 mm,
# convergence 21 deg.
BOARD = BoardSpec(
    name="reference",
    kind="charuco",
    squares=(9, 12),
    square_mm=9.0,
    marker_mm=6.75,
    dictionary="DICT_4X4_100",
)
SIZE = (1080, 1440)


def rodrigues(vector) -> FloatArray:
    return cv2.Rodrigues(np.asarray(vector, dtype=np.float64))[0]


def reference_rig(*, convergence_deg: float = 21.0, baseline_mm: float = 72.0) -> StereoRig:
    """Stacked toed-in pair: camera 2 stands below camera 1 (camera 1's +y) and looks up."""
    camera1 = CameraModel(
        name="upper",
        image_size_px=SIZE,
        model="brown",
        focal_px=(1420.0, 1420.8),
        principal_point_px=(536.2, 724.9),
        distortion=(-0.12, 0.09, 4e-4, -3e-4),
    )
    camera2 = CameraModel(
        name="lower",
        image_size_px=SIZE,
        model="brown",
        focal_px=(1411.3, 1411.9),
        principal_point_px=(543.8, 712.4),
        distortion=(-0.11, 0.08, -3e-4, 5e-4),
    )
    half = np.radians(convergence_deg) / 2
    # World y down; both look at +z, each turned half the convergence towards the middle.
    camera1_from_world, camera2_from_world = rodrigues([half, 0.01, 0.004]), rodrigues([-half, -0.006, 0.008])
    # A camera placed above (negative y) must look down: rotating the points by +half about x moves them up.
    rotation = camera2_from_world @ camera1_from_world.T
    centre1, centre2 = np.array([0, -baseline_mm / 2, 0]), np.array([0.3, baseline_mm / 2, 0.5])
    centre2 = centre1 + (centre2 - centre1) / np.linalg.norm(centre2 - centre1) * baseline_mm
    translation = -camera2_from_world @ (centre2 - centre1)
    return StereoRig(
        camera1=camera1,
        camera2=camera2,
        camera2_from_camera1=RigidTransform(rotation=rotation, translation_mm=translation),
    )


def opencv_project(camera: CameraModel, points: FloatArray) -> FloatArray:
    # OpenCV takes 4, 5 or 8 coefficients; the missing ones are zero.
    distortion = np.array([*camera.distortion, *[0.0] * (4 - len(camera.distortion))])
    zero = np.zeros(3)
    if camera.model == "fisheye":
        return cv2.fisheye.projectPoints(points.reshape(-1, 1, 3), zero, zero, camera.K, distortion)[
            0
        ].reshape(-1, 2)
    return cv2.projectPoints(points.reshape(-1, 1, 3), zero, zero, camera.K, distortion)[0].reshape(-1, 2)


def board_poses(
    rng: np.random.Generator, n: int, *, tilt_deg: float = 40.0, board: BoardSpec = BOARD
) -> list[RigidTransform]:
    """camera1_from_board of hand-held poses: tilted up to `tilt_deg`, 150-235 mm away."""
    centre = board.corners_mm.mean(0)
    poses = []
    for _ in range(n):
        direction = rng.uniform(0, 2 * np.pi)
        tilt = np.radians(tilt_deg) * np.sqrt(rng.uniform(0.1, 1.0))
        rotation = rodrigues([tilt * np.cos(direction), tilt * np.sin(direction), 0]) @ rodrigues(
            [0, 0, rng.normal(0, 0.15)]
        )
        z = rng.uniform(150, 235)
        middle = np.array([rng.uniform(-0.13, 0.13) * z, rng.uniform(-0.18, 0.18) * z + 0.18 * z, z])
        poses.append(RigidTransform(rotation=rotation, translation_mm=middle - rotation @ centre))
    return poses


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Corner errors: white sigma, share of gross outliers, sigma of an error smooth over each view."""

    sigma_px: float = 0.05
    outlier_share: float = 0.0
    smooth_px: float = 0.0


def observe(
    camera: CameraModel,
    points_mm: FloatArray,
    camera_from_board: RigidTransform,
    rng: np.random.Generator,
    *,
    noise: Noise,
    frame_idx: int,
) -> Observation | None:
    """Corners of one view inside the picture, with noise; None when fewer than 12 are inside."""
    seen = camera_from_board.apply(points_mm)
    pixels = opencv_project(camera, seen)
    width, height = camera.image_size_px
    inside = (pixels > 4).all(1) & (pixels < np.array([width - 5, height - 5])).all(1) & (seen[:, 2] > 50)
    if inside.sum() < 12:
        return None
    ids, pixels = np.flatnonzero(inside), pixels[inside]
    pixels = pixels + rng.normal(0, noise.sigma_px, pixels.shape)
    if noise.smooth_px:
        normal = (pixels - np.array([width, height]) / 2) / np.array([width, height]).max()
        x, y = normal.T
        basis = np.stack([np.ones_like(x), 2 * x, 2 * y, 4 * x * y, 4 * x * x, 4 * y * y], axis=1)
        pixels = pixels + basis @ rng.normal(0, noise.smooth_px, (6, 2))
    if noise.outlier_share:
        bad = rng.uniform(size=len(pixels)) < noise.outlier_share
        pixels[bad] += rng.uniform(-20, 20, (int(bad.sum()), 2))
    return Observation(
        ref=FrameRef(camera=camera.name, frame_idx=frame_idx, origin="synthetic"),
        corner_ids=ids,
        corners_px=pixels,
        sigma_px=np.full(len(ids), max(noise.sigma_px, 0.01)),
    )


def observe_pair(
    rig: StereoRig,
    rng: np.random.Generator,
    *,
    n_views: int,
    noise: Noise,
    tilt_deg: float = 40.0,
    board: BoardSpec = BOARD,
) -> list[tuple[Observation | None, Observation | None]]:
    """Pairs of observations of hand-held poses."""
    pairs = []
    for view, pose in enumerate(board_poses(rng, n_views, tilt_deg=tilt_deg, board=board)):
        second = RigidTransform(
            rotation=rig.camera2_from_camera1.rotation @ pose.rotation,
            translation_mm=rig.camera2_from_camera1.apply(pose.translation_mm),
        )
        pairs.append(
            (
                observe(rig.camera1, board.corners_mm, pose, rng, noise=noise, frame_idx=view),
                observe(rig.camera2, board.corners_mm, second, rng, noise=noise, frame_idx=view),
            )
        )
    return pairs
