"""Calibrations at both ends of a day, and which of them each take should use."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigcheck.drift.audit_events import level_threshold
from rigcheck.drift.audit_take import harm_of
from rigcheck.drift.common_part import CommonPart, SourcedCalibration, common_part
from rigcheck.drift.compare import compare_calibrations
from rigcheck.drift.compare_harm import Viewing
from rigcheck.drift.joint import joint_covariance
from rigcheck.geometry.face_volume import face_grid
from rigcheck.geometry.observable import moved_pair
from rigcheck.geometry.pair import sampson_of_rays
from rigcheck.geometry.projection import intrinsics_vector, project, unproject
from rigcheck.model import Calibration, Estimate, StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import (
    CalibrationsCompared,
    CalibrationUse,
    DayGeometry,
    TakeGeometry,
)

_ALARM = 0.01
_ROUNDS = 4
_STEP = 0.01
# No calibration knows a change better, degrees or mm: what is given as known for sure must not count as not known.
_LEAST = 1e-4
_SIGMAS = 2.0

__all__ = ["calibration_uses", "compare_ends"]


def compare_ends(
    start: SourcedCalibration,
    end: SourcedCalibration,
    takes: Sequence[TakeGeometry],
    *,
    viewing: Viewing,
    prior: SourcedCalibration | None = None,
) -> CalibrationsCompared:
    """Compare the calibration at the end of a day with that at its start, in the terms of takes.

    Parameters
    ----------
    start, end : SourcedCalibration
        Of the same pair.
    takes : sequence of TakeGeometry
        Measured with the start calibration; at least one: how errors of a calibration look in takes.
    viewing : Viewing
        With a working distance.
    prior : SourcedCalibration, optional
        The workshop calibration that both used.

    Returns
    -------
    CalibrationsCompared
        What the takes would show if the pair went from one calibration to the other; a change of lenses shows as
        the change of pose that looks most like it on the face.

    Raises
    ------
    ConfigError
        When they are not of the same cameras.
    ValueError
        Without takes, a pair or a working distance.
    """
    compared = compare_calibrations(start, end, prior=prior, viewing=viewing)
    distance_mm = viewing.working_distance_mm
    if not takes or compared.pose is None or distance_mm is None:
        raise ValueError("compare_ends: two pairs, a take and a working distance needed")
    common = common_part(start, SourcedCalibration(calibration=compared.second), prior=prior)
    change = _as_seen(start.calibration.rig, compared.second.rig, distance_mm, viewing.upright_deg)
    covariance = _covariance(start.calibration, compared.second, takes, common) + _LEAST**2 * np.eye(5)
    distance = float(change @ np.linalg.solve(covariance, change))
    threshold = level_threshold(len(change), false_alarms=_ALARM)
    return CalibrationsCompared(
        change=change,
        covariance=covariance,
        distance=distance,
        threshold=threshold,
        apart=distance > threshold,
        harm_mm=compared.harm.measurements["harm.depth_mm"],
        baseline_mm=compared.pose.stored["baseline_mm"],
    )


def _covariance(
    start: Calibration, end: Calibration, takes: Sequence[TakeGeometry], common: CommonPart
) -> FloatArray:
    """Of the end's change against the start's: an error of the end looks like one of the start, the other way."""
    joint = joint_covariance(start, end, common)
    by = np.mean([one.by_calibration for one in takes], axis=0)
    return joint.covariance(by, by)


def _as_seen(start: StereoRig, end: StereoRig, distance_mm: float, upright_deg: int) -> FloatArray:
    """Change (5,) that takes filmed with `end` show when they are read with `start`."""
    pose = end.camera2_from_camera1
    points = face_grid(
        pose.rotation, pose.translation_mm, working_distance_mm=distance_mm, upright_deg=upright_deg
    ).points_mm
    ends, starts = (end.camera1, end.camera2), (start.camera1, start.camera2)
    placed = (points, pose.apply(points))
    pixels = [project(at, intrinsics_vector(c), c.model) for at, c in zip(placed, ends, strict=True)]
    rays = [unproject(p, intrinsics_vector(c), c.model) for p, c in zip(pixels, starts, strict=True)]
    intrinsics = (intrinsics_vector(start.camera1), intrinsics_vector(start.camera2))
    seen = np.isfinite(np.hstack(rays)).all(axis=1)

    def off(change: FloatArray) -> FloatArray:
        at = moved_pair(start.camera2_from_camera1, change)
        return sampson_of_rays(
            rays[0][seen], rays[1][seen], intrinsics, rotation=at.rotation, translation=at.translation_mm
        ).distance_px

    change = np.zeros(5)
    for _ in range(_ROUNDS):
        steps = _STEP * np.eye(5)
        design = np.stack([(off(change + s) - off(change - s)) / (2 * _STEP) for s in steps], axis=1)
        change = change - np.linalg.lstsq(design, off(change), rcond=None)[0]
    return change


@dataclass(frozen=True, kw_only=True, eq=False)
class _Place:
    """Where the pair stands in a take: `own` without, `against_start` with the start calibration's errors."""

    take: str
    change: FloatArray
    own: FloatArray
    against_start: FloatArray


def calibration_uses(
    day: DayGeometry,
    takes: Sequence[TakeGeometry],
    *,
    tolerance_mm: float,
    ends: CalibrationsCompared | None = None,
) -> tuple[CalibrationUse, ...]:
    """Assign each take a calibration.

    Parameters
    ----------
    day : DayGeometry
    takes : sequence of TakeGeometry
        Those of the day.
    tolerance_mm : float
        Depth error over the face that is accepted.
    ends : CalibrationsCompared, optional
        Where there is a calibration at the end of the day.

    Returns
    -------
    tuple of CalibrationUse, one a take

    Notes
    -----
    The start calibration is kept as long as the takes do not show that it is off by more than the tolerance, nor that
    another clearly leaves less; else of those at hand (start, end, a point on the straight way between both) the one
    that may leave least. A point on the way counts only where it is told from either end by two sigma: a pair that
    stands as at the end gets the end's calibration and not 0.99 of it. A take that fits none needs a calibration with
    a known length: takes alone cannot tell the baseline.
    """
    depth = takes[0].depth_by_change
    calibrations = 0.0 if day.level is None else day.level.covariance - day.curve_covariance[0]
    out = []
    for number, name in enumerate(day.names):
        own = day.curve_covariance[number]
        place = _Place(take=name, change=day.curve[number], own=own, against_start=own + calibrations)
        candidates = _candidates(place, depth, ends)
        chosen = _kept(candidates, tolerance_mm)
        if _lower(chosen.harm_mm) > tolerance_mm:
            chosen = replace(chosen, use="recalibrate", share=None, because="no calibration at hand fits")
        out.append(chosen)
    return tuple(out)


def _candidates(place: _Place, depth: FloatArray, ends: CalibrationsCompared | None) -> list[CalibrationUse]:
    """Start first; the end and the way between only where the calibrations differ."""
    start = harm_of(depth, place.change, place.against_start)
    because = "the start calibration still holds"
    out = [CalibrationUse(take=place.take, use="start", share=None, harm_mm=start, because=because)]
    if ends is None or not ends.apart:
        return out
    total = place.own + ends.covariance
    end = harm_of(depth, place.change - ends.change, total)
    because = "the pair already stands as at the end of the day"
    out.append(CalibrationUse(take=place.take, use="end", share=None, harm_mm=end, because=because))
    weighted = np.linalg.solve(total, ends.change)
    length = float(weighted @ ends.change)
    share, sure = float(weighted @ place.change) / length, _SIGMAS / float(np.sqrt(length))
    if sure < share < 1.0 - sure:
        keep = np.eye(5) - np.outer(ends.change, weighted) / length
        rest = harm_of(depth, place.change - share * ends.change, keep @ total @ keep.T)
        because = "the pair is on its way from the start to the end of the day"
        out.append(CalibrationUse(take=place.take, use="between", share=share, harm_mm=rest, because=because))
    return out


def _kept(candidates: Sequence[CalibrationUse], tolerance_mm: float) -> CalibrationUse:
    """The start's unless it is shown to be off or another is clearly better; then what may leave least."""
    start, *others = candidates
    better = any(_upper(one.harm_mm) < _lower(start.harm_mm) for one in others)
    if _lower(start.harm_mm) <= tolerance_mm and not better:
        return start
    return min(candidates, key=lambda one: _upper(one.harm_mm))


def _lower(harm: Estimate) -> float:
    return float((harm.value or 0.0) - _SIGMAS * (harm.sigma or 0.0))


def _upper(harm: Estimate) -> float:
    return float((harm.value or 0.0) + _SIGMAS * (harm.sigma or 0.0))
