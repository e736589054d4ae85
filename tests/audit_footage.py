"""A rendered performer's takes as folders, with faults planted in copies of a few rendered moments."""

from functools import lru_cache
from pathlib import Path

import numpy as np
from face_clips import calibration_of
from scipy.spatial.transform import Rotation

from rigcheck.demo.head_expression import jaw_open, neutral, smile
from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.demo.truth import named_axes
from rigcheck.model import Calibration
from rigcheck.opencv import cv2

SIZE_PX = (480, 640)
Pictures = list[list[np.ndarray]]


def rig():
    return head_rig(size_px=SIZE_PX)


def calibration() -> Calibration:
    """The rig as it truly is."""
    return calibration_of(rig())


@lru_cache(maxsize=3)
def moments(
    identity: int = 2, slip_mm: float = 0.0, pupils_mm: float | None = None
) -> tuple[tuple[np.ndarray, np.ndarray], ...]:
    """Three moments of a performer, both cameras, rendered once a process; the head slipped across in the helmet."""
    out = []
    for k, expression in enumerate((neutral(), jaw_open(0.3), smile())):
        scene = FaceScene(
            rig=rig(),
            performer=Performer(identity=identity, texture_seed=5, interpupillary_mm=pupils_mm),
            expression=expression,
            rig_from_head=head_pose(
                distance_mm=205.0, look_up_deg=10.0, across_mm=slip_mm, down_mm=-4.0 + 0.3 * k
            ),
            background_seed=None,
        )
        out.append(
            tuple(
                render_face(scene, c, rng=np.random.default_rng([71, identity, k, c])).image for c in (0, 1)
            )
        )
    return tuple(out)


def take(
    number: int,
    *,
    identity: int = 2,
    slip_mm: float = 0.0,
    pupils_mm: float | None = None,
    planted=None,
) -> Pictures:
    """Pictures of both cameras with noise of their own; `planted(picture, camera)` changes each."""
    rng = np.random.default_rng([72, number])
    out: Pictures = [[], []]
    for pair in moments(identity, slip_mm, pupils_mm):
        for camera, picture in enumerate(pair):
            changed = picture if planted is None else planted(picture, camera)
            noisy = changed + rng.normal(0.0, 1.0, picture.shape)
            out[camera].append(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    return out


def knocked(degrees: float, name: str = "convergence"):
    """Camera 2 turned about its own lens: its picture is resampled, exactly but for interpolation."""
    stereo = rig().stereo
    pose, camera = stereo.camera2_from_camera1, stereo.camera2
    axis = named_axes(pose.rotation, pose.translation_mm)[name]
    turn = Rotation.from_rotvec(axis * np.radians(degrees)).as_matrix()
    width, height = SIZE_PX
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).astype(np.float64)
    rays = cv2.undistortPoints(grid.reshape(-1, 1, 2), camera.K, np.array(camera.distortion)).reshape(-1, 2)
    turned = np.column_stack([rays, np.ones(len(rays))]) @ turn.T
    came, _ = cv2.projectPoints(
        turned.reshape(-1, 1, 3), np.zeros(3), np.zeros(3), camera.K, np.array(camera.distortion)
    )
    maps = came.reshape(height, width, 2).astype(np.float32)

    def planted(picture: np.ndarray, number: int) -> np.ndarray:
        if number == 0:
            return picture
        return cv2.remap(picture, maps, None, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)

    return planted


def write_take(folder: Path, pictures: Pictures, names=("upper", "lower")) -> Path:
    """One sub-folder a camera, lossless pictures."""
    for name, side in zip(names, pictures, strict=True):
        (folder / name).mkdir(parents=True)
        for k, picture in enumerate(side):
            (folder / name / f"{k:04d}.png").write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    return folder
