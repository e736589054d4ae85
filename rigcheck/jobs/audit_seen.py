"""One camera's part of a take: its faces, and every number that needs no other camera."""

from dataclasses import dataclass
from threading import local

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.audit_look import sharpness_of_take, skin_code
from rigcheck.face.exposure_light import light_curve
from rigcheck.face.exposure_moment import exposure_moment
from rigcheck.face.exposure_run import CameraExposed, exposure_run
from rigcheck.face.fitting_run import camera_optics
from rigcheck.face.framing import CameraFraming, camera_framing
from rigcheck.face.framing_points import upright_face
from rigcheck.face.framing_pose import Optics
from rigcheck.footage import Clip
from rigcheck.geometry.spread import evenly
from rigcheck.geometry.upright import upright_size
from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.jobs.audit_sampling import Samples
from rigcheck.jobs.opened import landmark_looks
from rigcheck.landmarks import FaceClip, FaceFinder, Looks, find_faces
from rigcheck.model import CameraDescription, Estimate, FaceLandmarks, Frame

# Pictures of a take whose light and sharpness are measured.
_LOOKED = 3
# Light that is followed over the day.
_LIGHT = ("blown_share", "blown_worst_share", "shadow_noise_stops", "side_ratio_stops", "skin_stops")

__all__ = ["CameraInTake", "Shot", "camera_numbers", "look_at_camera", "size_fault"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """One picture: as recorded, as 8 bit grey, and its face (None where none was found)."""

    frame: Frame
    grey: NDArray[np.uint8]
    face: FaceLandmarks | None


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraInTake:
    """What one camera saw. `framing` is None where no face stands as the mounting says."""

    name: str
    optics: Optics
    described: CameraDescription | None
    shots: tuple[Shot, ...]
    faces: FaceClip
    framing: CameraFraming | None

    @property
    def turn_deg(self) -> int:
        """By how much its pictures are turned clockwise to show the face upright."""
        return (self.optics.mount_rotation_deg + self.faces.turned_deg) % 360


def size_fault(order: TakeOrder, clip: Clip, number: int) -> str:
    """Why the calibration does not fit a camera's pictures; empty where it does, or there is none."""
    if order.calibration is None:
        return ""
    size, needed = clip.info.size_px, order.calibration.cameras[number].camera.image_size_px
    if size == needed:
        return ""
    return f"{clip.info.camera} recorded {size[0]} × {size[1]} px, the calibration is for {needed[0]} × {needed[1]} px"


def look_at_camera(order: TakeOrder, clip: Clip, samples: Samples, number: int) -> CameraInTake:
    """Find the faces of one camera's samples and measure how they sit in the frame."""
    described = None if order.rig is None else order.rig.cameras[number]
    optics = camera_optics(
        clip.info.size_px,
        described,
        calibration=None if size_fault(order, clip, number) else order.calibration,
        camera_idx=number,
        working_distance_mm=order.working_distance_mm,
    )
    frames = [moment[number] for moment in samples.moments]
    faces = find_faces(
        frames,
        _finder(landmark_looks(order.looks, described)),
        mount_rotation_deg=optics.mount_rotation_deg,
        dots_once=True,
    )
    by_index = {face.ref.frame_idx: face for face in faces.faces}
    framing = None
    if faces.faces and not faces.turned_deg:
        upright = [upright_face(face, optics.mount_rotation_deg) for face in faces.faces]
        framing = camera_framing(clip.info.camera, upright, optics)
    return CameraInTake(
        name=clip.info.camera,
        optics=optics,
        described=described,
        shots=tuple(
            Shot(frame=frame, grey=frame.grey8(), face=by_index.get(frame.ref.frame_idx)) for frame in frames
        ),
        faces=faces,
        framing=framing,
    )


class _Loaded(local):
    """Each thread's own finders by the looks they were made for: networks are loaded once, not once a take."""

    def __init__(self) -> None:
        self.finders: dict[Looks, FaceFinder] = {}


_loaded = _Loaded()


def _finder(looks: Looks) -> FaceFinder:
    if looks not in _loaded.finders:
        _loaded.finders[looks] = FaceFinder(looks)
    return _loaded.finders[looks]


def camera_numbers(order: TakeOrder, one: CameraInTake) -> dict[str, Estimate]:
    """Framing, sharpness and light of one camera, by their full names."""
    n, found = len(one.shots), len(one.faces.faces)
    out = {f"framing.{one.name}.seen_share": Estimate(value=found / max(n, 1), n=n)}
    if one.framing is not None:
        width, height = upright_size(one.optics.image_size_px, one.optics.mount_rotation_deg)
        sizes = {
            "width_px": Estimate(value=float(width), unit="px", n=n),
            "height_px": Estimate(value=float(height), unit="px", n=n),
        }
        out |= {f"framing.{one.name}.{name}": each for name, each in (one.framing.numbers | sizes).items()}
    with_face = evenly([(shot, shot.face) for shot in one.shots if shot.face is not None], _LOOKED)
    sharp = sharpness_of_take([shot.grey for shot, _ in with_face], [face for _, face in with_face])
    out |= {f"focus.{one.name}.{region}": each for region, each in sharp.items()}
    return out | _light(order, one, with_face)


def _light(
    order: TakeOrder, one: CameraInTake, with_face: list[tuple[Shot, FaceLandmarks]]
) -> dict[str, Estimate]:
    if not with_face:
        return {}
    curve = light_curve(one.described, bit_depth=with_face[0][0].frame.bit_depth)
    moments = tuple(
        exposure_moment(
            shot.frame,
            face,
            curve,
            facial_hair=bool(order.looks.facial_hair),
            hair_over_brows=bool(order.looks.hair_over_brows),
        )
        for shot, face in with_face
    )
    # Brightness alone was read: a trend needs no colour, and colour costs twice the decoding.
    run = exposure_run([CameraExposed(name=one.name, curve=curve, moments=moments, colour_unseen=True)])
    names = {f"exposure.{one.name}.{quantity}" for quantity in _LIGHT}
    kept = {name: each for name, each in run.measurements.items() if name in names}
    return kept | {f"exposure.{one.name}.skin_code": skin_code(moments)}
