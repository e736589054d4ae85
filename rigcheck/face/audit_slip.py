"""Helmet slip take by take: the head in the helmet, what a camera's own move did to its picture taken off."""

from collections.abc import Mapping, Sequence

import numpy as np

from rigcheck.face.framing_refit import refit_shifts
from rigcheck.geometry.honest_rms import honest_rms
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import OwnShift
from rigcheck.model.take import TakeRecord

NO_REFERENCE = "no earlier take to compare with"
_PARTS = (("across_mm", "mm"), ("down_mm", "mm"), ("roll_deg", "deg"))
# How much the seat of a worn helmet wanders from take to take at least, and how well it is found again, mm and deg:
# common practice. A jump is held by nothing.
_WANDER, _SEAT, _JUMP = np.array([0.4, 0.4, 0.3]), 2.0, 50.0
# A helmet mostly stays and now and then slips far: its jumps are as Student's t with this many degrees of freedom.
_TAIL = 3.0
_ROUNDS = 5
# By so much (chi-square) must one picture have stayed better than the other, as causes are told apart elsewhere.
_CLEARLY = 6.0

__all__ = ["NO_REFERENCE", "slip_of_day"]

_Slips = dict[str, dict[str, Estimate]]


def slip_of_day(
    records: Sequence[TakeRecord],
    references: Mapping[str, TakeRecord | None],
    approved: Mapping[str, Estimate] | None = None,
    shifts: Sequence[OwnShift] = (),
) -> _Slips:
    """Count each take's slip from the approved fitting, else from the performer's first good take.

    Parameters
    ----------
    records : sequence of TakeRecord
        In the order of the day, none with a fault.
    references : mapping of take to TakeRecord or None
    approved : mapping, optional
        Measurements of the approved fitting.
    shifts : sequence of OwnShift
        Of the pair's changes; empty where the pair stood or nothing is known of it.

    Returns
    -------
    dict
        Take to ``slip.<camera>.across_mm``, ``.down_mm``, ``.moved_mm``, ``.roll_deg``, ``.look_up_deg``,
        ``.size_ratio``; ``.own_mm`` is the camera's own shift that was taken off, ``.open_mm`` one of which it is open
        whether it is this camera's or the other's.

    Notes
    -----
    A head that moves in the helmet moves in both pictures, a knocked camera moves its own only. A pair's change does
    not tell which camera made it: each is tried, and the one is taken with which the face stayed clearly better where
    it was when the change came. Where that is open, the number lies in the middle of both readings and two sigmas
    reach over them. Not told: a slip that comes with a knock and undoes its shift in the knocked camera's picture, and
    what two cameras knocked at once have in common.
    """
    out: _Slips = {}
    for record in records:
        reference = references[record.name]
        base = approved if approved is not None else None if reference is None else reference.measurements
        out[record.name] = _as_pictured(record, base)
    if shifts and records:
        starts = [None if approved is not None else references[record.name] for record in records]
        _take_own_off(out, records, starts, shifts)
    for record in records:
        for camera in record.cameras:
            _add_length(out[record.name], camera)
    return out


def _as_pictured(record: TakeRecord, base: Mapping[str, Estimate] | None) -> dict[str, Estimate]:
    """Shifts in each camera's picture."""
    if base is None:
        nothing = Estimate(value=None, unit="mm", reason=NO_REFERENCE)
        return {f"slip.{camera}.moved_mm": nothing for camera in record.cameras}
    out: dict[str, Estimate] = {}
    for camera in record.cameras:
        shifts = refit_shifts(camera, record.measurements, base)
        out |= {name.replace("refit.", "slip.", 1): each for name, each in shifts.items()}
    return out


def _take_own_off(
    slips: _Slips,
    records: Sequence[TakeRecord],
    starts: Sequence[TakeRecord | None],
    shifts: Sequence[OwnShift],
) -> None:
    """Change the slips of both cameras by what the one that moved did to its picture."""
    cameras = records[0].cameras
    values = np.array([[_row(slips[one.name], camera) for camera in cameras] for one in records])
    come = np.array([_come(records, starts, shift) for shift in shifts])
    kinds = [None if start is None else start.name for start in starts]
    gone = [_jumps(values[:, k], come, kinds) for k in (0, 1)]
    for number, shift in enumerate(shifts):
        first, second = gone[0][number], gone[1][number]
        # The camera whose picture stayed did not move.
        moved = None if abs(first - second) < _CLEARLY else int(first < second)
        for record, share in zip(records, come[number], strict=True):
            if not np.isfinite(share) or share == 0.0:
                continue
            for k, camera in enumerate(cameras):
                if moved in (None, k):
                    _off(slips[record.name], record, camera, share, shift, k, sure=moved is not None)


def _row(slip: Mapping[str, Estimate], camera: str) -> list[float]:
    """Shift across, down and turn; NaN where not known."""
    known = [slip.get(f"slip.{camera}.{part}") for part, _ in _PARTS]
    return [np.nan if one is None or one.value is None else one.value for one in known]


def _come(records: Sequence[TakeRecord], starts: Sequence[TakeRecord | None], shift: OwnShift) -> list[float]:
    """Share of a change that lies between each take and what its slip is counted from; NaN where not known."""
    before = [0.0 if one is None else shift.share.get(one.name, np.nan) for one in starts]
    return [shift.share.get(one.name, np.nan) - start for one, start in zip(records, before, strict=True)]


def _jumps(values: FloatArray, come: FloatArray, kinds: Sequence[str | None]) -> FloatArray:
    """How unlikely (E,) the face jumped as it did in one camera's picture with each change of the pair, -2 log.

    Takes of one reference share its own seat; all else is the seat's wandering, as large as it is found and no smaller
    than usual.
    """
    n_events = len(come)
    seats = np.array([[kind == each for each in dict.fromkeys(kinds)] for kind in kinds], dtype=np.float64)
    known = np.asarray(np.isfinite(values).all(axis=1) & np.isfinite(come).all(axis=0))
    design = np.column_stack([np.where(known, come, 0.0).T, seats])[known]
    out = np.zeros(n_events)
    held = np.diag(np.array([_JUMP] * n_events + [_SEAT] * seats.shape[1]) ** -2.0)
    for part, wander in enumerate(_WANDER):
        seen, weights, scatter = values[known, part], np.ones(int(known.sum())), float(wander)
        for _ in range(_ROUNDS):
            # A take in which the helmet slipped far says little of the seat.
            weighted = design * (weights / scatter**2)[:, None]
            covariance = np.linalg.inv(weighted.T @ design + held)
            found = covariance @ weighted.T @ seen
            rest = seen - design @ found
            scatter = max(1.4826 * float(np.median(np.abs(rest))), float(wander)) if len(rest) else scatter
            weights = 1.0 / (1.0 + (rest / (2.0 * scatter)) ** 2)
        out += found[:n_events] ** 2 / np.diag(covariance)[:n_events]
    return np.asarray((_TAIL + len(_WANDER)) * np.log1p(out / _TAIL))


def _off(
    slip: dict[str, Estimate],
    record: TakeRecord,
    camera: str,
    share: float,
    shift: OwnShift,
    place: int,
    *,
    sure: bool,
) -> None:
    """Take a camera's own shift off; half of it, and sigma over both readings, where it may be the other's."""
    scale = record.number(f"framing.{camera}.px_per_mm").value
    if not scale:
        return
    by = share * np.array([1.0 / scale, 1.0 / scale, 1.0])
    own, sigma = shift.shift[place] * by, np.sqrt(np.diag(shift.covariance[place])) * np.abs(by)
    for (part, unit), moved, error in zip(_PARTS, own, sigma, strict=True):
        name = f"slip.{camera}.{part}"
        before = slip.get(name)
        if before is None or before.value is None:
            continue
        off, more = (moved, error) if sure else (moved / 2.0, float(np.hypot(error, moved / 4.0)))
        total = float(np.hypot(before.sigma or 0.0, more))
        slip[name] = Estimate(value=float(before.value - off), sigma=total, unit=unit, n=before.n)
    name = f"slip.{camera}.{'own' if sure else 'open'}_mm"
    already = slip[name].value or 0.0 if name in slip else 0.0
    size = float(np.hypot(already, np.hypot(*own[:2])))
    slip[name] = Estimate(value=size, sigma=float(np.hypot(*sigma[:2])), unit="mm", n=1)


def _add_length(slip: dict[str, Estimate], camera: str) -> None:
    """Length of a shift, what the errors of both parts alone would make of it taken off."""
    known = [slip.get(f"slip.{camera}.{part}") for part in ("across_mm", "down_mm")]
    across, down = known
    if across is None or down is None:
        return
    if across.value is None or down.value is None:
        nothing = Estimate(value=None, unit="mm", reason=across.reason or down.reason)
        slip[f"slip.{camera}.moved_mm"] = nothing
        return
    errors = np.diag([(across.sigma or 0.0) ** 2, (down.sigma or 0.0) ** 2])
    found = honest_rms(np.array([across.value, down.value]), errors)
    # The length of two parts is the root of two times their RMS.
    slip[f"slip.{camera}.moved_mm"] = Estimate(
        value=float(np.sqrt(2.0)) * found.value,
        sigma=float(np.sqrt(2.0)) * found.sigma,
        unit="mm",
        n=across.n,
    )
