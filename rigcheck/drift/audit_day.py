"""A day of takes: where the pair stood when it began, and what happened to it on the way."""

from collections.abc import Sequence

import numpy as np
import scipy

from rigcheck.drift.audit_events import Found, find_events, level_threshold, sure_range
from rigcheck.drift.audit_scan import crossing
from rigcheck.drift.audit_take import harm_of
from rigcheck.drift.rig_columns import rig_selector
from rigcheck.model import Calibration, Estimate
from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import DayEvent, DayGeometry, DayLevel, TakeGeometry

# Untouched days with an alarm shall be at most one in a hundred. The scatter between takes is itself estimated from the
# day, which trebles the rarest alarms of twenty takes (tests/bench/bench_audit.py): hence less than the rest of it.
_ALARMS_LEVEL, _ALARMS_EVENTS = 0.003, 0.003
_FEWEST_FOR_EVENTS = 3
# Of the steps from take to take the quietest share tells the scatter, so that knocks do not.
_QUIET = 0.75
# Weight, in steps, of the belief that a take's own residuals tell its smooth error.
_BELIEVED = 3.0
_MOST_BETWEEN = 25.0
_UNUSUAL = 6.0
_POWER = 0.95

__all__ = ["day_geometry"]


def day_geometry(
    takes: Sequence[TakeGeometry],
    *,
    calibration: Calibration | None = None,
    times_h: FloatArray | None = None,
) -> DayGeometry:
    """Tell what happened to the pair over a day.

    Parameters
    ----------
    takes : sequence of TakeGeometry
        In the order of the day, at least one.
    calibration : Calibration, optional
        The one the takes were read with: its covariance says how far the day's level may lie from it.
    times_h : (N,) float64, optional
        Ascending, hours; the number of the take where not known.

    Returns
    -------
    DayGeometry

    Notes
    -----
    The smooth error of the matches has a part that all takes share (same skin, same lamps) and a part that differs;
    how much differs is estimated from the steps from take to take. How much is shared cannot be: the level is allowed
    the whole of it, what happened during the day none.

    Raises
    ------
    ValueError
        Without takes, or with times that do not ascend.
    """
    if not takes:
        raise ValueError("day_geometry: no take found, 1 needed")
    times = np.arange(len(takes), dtype=np.float64) if times_h is None else _apart(times_h, len(takes))
    values = np.stack([one.change for one in takes])
    white, smooth = np.stack([one.white for one in takes]), _pooled_smooth(takes)
    between = _between(values, white, smooth)
    own = white + between * smooth
    few = len(takes) < _FEWEST_FOR_EVENTS
    found = find_events(values, own, times, false_alarms=None if few else _ALARMS_EVENTS)
    common = smooth.mean(axis=0)
    level = None if calibration is None else _level(takes, found, common, calibration)
    from_first, from_first_covariance = _from_first(found, len(takes))
    return DayGeometry(
        names=tuple(one.name for one in takes),
        level=level,
        events=tuple(_event(found, number, takes) for number in range(len(found.shapes))),
        taken=values,
        taken_covariance=own,
        curve=found.curve,
        curve_covariance=found.curve_covariance + common,
        from_first=from_first,
        from_first_covariance=from_first_covariance,
        harm_mm=_harms(takes, found.curve, found.curve_covariance + common),
        harm_from_first_mm=_harms(takes, from_first, from_first_covariance),
        threshold=found.needed[0],
        between=between,
        seen=_seen(own, found.needed[0], takes),
    )


def _harms(
    takes: Sequence[TakeGeometry], changes: FloatArray, covariances: FloatArray
) -> tuple[Estimate, ...]:
    """Depth error over the face of each take."""
    return tuple(
        harm_of(take.depth_by_change, change, covariance, n=take.n_matches)
        for take, change, covariance in zip(takes, changes, covariances, strict=True)
    )


def _apart(times_h: FloatArray, n: int) -> FloatArray:
    times = np.asarray(times_h, dtype=np.float64)
    if times.shape != (n,) or not (np.diff(times) > 0).all():
        raise ValueError(f"day_geometry: times that ascend needed, one for each of {n} takes")
    return times


def _pooled_smooth(takes: Sequence[TakeGeometry]) -> FloatArray:
    """Each take's smooth part with the day's usual amplitude, better known than its own; the larger where it is above.

    An amplitude far above the day's says that the take's matches are bad, and the take shall then weigh little.
    """
    usual = float(np.median([one.smooth_px**2 for one in takes]))
    most = _UNUSUAL * usual
    return np.stack(
        [one.smooth * (usual / one.smooth_px**2 if one.smooth_px**2 < most else 1.0) for one in takes]
    )


def _between(values: FloatArray, white: FloatArray, smooth: FloatArray) -> float:
    """Share of the smooth error that differs from take to take, from the quiet steps between neighbours."""
    steps = np.diff(values, axis=0)
    if len(steps) < 2:
        return 1.0
    noise, wander = white[1:] + white[:-1], smooth[1:] + smooth[:-1]
    dims = int(values.shape[1])
    most = float(scipy.special.chdtri(dims, 1.0 - _QUIET))
    expected = dims * float(scipy.special.chdtr(dims + 2, most)) / _QUIET
    kept = max(round(_QUIET * len(steps)), 1)

    def excess(share: float) -> float:
        solved = np.linalg.solve(noise + share * wander, steps[..., None])[..., 0]
        apart = np.sort(np.asarray((steps * solved).sum(axis=1), dtype=np.float64))
        return float(apart[:kept].mean()) - expected

    if excess(0.0) <= 0:
        found = 0.0
    elif excess(_MOST_BETWEEN) >= 0:
        found = _MOST_BETWEEN
    else:
        found = crossing(excess, 0.0, _MOST_BETWEEN, close=1e-4)
    return float((len(steps) * found + _BELIEVED) / (len(steps) + _BELIEVED))


def _level(
    takes: Sequence[TakeGeometry], found: Found, common: FloatArray, calibration: Calibration
) -> DayLevel:
    """The state before any event against the calibration, with the calibration's own errors."""
    by = np.mean([one.by_calibration for one in takes], axis=0) @ rig_selector(calibration)
    covariance = found.curve_covariance[0] + common + by @ calibration.covariance @ by.T
    change = found.curve[0]
    distance = float(change @ np.linalg.solve(covariance, change))
    threshold = level_threshold(len(change), false_alarms=_ALARMS_LEVEL)
    before = min([len(takes), *(shape.start + 1 for shape in found.shapes)])
    return DayLevel(
        change=change,
        covariance=covariance,
        distance=distance,
        threshold=threshold,
        apart=distance > threshold,
        harm_mm=harm_of(takes[0].depth_by_change, change, covariance, n=before),
        n_takes=before,
    )


def _event(found: Found, number: int, takes: Sequence[TakeGeometry]) -> DayEvent:
    shape, dims = found.shapes[number], found.changes.shape[1]
    block = slice(number * dims, (number + 1) * dims)
    begins, share = found.places[number]
    earliest, latest = sure_range(begins, share)
    first = shape.start + 1
    change, covariance = found.changes[number], found.covariance[block, block]
    return DayEvent(
        kind="drift" if shape.drifts else "step",
        first=first,
        last=shape.end,
        earliest=min(earliest, first),
        latest=max(latest, first),
        confidence=float(share[begins == first].sum()),
        change=change,
        covariance=covariance,
        gain=found.gains[number],
        harm_mm=harm_of(takes[0].depth_by_change, change, covariance, n=len(takes)),
    )


def _from_first(found: Found, n: int) -> tuple[FloatArray, FloatArray]:
    """Change since the first take: the events alone, the level cancels."""
    dims, count = found.changes.shape[1], len(found.shapes)
    shares = np.zeros((n, count))
    if count == 0:
        return np.zeros((n, dims)), np.zeros((n, dims, dims))
    times = found.times
    for number, shape in enumerate(found.shapes):
        shares[:, number] = shape.over(times)
    blocks = found.covariance.reshape(count, dims, count, dims)
    return shares @ found.changes, np.einsum("ke,eifj,kf->kij", shares, blocks, shares)


def _seen(own: FloatArray, needed: float, takes: Sequence[TakeGeometry]) -> dict[str, Estimate]:
    """Smallest pure turns told in 95 of 100 cases, in the middle of the day and at its last take."""
    if not np.isfinite(needed) or len(takes) < _FEWEST_FOR_EVENTS:
        return {}
    reach = float(np.sqrt(needed)) + float(scipy.special.ndtri(_POWER))
    information = np.linalg.inv(own)
    out = {}
    for place, where in ((len(takes) // 2, "middle"), (len(takes) - 1, "last")):
        parts = [
            np.linalg.inv(information[:place].sum(axis=0)),
            np.linalg.inv(information[place:].sum(axis=0)),
        ]
        told = np.linalg.inv(parts[0] + parts[1])
        for column, name in enumerate(("convergence_deg", "across_deg", "twist_deg")):
            size = reach / float(np.sqrt(told[column, column]))
            out[f"{name}.{where}"] = Estimate(value=size, unit="deg", n=len(takes))
    return out
