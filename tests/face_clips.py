"""Rendered clips of an invented performer who talks, for tests of fitting; faults are planted in the pictures."""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from rigcheck.demo.head_expression import Expression, blended, brows_raised, jaw_open, neutral, smile
from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_rig import HeadRig, head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.model import (
    BoardSpec,
    Calibration,
    CameraCalibration,
    Provenance,
    StereoCalibration,
)
from rigcheck.opencv import cv2

SIZE_PX = (360, 480)


@dataclass(frozen=True, kw_only=True, eq=False)
class Clip:
    """Pictures of each camera, (H, W) uint8, the rig they were taken with, and the truth of the first."""

    rig: HeadRig
    pictures: tuple[list[np.ndarray], ...]
    truths: tuple[dict[str, np.ndarray], ...]


def talking(count: int) -> list[Expression]:
    """A performer at rest, then talking, smiling, raising the brows, and opening the mouth wide once."""
    at_rest, out = neutral(), []
    for k in range(count):
        t = k / max(count - 1, 1)
        if t < 0.25 or t > 0.92:
            out.append(at_rest)
        elif t < 0.55:
            out.append(blended(at_rest, jaw_open(0.35), abs(np.sin(11 * t))))
        elif t < 0.7:
            out.append(blended(smile(), brows_raised(), (t - 0.55) / 0.15))
        else:
            out.append(jaw_open(float(np.sin(np.pi * (t - 0.7) / 0.22))))
    return out


def render_clip(count: int = 20, *, cameras: int = 2, expressions=None, performer=None, **pose) -> Clip:
    """Render a clip; `pose` is what `head_pose` takes. The head nods by a fraction of a millimetre."""
    rig = head_rig(size_px=SIZE_PX)
    pictures: tuple[list, ...] = tuple([] for _ in range(cameras))
    truths = []
    at = {"distance_mm": 205.0, "look_up_deg": 10.0, "down_mm": -4.0} | pose
    for k, expression in enumerate(expressions or talking(count)):
        turned = at | {
            "down_mm": at["down_mm"] + 0.25 * np.sin(1.3 * k),
            "across_mm": at.get("across_mm", 0.0) + 0.2 * np.cos(k),
        }
        scene = FaceScene(
            rig=rig,
            performer=performer or Performer(identity=2, texture_seed=5),
            expression=expression,
            rig_from_head=head_pose(**turned),
            background_seed=None,
        )
        for camera in range(cameras):
            picture = render_face(scene, camera, rng=np.random.default_rng([61, k, camera]))
            pictures[camera].append(picture.image)
            if k == 0:
                truths.append(picture.truth.points_px)
    return Clip(rig=rig, pictures=pictures, truths=tuple(truths))


def write_pictures(folder: Path, pictures) -> Path:
    folder.mkdir(parents=True)
    for k, picture in enumerate(pictures):
        (folder / f"{k:04d}.png").write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    return folder


def shifted(picture: np.ndarray, across_px: float, down_px: float) -> np.ndarray:
    """The picture's content moved, edges repeated."""
    move = np.array([[1.0, 0.0, across_px], [0.0, 1.0, down_px]])
    return cv2.warpAffine(picture, move, picture.shape[::-1], borderMode=cv2.BORDER_REPLICATE)


def rolled(picture: np.ndarray, clockwise_deg: float) -> np.ndarray:
    """The picture's content turned about its centre."""
    centre = ((picture.shape[1] - 1) / 2, (picture.shape[0] - 1) / 2)
    turn = cv2.getRotationMatrix2D(centre, -clockwise_deg, 1.0)
    return cv2.warpAffine(picture, turn, picture.shape[::-1], borderMode=cv2.BORDER_REPLICATE)


def smaller(picture: np.ndarray, factor: float) -> np.ndarray:
    """The picture's content as from further away."""
    centre = ((picture.shape[1] - 1) / 2, (picture.shape[0] - 1) / 2)
    scale = cv2.getRotationMatrix2D(centre, 0.0, factor)
    return cv2.warpAffine(
        picture,
        scale,
        picture.shape[::-1],
        flags=cv2.INTER_AREA,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=8,
    )


def with_bar(picture: np.ndarray, start, end, width_px: int) -> np.ndarray:
    """A dark bar, out of focus, over the picture: a boom fixed to the camera."""
    mask = np.zeros(picture.shape, np.uint8)
    cv2.line(mask, start, end, 255, width_px, cv2.LINE_AA)
    cover = cv2.GaussianBlur(mask, (0, 0), 1.5).astype(np.float32) / 255
    return np.rint(picture * (1 - cover) + 12.0 * cover).astype(np.uint8)


def calibration_of(rig: HeadRig) -> Calibration:
    """A calibration file's content for the rig as it truly is."""
    provenance = Provenance(
        created="2026-02-03T04:05:06+01:00", versions={}, inputs_sha256={}, options={}, command="calibrate"
    )
    entries = tuple(
        CameraCalibration(
            camera=camera,
            reprojection_rms_px=0.1,
            sigma_focal_px=(0.3, 0.3),
            sigma_principal_point_px=(0.3, 0.3),
            sigma_distortion=tuple(0.001 for _ in camera.distortion),
            frame_rate_hz=None,
        )
        for camera in rig.cameras
    )
    stereo = None
    if len(rig.cameras) == 2:
        stereo = StereoCalibration(
            camera2_from_camera1=rig.stereo.camera2_from_camera1,
            reprojection_rms_px=0.1,
            epipolar_rms_px=0.1,
            sigma_rotation_deg={"convergence": 0.003, "across": 0.001, "twist": 0.002},
            sigma_translation_mm=(0.01, 0.01, 0.02),
            sigma_baseline_mm=0.01,
        )
    return Calibration(
        created=provenance.created,
        cameras=entries,
        stereo=stereo,
        face_volume=None,
        board=BoardSpec(name="b", kind="checkerboard", squares=(9, 12), square_mm=9.0),
        provenance=provenance,
        parameters=("upper.focal_x_px",),
        covariance=np.eye(1),
    )


@lru_cache(maxsize=1)
def talking_clip() -> Clip:
    """The clip that most tests use; rendered once a process."""
    return render_clip(14)
