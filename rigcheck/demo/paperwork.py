"""The demo's rig file, board file and truth as text."""

from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.model import BoardSpec, CameraModel, RigDescription
from rigcheck.records.board_file import board_format
from rigcheck.records.yaml_writing import yaml_text

if TYPE_CHECKING:
    from rigcheck.demo.clips import CalibrationShoot

__all__ = ["board_text", "rig_text", "truth_text"]

_CAMERA_KEYS = {"value_range": "range"}  # a field's name in the file, where it differs


def rig_text(rig: RigDescription) -> str:
    """Return the rig file."""
    cameras = [
        {_CAMERA_KEYS.get(name, name): value for name, value in vars(camera).items() if value is not None}
        for camera in rig.cameras
    ]
    content: dict[str, object] = {
        "name": rig.name,
        "cameras": cameras,
        "frame_rate": rig.frame_rate,
        "working_distance_mm": rig.working_distance_mm,
        "synchronised": rig.synchronised,
    }
    return yaml_text(content, heading="An invented rig, as its technician would describe it.")


def board_text(board: BoardSpec) -> str:
    """Return the board file."""
    return yaml_text(
        board_format(board).model_dump(exclude_none=True),
        heading="An invented board, its print measured with calipers.",
    )


def truth_text(shoot: "CalibrationShoot") -> str:
    """Return the truth that the clips were rendered from.

    Notes
    -----
    `board_poses` has a row a frame: frame, rotation vector (rad) and translation (mm) of the board seen from
    camera 1, at the middle of the exposure.
    """
    rig = shoot.day.truth
    stereo = rig.camera2_from_camera1
    rows = []
    for frame_idx in range(shoot.n_frames):
        pose = shoot.camera_from_board(1, shoot.middle_s(frame_idx))
        turn = Rotation.from_matrix(pose.rotation).as_rotvec()
        rows.append([frame_idx, *np.round(turn, 9).tolist(), *np.round(pose.translation_mm, 6).tolist()])
    content = {
        "format": "rigcheck-demo-truth",
        "version": 1,
        "seed": shoot.seed,
        "frame_rate": float(shoot.frame_rate),
        "n_frames": shoot.n_frames,
        "camera2_later_s": shoot.offset_s,
        "cameras": [_camera_entries(camera) for camera in (rig.camera1, rig.camera2)],
        "stereo": {
            "rotation": stereo.rotation.tolist(),
            "translation_mm": stereo.translation_mm.tolist(),
            "baseline_mm": rig.baseline_mm,
        },
        "board_pitch_mm": list(shoot.board.pitch_mm),
        "board_poses": rows,
    }
    return yaml_text(
        content, heading="What the demo's clips were rendered from; rigcheck never reads it back."
    )


def _camera_entries(camera: CameraModel) -> dict[str, object]:
    return {
        "name": camera.name,
        "image_size_px": list(camera.image_size_px),
        "model": camera.model,
        "focal_px": list(camera.focal_px),
        "principal_point_px": list(camera.principal_point_px),
        "distortion": list(camera.distortion),
    }
