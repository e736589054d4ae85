"""All takes of a day together: the pair over the day, each take against the reference, the table of calibrations."""

from collections.abc import Mapping, Sequence
from datetime import datetime

import numpy as np

from rigcheck.checks.audit_words import BLIND
from rigcheck.drift.audit_calibrations import calibration_uses, compare_ends
from rigcheck.drift.audit_day import day_geometry
from rigcheck.drift.audit_length import baseline_from_eyes
from rigcheck.drift.audit_shift import shifts_of_day
from rigcheck.drift.common_part import SourcedCalibration
from rigcheck.drift.compare_harm import Viewing
from rigcheck.face.audit_changes import changes_of_day, reference_of
from rigcheck.geometry.own_shift import place_before_camera
from rigcheck.jobs.audit_inputs import ReadAudit
from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.jobs.beside import mounted_deg
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import CalibrationsCompared, CalibrationUse, DayGeometry, OwnShift, TakeGeometry
from rigcheck.model.take import AuditRun, TakeRecord

__all__ = ["run_of_day"]


def run_of_day(records: Sequence[TakeRecord], read: ReadAudit, *, tolerance_mm: float) -> AuditRun:
    """Put a day's records together.

    Parameters
    ----------
    records : sequence of TakeRecord
        In the order of the day.
    read : ReadAudit
    tolerance_mm : float
        Depth error on the face up to which a calibration serves a take.
    """
    measured = [record for record in records if record.geometry is not None]
    geometries = [record.geometry for record in measured if record.geometry is not None]
    approved = None if read.approved is None else read.approved.measurements
    day = None
    if geometries:
        day = day_geometry(geometries, calibration=read.calibration, times_h=_times_h(measured))
    shifts = _own_shifts(records, read, day)
    changes = changes_of_day(records, approved, shifts, _farther(day, geometries, _order(read)))
    for name, number in _offset_changes(records).items():
        changes.setdefault(name, {})["pair.time_offset_change_ms"] = number
    ends = _ends(read, geometries)
    first = reference_of(records, records[0].take.performer)
    reference = "the approved fitting" if approved is not None else "no take" if first is None else first.name
    known = None if read.record is None or read.record.approved is None else read.record.approved.looks
    eyes = baseline_from_eyes(
        [one.number("pair.interpupillary_mm") for one in measured], pupils=True
    ).population
    return AuditRun(
        records=tuple(records),
        changes=changes,
        reference=reference,
        day=day,
        day_reason=_reason(records),
        calibrated=read.calibration is not None and read.calibration.stereo is not None,
        ends=ends,
        uses=_uses(records, day, geometries, tolerance_mm, ends),
        numbers=_numbers(day, eyes),
        looks=() if known is None or read.record is None else read.record.looks.changed_from(known),
        notes=(*_notes(day, eyes), *_who_moved(records, shifts, changes)),
    )


def _reason(records: Sequence[TakeRecord]) -> str:
    """Why there is no geometry of the day: what most takes say."""
    reasons = [one.geometry_reason for one in records if one.geometry_reason]
    return max(reasons, key=reasons.count) if reasons else "no take could be read"


def _own_shifts(
    records: Sequence[TakeRecord], read: ReadAudit, day: DayGeometry | None
) -> tuple[OwnShift, ...]:
    """What the pair's changes did to either camera's picture, at the eyes; nothing where no take shows them."""
    first = reference_of(records, records[0].take.performer)
    if day is None or first is None or read.calibration is None or read.calibration.stereo is None:
        return ()
    offset = [first.number(f"framing.{read.cameras[0]}.eyes_offset_{axis}_px").value for axis in "xy"]
    turns = [0, 0] if read.rig is None else [one.mount_rotation_deg for one in read.rig.cameras]
    place = place_before_camera(
        read.calibration.rig,
        np.array([one or 0.0 for one in offset]),
        distance_mm=_order(read).working_distance_mm,
        turn_deg=turns[0],
    )
    return shifts_of_day(
        day,
        [one.name for one in records],
        read.calibration.rig,
        place,
        turns_deg=(turns[0], turns[1]),
        since_calibration=read.approved is not None,
    )


def _farther(
    day: DayGeometry | None, geometries: Sequence[TakeGeometry], order: TakeOrder
) -> dict[str, float]:
    """By what share of its distance a face reads farther in each take than in the first, because the pair changed."""
    if day is None:
        return {}
    return {
        one.name: float((one.depth_by_change @ change).mean()) / order.working_distance_mm
        for one, change in zip(geometries, day.from_first, strict=True)
    }


def _order(read: ReadAudit) -> TakeOrder:
    """The order of the first take: it knows the working distance."""
    return TakeOrder(take=read.takes[0], cameras=read.cameras, calibration=read.calibration, rig=read.rig)


def _times_h(measured: Sequence[TakeRecord]) -> FloatArray | None:
    """Hours from the first take on; None where not every take says when it was recorded, one after the other."""
    texts = [record.take.recorded for record in measured]
    if not all(texts):
        return None
    moments = [datetime.fromisoformat(text) for text in texts if text]
    hours = np.array([(one - moments[0]).total_seconds() / 3600.0 for one in moments])
    return hours if bool((np.diff(hours) > 0).all()) else None


def _ends(read: ReadAudit, geometries: Sequence[TakeGeometry]) -> CalibrationsCompared | None:
    if read.end is None or read.calibration is None or not geometries:
        return None
    upright = (
        read.rig.cameras[0].mount_rotation_deg if read.rig is not None else mounted_deg(read.calibration)
    )
    return compare_ends(
        SourcedCalibration(calibration=read.calibration),
        SourcedCalibration(calibration=read.end),
        geometries,
        viewing=Viewing(working_distance_mm=_order(read).working_distance_mm, upright_deg=upright or 0),
    )


def _uses(
    records: Sequence[TakeRecord],
    day: DayGeometry | None,
    geometries: Sequence[TakeGeometry],
    tolerance_mm: float,
    ends: CalibrationsCompared | None,
) -> tuple[CalibrationUse, ...]:
    """One a take; what could not be measured says so."""
    known = {}
    if day is not None:
        found = calibration_uses(day, geometries, tolerance_mm=tolerance_mm, ends=ends)
        known = {use.take: use for use in found}
    out = []
    for record in records:
        why = record.fault or record.geometry_reason or "not measured"
        nothing = CalibrationUse(
            take=record.name,
            use="not measured",
            share=None,
            harm_mm=Estimate(value=None, unit="mm", reason=why),
            because=why,
        )
        out.append(known.get(record.name, nothing))
    return tuple(out)


def _offset_changes(records: Sequence[TakeRecord]) -> dict[str, Estimate]:
    """Time between the cameras against the first take in which it was measured."""
    name = "pair.time_offset_ms"
    first = next((one.number(name) for one in records if one.number(name).value is not None), None)
    out = {}
    for record in records:
        now = record.number(name)
        if now.value is None or first is None or first.value is None:
            out[record.name] = Estimate(value=None, unit="ms", reason=now.reason or "never measured")
        elif now is first:
            out[record.name] = Estimate(value=0.0, unit="ms", n=now.n)
        else:
            sigma = float(np.hypot(now.sigma or 0.0, first.sigma or 0.0))
            out[record.name] = Estimate(value=now.value - first.value, sigma=sigma, unit="ms", n=now.n)
    return out


def _who_moved(
    records: Sequence[TakeRecord],
    shifts: Sequence[OwnShift],
    changes: Mapping[str, Mapping[str, Estimate]],
) -> list[str]:
    """Which camera made a change of the pair, where the face tells it."""
    out = []
    for shift in shifts:
        takes = [one for one in records if shift.share.get(one.name) == 1.0]
        for camera in records[0].cameras if len(shifts) == 1 else ():
            found = [changes.get(one.name, {}).get(f"slip.{camera}.own_mm") for one in takes]
            known = [one for one in found if one is not None and one.value is not None]
            if known:
                jump = f"the face jumped by {known[0].value:.1f} mm in its picture alone"
                out.append(f"Of the pair it was {camera} that moved, at {shift.at}: {jump}.")
    return out


def _numbers(day: DayGeometry | None, eyes: Estimate) -> dict[str, Estimate]:
    out = {"day.baseline_scale": eyes}
    if day is None:
        return out
    out["day.between_takes"] = Estimate(value=day.between, n=len(day.names))
    out["day.events"] = Estimate(value=float(len(day.events)), n=len(day.names))
    if day.level is not None:
        out["day.level_harm_mm"] = day.level.harm_mm
        out["day.level_distance"] = Estimate(value=day.level.distance, n=day.level.n_takes)
    for number, event in enumerate(day.events, start=1):
        out[f"day.event_{number:02d}.harm_mm"] = event.harm_mm
    return out | {f"day.seen.{name}": each for name, each in day.seen.items()}


def _notes(day: DayGeometry | None, eyes: Estimate) -> tuple[str, ...]:
    if day is None:
        return ()
    out = [BLIND]
    if eyes.value is not None and eyes.sigma is not None:
        out.append(
            f"By the distance between the pupils the baseline is {eyes.value:.2f} ± {eyes.sigma:.2f} times as long as "
            "calibrated: only a loose bound, since adults differ."
        )
    return tuple(out)
