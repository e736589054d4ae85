"""Measuring one take, in a process of its own: open, sample, find the face, match, and keep the numbers."""

from collections.abc import Mapping, Sequence

from rigcheck.drift.audit_take import take_geometry
from rigcheck.errors import EstimationError, RigcheckError
from rigcheck.face.audit_look import contrast_cells, face_mask, skin_mask
from rigcheck.face.audit_skin import SkinSeen, skin_seen
from rigcheck.face.framing import CameraFraming, camera_framing
from rigcheck.face.framing_pair import face_lengths, looks_exchanged, pair_agreement
from rigcheck.geometry.spread import evenly
from rigcheck.geometry.upright import upright_size
from rigcheck.jobs.audit_board import board_in_take
from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.jobs.audit_picture import match_picture
from rigcheck.jobs.audit_sampling import sample_take
from rigcheck.jobs.audit_seen import CameraInTake, camera_numbers, look_at_camera, size_fault
from rigcheck.jobs.audit_timing import frame_faults, settings_of, start_timecodes, time_offset_of_take
from rigcheck.jobs.opened import OpenedFootage, open_footage_of
from rigcheck.matching import MaskedPair, PairMatcher
from rigcheck.model import Estimate, PatchMatches, StereoRig
from rigcheck.model.auditing import TakeGeometry
from rigcheck.model.take import TakeRecord

__all__ = ["WANTED", "measure_take"]

# Where both cameras' points disagree by more than this share of the eyes' distance, exchanged cameras are tried.
_TRY_EXCHANGED = 0.015
# Matches hoped for in a moment: as many in a take tell the steps that matter (tests/bench/bench_audit.py).
WANTED = 72
# Moments whose skin is compared between the cameras, as many as the limits were found with.
_SKIN_MOMENTS = 4
_NO_CALIBRATION = "no calibration was given"
_ONE_CAMERA = "one camera alone shows nothing of the pair"


def measure_take(order: TakeOrder) -> TakeRecord:
    """Measure one take; whatever is wrong with it becomes its fault.

    Parameters
    ----------
    order : TakeOrder

    Returns
    -------
    TakeRecord
    """
    take = order.take
    if take.fault:
        return TakeRecord(take=take, cameras=order.cameras, fault=take.fault, hint=take.hint)
    try:
        second = take.footage[1] if len(take.footage) > 1 else None
        return _measured(order, open_footage_of(order.cameras, take.footage[0], second, None))
    except RigcheckError as error:
        return TakeRecord(take=take, cameras=order.cameras, fault=error.message, hint=error.hint)


def _measured(order: TakeOrder, footage: OpenedFootage) -> TakeRecord:
    samples = sample_take(footage, None if order.calibration is None else order.calibration.board)
    seen = [look_at_camera(order, clip, samples, number) for number, clip in enumerate(footage.clips)]
    numbers: dict[str, Estimate] = frame_faults(footage, samples)
    for one in seen:
        numbers |= camera_numbers(order, one)
    numbers |= _pair_numbers(order, seen)
    reason = _why_no_geometry(order, footage, seen) or _why_exchanged(numbers)
    geometry: TakeGeometry | None = None
    picture, skin = b"", SkinSeen()
    if not reason and order.calibration is not None:
        rig = order.calibration.rig
        pairs = _both_seen(seen)
        matches = tuple(PairMatcher(rig, wanted=WANTED).match_moments(pairs))
        skin = _skin(seen, pairs, matches)
        numbers |= skin.numbers
        geometry, reason = _geometry(order, rig, matches, seen[0].turn_deg)
        numbers |= {} if geometry is None else geometry.measurements
        numbers["pair.time_offset_ms"] = time_offset_of_take(footage, samples, matches, rig)
        if order.pictures:
            picture = match_picture(seen, matches, rig)
    return TakeRecord(
        take=order.take,
        cameras=order.cameras,
        measurements=numbers,
        geometry=geometry,
        geometry_reason=reason,
        contrast={
            one.name: contrast_cells([shot.grey for shot in one.shots], [shot.face for shot in one.shots])
            for one in seen
        },
        apart=skin.cells,
        settings={clip.info.camera: settings_of(clip) for clip in footage.clips},
        timecodes=start_timecodes(footage),
        findings=_findings(footage, seen),
        board=board_in_take(order, samples.boards) if samples.boards else None,
        picture=picture,
    )


def _skin(
    seen: Sequence[CameraInTake], pairs: Sequence[MaskedPair], matches: Sequence[PatchMatches]
) -> SkinSeen:
    some = evenly(list(zip(pairs, matches, strict=True)), _SKIN_MOMENTS)
    return skin_seen(
        (seen[0].name, seen[1].name),
        [pair.images for pair, _ in some],
        [pair.masks[0] for pair, _ in some],
        [found for _, found in some],
    )


def _geometry(
    order: TakeOrder, rig: StereoRig, matches: Sequence[PatchMatches], upright_deg: int
) -> tuple[TakeGeometry | None, str]:
    """The pair's pose in a take, or why there is none."""
    try:
        found = take_geometry(
            order.take.name,
            matches,
            rig,
            working_distance_mm=order.working_distance_mm,
            upright_deg=upright_deg,
        )
    except EstimationError as error:
        return None, error.message.removeprefix(f"{order.take.name}: ")
    return found, ""


def _why_no_geometry(order: TakeOrder, footage: OpenedFootage, seen: Sequence[CameraInTake]) -> str:
    if len(seen) < 2:
        return _ONE_CAMERA
    if order.calibration is None:
        return _NO_CALIBRATION
    if order.calibration.stereo is None:
        return "the calibration is of one camera"
    for number, clip in enumerate(footage.clips):
        if fault := size_fault(order, clip, number):
            return fault
    both = sum(
        one.face is not None and two.face is not None
        for one, two in zip(seen[0].shots, seen[1].shots, strict=True)
    )
    return "" if both else "no moment looked at shows the face to both cameras"


def _why_exchanged(numbers: Mapping[str, Estimate]) -> str:
    """A take whose cameras are exchanged says nothing of the pair, and must not speak for the day."""
    if not looks_exchanged(numbers):
        return ""
    return "the cameras look exchanged: the face fits much better with the two files the other way round"


def _both_seen(seen: Sequence[CameraInTake]) -> tuple[MaskedPair, ...]:
    """Both pictures of each moment whose face both cameras see, with skin in the first and the face in the second."""
    return tuple(
        MaskedPair(images=(one.grey, two.grey), masks=(skin_mask(one.face), face_mask(two.face)))
        for one, two in zip(seen[0].shots, seen[1].shots, strict=True)
        if one.face is not None and two.face is not None
    )


def _pair_numbers(order: TakeOrder, seen: Sequence[CameraInTake]) -> dict[str, Estimate]:
    """Whether both cameras agree about one face, how long it is, and whether they would agree better exchanged."""
    framings = [one.framing for one in seen if one.framing is not None]
    if len(framings) != 2:
        return {}
    pair = order.calibration
    calibrated = pair is not None and pair.stereo is not None and all(one.optics.camera for one in seen)
    rig = pair.rig if calibrated and pair is not None else None
    out = pair_agreement(framings[0], framings[1], rig)
    share = out.get("epipolar_share")
    if rig is not None:
        out |= face_lengths(framings[0], framings[1], rig)
        if share is not None and share.value is not None and share.value > _TRY_EXCHANGED:
            exchanged = [_as_seen_by(framings[1], seen[0]), _as_seen_by(framings[0], seen[1])]
            if exchanged[0] is not None and exchanged[1] is not None:
                out["exchanged_share"] = pair_agreement(exchanged[0], exchanged[1], rig)["epipolar_share"]
    return {f"pair.{name}": number for name, number in out.items()}


def _as_seen_by(framing: CameraFraming, other: CameraInTake) -> CameraFraming | None:
    """The other camera's faces taken for this one's; None where the pictures differ in size."""
    optics = other.optics
    if upright_size(optics.image_size_px, optics.mount_rotation_deg) != framing.size_px:
        return None
    return camera_framing(other.name, framing.faces, optics)


def _findings(footage: OpenedFootage, seen: Sequence[CameraInTake]) -> tuple[str, ...]:
    out = [finding.sentence for finding in footage.findings]
    out += [finding.sentence for one in seen for finding in one.faces.findings]
    out += [
        f"{one.name}: no face found; {one.faces.rejected[0].sentence}"
        for one in seen
        if not one.faces.faces and one.faces.rejected
    ]
    return tuple(dict.fromkeys(out))
