"""A helmet's cameras before the performer's face, and where the face is."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.demo.optics import Lens
from rigcheck.demo.scenario import compose
from rigcheck.model import CameraModel, RigidTransform, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["HeadRig", "head_pose", "head_rig"]

_PITCH_UM = 3.45
_WIDTH_PX, _FOCAL_PX = 1080, 1420.0


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadRig:
    """Cameras of one helmet, one or two.

    The rig frame stands midway between the cameras: z towards the face, y down, x to the performer's left.
    `mount_rotation_deg` is how far each picture as recorded must be turned clockwise to stand upright.
    """

    cameras: tuple[CameraModel, ...]
    camera_from_rig: tuple[RigidTransform, ...]
    lenses: tuple[Lens, ...]
    mount_rotation_deg: tuple[int, ...]

    @property
    def stereo(self) -> StereoRig:
        """The pair as the solver speaks of it; ValueError for one camera."""
        if len(self.cameras) != 2:
            raise ValueError(f"rig: {len(self.cameras)} camera found, 2 needed")
        return StereoRig(
            camera1=self.cameras[0],
            camera2=self.cameras[1],
            camera2_from_camera1=compose(self.camera_from_rig[1], self.camera_from_rig[0].inverse()),
        )


def head_rig(
    *,
    size_px: tuple[int, int] = (1080, 1440),
    baseline_mm: float = 72.0,
    distance_mm: float = 195.0,
    side_by_side: bool = False,
    mount_rotation_deg: tuple[int, ...] = (0, 0),
    f_number: float = 4.0,
) -> HeadRig:
    """Build a pair (or a single camera) whose axes meet at a distance.

    Parameters
    ----------
    size_px : (width, height)
        Of the pictures turned upright; focal lengths scale with the width, so that the field stays.
    baseline_mm : float
    distance_mm : float
        Along the rig's z at which the axes meet; 150 to 250 on a helmet. Focus is set there.
    side_by_side : bool
        Otherwise one above the other, camera 1 above.
    mount_rotation_deg : tuple of 0, 90, 180 or 270
        One number a camera; a single one builds a rig of one camera in the middle.
    f_number : float
    """
    scale = size_px[0] / _WIDTH_PX
    count = len(mount_rotation_deg)
    sides = (0.0,) if count == 1 else (-1.0, 1.0)
    along = np.array([1.0, 0.0, 0.0]) if side_by_side else np.array([0.0, 1.0, 0.0])
    names = ("front",) if count == 1 else (("first", "second") if side_by_side else ("upper", "lower"))
    cameras, poses, lenses = [], [], []
    for side, name, mount in zip(sides, names, mount_rotation_deg, strict=True):
        centre = along * side * baseline_mm / 2
        toe_in = np.arctan2(side * baseline_mm / 2, distance_mm)
        axis = np.array([0.0, -toe_in, 0.0]) if side_by_side else np.array([toe_in, 0.0, 0.0])
        upright = Rotation.from_rotvec(axis).as_matrix().T
        rotation = _mounted(mount) @ upright
        cameras.append(_camera(name, size_px, mount, scale))
        poses.append(RigidTransform(rotation=rotation, translation_mm=-rotation @ centre))
        away = float(np.hypot(baseline_mm / 2 * side, distance_mm))
        lenses.append(_lens(away, f_number, scale))
    return HeadRig(
        cameras=tuple(cameras),
        camera_from_rig=tuple(poses),
        lenses=tuple(lenses),
        mount_rotation_deg=tuple(mount_rotation_deg),
    )


def _mounted(mount_deg: int) -> FloatArray:
    """Turn of the camera's axes when its picture must be turned clockwise by so much to stand upright."""
    quarter = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}
    if mount_deg not in quarter:
        raise ValueError(f"mount_rotation_deg: {mount_deg} found, 0, 90, 180 or 270 needed")
    cos, sin = quarter[mount_deg]
    return np.array([[cos, sin, 0.0], [-sin, cos, 0.0], [0.0, 0.0, 1.0]])


def _camera(name: str, size_px: tuple[int, int], mount: int, scale: float) -> CameraModel:
    size = size_px if mount % 180 == 0 else (size_px[1], size_px[0])
    focal = _FOCAL_PX * scale
    off = (3.2 * scale, -4.1 * scale) if name in ("upper", "first") else (-2.4 * scale, 5.3 * scale)
    return CameraModel(
        name=name,
        image_size_px=size,
        model="brown",
        focal_px=(focal, focal * 1.0001),
        principal_point_px=((size[0] - 1) / 2 + off[0], (size[1] - 1) / 2 + off[1]),
        distortion=(-0.12, 0.06, 2e-4, -3e-4, -0.004),
    )


def _lens(focused_at_mm: float, f_number: float, scale: float) -> Lens:
    principal = _FOCAL_PX * _PITCH_UM / 1000
    return Lens(
        focal_length_mm=1 / (1 / principal + 1 / focused_at_mm),
        f_number=f_number,
        focused_at_mm=focused_at_mm,
        pixel_pitch_um=_PITCH_UM / scale,
        sharpest_px=0.45,
    )


def head_pose(
    *,
    distance_mm: float = 195.0,
    across_mm: float = 0.0,
    down_mm: float = 0.0,
    look_up_deg: float = 8.0,
    yaw_deg: float = 0.0,
    roll_deg: float = 0.0,
) -> RigidTransform:
    """`rig_from_head` for a face whose nostril base stands at (across, down, distance) in the rig.

    Parameters
    ----------
    distance_mm, across_mm, down_mm : float
        Of the nostril base, rig frame.
    look_up_deg : float
        How far the rig's axis looks up at the face, against the horizontal of the skull.
    yaw_deg : float
        Face turned towards its own left.
    roll_deg : float
        Face turned clockwise as the cameras see it.
    """
    turn = Rotation.from_euler("ZXY", [roll_deg, -look_up_deg, -yaw_deg], degrees=True)
    return RigidTransform(
        rotation=turn.as_matrix(), translation_mm=np.array([across_mm, down_mm, distance_mm])
    )
