"""What a hand does: how to move or turn the bar, or each camera, so that the nostril base comes to the centre."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from rigcheck.face.framing import CameraFraming
from rigcheck.face.framing_pose import ideal_points
from rigcheck.geometry.rotation import exp_rotation
from rigcheck.model import Estimate, RigidTransform, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["RigMoves", "rig_moves"]


@dataclass(frozen=True, kw_only=True, eq=False)
class RigMoves:
    """Ways to bring the nostril base to the centre of every picture.

    In the frame of camera 1's upright picture: x toward the performer's left, y down. `slide_mm` moves the whole bar,
    `turn_deg` turns it where it is instead: (toward the performer's left, down), each the best for all cameras
    together. `aim_deg` is how far each camera is to be turned after the slide, `after_slide_px` what is off in each
    picture until then.
    """

    slide_mm: FloatArray
    slide_sigma_mm: float
    turn_deg: FloatArray
    aim_deg: dict[str, FloatArray]
    after_slide_px: dict[str, FloatArray]

    def numbers(self) -> dict[str, Estimate]:
        """The moves as measurements of the rig and of each camera."""
        n = len(self.aim_deg)
        out = {
            f"framing.rig.slide_{axis}_mm": Estimate(
                value=float(self.slide_mm[k]), sigma=self.slide_sigma_mm, unit="mm", n=n
            )
            for k, axis in enumerate("xy")
        }
        for k, axis in enumerate("xy"):
            out[f"framing.rig.turn_{axis}_deg"] = Estimate(value=float(self.turn_deg[k]), unit="deg", n=n)
            for name, aim in self.aim_deg.items():
                out[f"framing.{name}.aim_{axis}_deg"] = Estimate(value=float(aim[k]), unit="deg", n=1)
        return out


@dataclass(frozen=True, kw_only=True, eq=False)
class _Eye:
    """One camera for the solution: its upright frame from camera 1's, focal length, and where the centre is (px)."""

    name: str
    upright_from_first: RigidTransform
    focal_px: float
    centre_px: FloatArray

    def off(self, point_mm: FloatArray) -> FloatArray:
        """How far a point in camera 1's upright frame is seen off the picture's centre, px."""
        seen = self.upright_from_first.apply(point_mm)
        return np.asarray(self.focal_px * seen[:2] / seen[2] - self.centre_px)


def rig_moves(
    framings: Sequence[CameraFraming], rig: StereoRig | None, base_mm: FloatArray | None
) -> RigMoves | None:
    """Solve for the motion of the bar that centres the nostril base.

    Parameters
    ----------
    framings : sequence of CameraFraming
        One calibrated camera, or two.
    rig : StereoRig, optional
        Needed for two.
    base_mm : (3,) float64, mm, optional
        Nostril base in camera 1's frame as recorded, triangulated; for one camera the fitted head's is taken.

    Returns
    -------
    RigMoves or None
        None without a calibration, or when the nostril base is not known.

    Notes
    -----
    The bar's distance is kept. Two cameras with toed-in axes that do not meet at the nostril base leave a remainder,
    which `aim_deg` takes up camera by camera; a camera turned against the other needs a new calibration.
    """
    first = framings[0]
    if any(framing.optics.camera is None for framing in framings) or (len(framings) == 2 and rig is None):
        return None
    base = _upright(base_mm, first) if base_mm is not None else None
    if base is None:
        if len(framings) > 1 or first.fit is None:
            return None
        base = first.fit.translation_mm
    eyes = _eyes(framings, rig)
    middle = np.mean([eye.upright_from_first.inverse().translation_mm for eye in eyes], axis=0)

    def slid(slide: FloatArray) -> FloatArray:
        return np.concatenate([eye.off(base - np.array([*slide, 0.0])) for eye in eyes])

    def turned(turn: FloatArray) -> FloatArray:
        # Toward the performer's left is about +y, down is about -x.
        rotation = exp_rotation(np.array([-turn[1], turn[0], 0.0]))
        return np.concatenate([eye.off(rotation.T @ (base - middle) + middle) for eye in eyes])

    slide = scipy.optimize.least_squares(slid, np.zeros(2)).x
    turn = scipy.optimize.least_squares(turned, np.zeros(2)).x
    left = {eye.name: eye.off(base - np.array([*slide, 0.0])) for eye in eyes}
    aims = {eye.name: np.degrees(np.arctan2(left[eye.name], eye.focal_px)) for eye in eyes}
    sigma = np.sqrt(np.mean(first.face.nostril_base_sigma_px**2)) * base[2] / eyes[0].focal_px
    return RigMoves(
        slide_mm=np.asarray(slide),
        slide_sigma_mm=float(sigma / np.sqrt(len(eyes))),
        turn_deg=np.degrees(turn),
        aim_deg=aims,
        after_slide_px=left,
    )


def _eyes(framings: Sequence[CameraFraming], rig: StereoRig | None) -> list[_Eye]:
    turns = [_turn(framing.optics.mount_rotation_deg) for framing in framings]
    poses = [RigidTransform(rotation=np.eye(3), translation_mm=np.zeros(3))]
    if rig is not None and len(framings) == 2:
        known = rig.camera2_from_camera1
        poses.append(
            RigidTransform(
                rotation=turns[1] @ known.rotation @ turns[0].T,
                translation_mm=turns[1] @ known.translation_mm,
            )
        )
    out = []
    for framing, pose in zip(framings, poses, strict=True):
        camera = framing.optics.camera
        focal = 1.0 if camera is None else float(np.mean(camera.focal_px))
        centre = ideal_points(framing.face.centre_px[None], framing.optics)[0]
        out.append(_Eye(name=framing.name, upright_from_first=pose, focal_px=focal, centre_px=centre))
    return out


def _turn(mount_rotation_deg: int) -> FloatArray:
    """Rotation of the upright frame from the recorded one: the picture is turned clockwise."""
    angle = np.radians(mount_rotation_deg)
    return np.asarray(exp_rotation(np.array([0.0, 0.0, angle])))


def _upright(point_mm: FloatArray, framing: CameraFraming) -> FloatArray:
    return np.asarray(_turn(framing.optics.mount_rotation_deg) @ point_mm)
