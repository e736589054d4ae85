"""Everything measured of a fitting: what the checks judge and the report draws."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.framing import CameraFraming, camera_framing, face_at_rest
from rigcheck.face.framing_chin import Opening
from rigcheck.face.framing_cover import Cover, fixed_before_face
from rigcheck.face.framing_detail import mouth_detail, sureness
from rigcheck.face.framing_moves import RigMoves, rig_moves
from rigcheck.face.framing_pair import face_lengths, nostril_base_mm, pair_agreement
from rigcheck.face.framing_points import UprightFace, upright_face
from rigcheck.face.framing_pose import Optics
from rigcheck.face.framing_refit import refit_shifts
from rigcheck.face.framing_slip import helmet_slip
from rigcheck.model import (
    Calibration,
    CameraDescription,
    Estimate,
    FaceLandmarks,
    Finding,
    PerformerLooks,
    Rejection,
    Report,
    StereoRig,
)

__all__ = ["CameraSeen", "FittingRun", "camera_optics", "fitting_run"]

_USUAL_DISTANCE_MM = 200.0
# How surely a working distance is known: written in the rig file; or only that helmets stand at 150 to 250 mm.
_WRITTEN, _USUAL = 0.15, 0.25
_TRIANGULATED = 0.02


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraSeen:
    """What was seen by one camera: its faces in the order of time, and small upright pictures of the same moments.

    `looked` counts the pictures looked at, with or without a face; `turned_deg` is by how much further than the
    mounting says they had to be turned; `opening` is where the mouth opens widest, None where it does not.
    """

    optics: Optics
    name: str
    faces: tuple[FaceLandmarks, ...]
    pictures: tuple[NDArray[np.float32], ...] = ()
    looked: int = 0
    turned_deg: int = 0
    findings: tuple[Finding, ...] = ()
    opening: Opening | None = None

    @property
    def turn_deg(self) -> int:
        """Clockwise turn that makes the pictures as recorded upright."""
        return (self.optics.mount_rotation_deg + self.turned_deg) % 360


@dataclass(frozen=True, kw_only=True, eq=False)
class FittingRun:
    """A fitting's measurements with what is drawn of them.

    `measurements` are named as in result.json. `covers` are by camera. `pictures` holds the upright picture shown of
    each camera (grey), empty when none may be shown.
    """

    cameras: tuple[CameraFraming, ...]
    covers: Mapping[str, Cover]
    moves: RigMoves | None
    measurements: Mapping[str, Estimate]
    calibrated: bool
    looks: PerformerLooks = field(default_factory=PerformerLooks)
    approved_looks: PerformerLooks | None = None
    approved: str | None = None
    rejected: tuple[Rejection, ...] = ()
    notes: tuple[str, ...] = ()
    pictures: Mapping[str, NDArray[np.uint8]] = field(default_factory=dict)

    def number(self, camera: str, quantity: str) -> Estimate:
        """A camera's measurement; one without a value when it was not made."""
        name = f"framing.{camera}.{quantity}"
        return self.measurements.get(name) or Estimate(value=None, reason=f"{name} was not measured")


def camera_optics(
    image_size_px: tuple[int, int],
    described: CameraDescription | None,
    *,
    calibration: Calibration | None = None,
    camera_idx: int = 0,
    working_distance_mm: float | None = None,
) -> Optics:
    """Put together what calibration and rig file say of one camera."""
    focal = None
    if described is not None and described.focal_length_mm and described.pixel_pitch_um:
        focal = described.focal_length_mm * 1000.0 / described.pixel_pitch_um
    return Optics(
        image_size_px=image_size_px,
        mount_rotation_deg=0 if described is None else described.mount_rotation_deg,
        camera=None if calibration is None else calibration.cameras[camera_idx].camera,
        focal_px=focal,
        focal_sigma=0.05,
        distance_mm=working_distance_mm or _USUAL_DISTANCE_MM,
        distance_sigma=_USUAL if working_distance_mm is None else _WRITTEN,
    )


def fitting_run(
    seen: Sequence[CameraSeen],
    *,
    rig: StereoRig | None = None,
    approved: Report | None = None,
    rejected: Sequence[Rejection] = (),
) -> FittingRun:
    """Measure a fitting from the faces of one camera, or two.

    Parameters
    ----------
    seen : sequence of CameraSeen
        Each with at least one face.
    rig : StereoRig, optional
        The calibrated pair; single cameras carry their calibration in their optics.
    approved : Report, optional
        Of an approved fitting with the same camera names.
    rejected : sequence of Rejection
        Pictures without a face.

    Returns
    -------
    FittingRun
        Without looks and pictures of the report, which the caller adds.
    """
    faces = [tuple(upright_face(face, one.turn_deg) for face in one.faces) for one in seen]
    optics, base = [one.optics for one in seen], None
    if rig is not None and len(seen) == 2:
        base = nostril_base_mm([face_at_rest(each) for each in faces], optics, rig)
        optics = _at_distance(optics, rig, base)
    framings = [
        camera_framing(one.name, each, its, one.opening)
        for one, each, its in zip(seen, faces, optics, strict=True)
    ]
    covers = {one.name: fixed_before_face(each, one.pictures) for one, each in zip(seen, faces, strict=True)}
    moves = rig_moves(framings, rig, base)
    measurements: dict[str, Estimate] = {}
    for one, each, framing in zip(seen, faces, framings, strict=True):
        measurements |= _camera_numbers(one, each, framing, covers[one.name])
    if len(framings) == 2:
        pair = pair_agreement(framings[0], framings[1], rig)
        if rig is not None:
            pair |= face_lengths(framings[0], framings[1], rig)
        measurements |= {f"framing.pair.{name}": number for name, number in pair.items()}
    if moves is not None:
        measurements |= moves.numbers()
    if approved is not None:
        for framing in framings:
            measurements |= refit_shifts(framing.name, measurements, approved.measurements)
    return FittingRun(
        cameras=tuple(framings),
        covers=covers,
        moves=moves,
        measurements=measurements,
        calibrated=all(one.optics.camera is not None for one in seen),
        approved=None if approved is None else approved.provenance.created,
        rejected=tuple(rejected),
        notes=tuple(dict.fromkeys(finding.sentence for one in seen for finding in one.findings)),
    )


def _at_distance(optics: Sequence[Optics], rig: StereoRig, base_mm: np.ndarray | None) -> list[Optics]:
    """Optics with the distance of the nostril base as triangulated."""
    if base_mm is None:
        return list(optics)
    distances = [base_mm[2], rig.camera2_from_camera1.apply(base_mm)[2]]
    return [
        Optics(
            image_size_px=each.image_size_px,
            mount_rotation_deg=each.mount_rotation_deg,
            camera=each.camera,
            distance_mm=float(distance),
            distance_sigma=_TRIANGULATED,
        )
        for each, distance in zip(optics, distances, strict=True)
    ]


def _camera_numbers(
    one: CameraSeen, faces: Sequence[UprightFace], framing: CameraFraming, cover: Cover
) -> dict[str, Estimate]:
    slip = helmet_slip(framing.faces)
    scale = framing.numbers["px_per_mm"]
    numbers = dict(framing.numbers)
    numbers |= {"slip_px": slip.slip_px, "slip_turn_deg": slip.turn_deg, "covered_share": cover.share}
    if slip.slip_px.value is not None and scale.value:
        numbers["slip_mm"] = Estimate(
            value=slip.slip_px.value / scale.value,
            sigma=(slip.slip_px.sigma or 0.0) / scale.value,
            unit="mm",
            n=slip.slip_px.n,
        )
    numbers |= {"mouth_detail": mouth_detail(faces, one.pictures), "sureness": sureness(faces)}
    width, height = framing.size_px
    shut = sum(any(each.code.startswith("eyes_") for each in face.findings) for face in one.faces)
    unclear = sum(any(each.code == "mouth_unclear" for each in face.findings) for face in one.faces)
    numbers["eyes_shut_share"] = Estimate(value=shut / len(one.faces), n=len(one.faces))
    numbers["mouth_unclear_share"] = Estimate(value=unclear / len(one.faces), n=len(one.faces))
    numbers |= {
        "width_px": Estimate(value=float(width), unit="px", n=len(faces)),
        "height_px": Estimate(value=float(height), unit="px", n=len(faces)),
    }
    numbers["seen_share"] = Estimate(value=len(one.faces) / max(one.looked, len(one.faces)), n=one.looked)
    numbers["turned_deg"] = Estimate(value=float(one.turned_deg), unit="deg", n=len(one.faces))
    if framing.widest is not None and scale.value:
        opening = framing.widest.mouth_gap * framing.widest.eye_distance_px / scale.value
        numbers["opening_mm"] = Estimate(
            value=opening, sigma=opening * (scale.sigma or 0.0) / scale.value, unit="mm", n=1
        )
    return {f"framing.{one.name}.{name}": number for name, number in numbers.items()}
