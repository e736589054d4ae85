"""What each change of the pair over a day did to either camera's own picture, take by take."""

from collections.abc import Sequence

import numpy as np

from rigcheck.geometry.own_shift import own_shifts
from rigcheck.model import StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import DayEvent, DayGeometry, OwnShift

__all__ = ["shifts_of_day"]


def shifts_of_day(
    day: DayGeometry,
    takes: Sequence[str],
    rig: StereoRig,
    place_mm: FloatArray,
    *,
    turns_deg: tuple[int, int] = (0, 0),
    since_calibration: bool = False,
) -> tuple[OwnShift, ...]:
    """Say of each event how far it moves the picture of the camera that made it.

    Parameters
    ----------
    day : DayGeometry
    takes : sequence of str
        All takes of the day in order, those that could not be measured among them.
    rig : StereoRig
        The calibrated pair.
    place_mm : (3,) float64
        The eyes, camera-1 frame.
    turns_deg : two of 0, 90, 180, 270
        Clockwise turns that make the pictures upright.
    since_calibration : bool
        Whether a change before the first take counts too: where slip is counted from a fitting before the day.
    """
    out = []
    if since_calibration and day.level is not None and day.level.apart:
        shift = own_shifts(rig, day.level.change, day.level.covariance, place_mm, turns_deg=turns_deg)
        out.append(_shift(day.names[0], dict.fromkeys(takes, 1.0), shift, before_day=True))
    for event in day.events:
        shift = own_shifts(rig, event.change, event.covariance, place_mm, turns_deg=turns_deg)
        out.append(_shift(day.names[event.first], _shares(day, event, takes), shift, before_day=False))
    return tuple(out)


def _shift(
    at: str, share: dict[str, float], shift: Sequence[tuple[FloatArray, FloatArray]], *, before_day: bool
) -> OwnShift:
    return OwnShift(
        at=at,
        share=share,
        before_day=before_day,
        shift=np.stack([moved for moved, _ in shift]),
        covariance=np.stack([covariance for _, covariance in shift]),
    )


def _shares(day: DayGeometry, event: DayEvent, takes: Sequence[str]) -> dict[str, float]:
    """Of the takes measured by the day's curve; of one between two that agree, theirs."""
    weighed = np.linalg.solve(event.covariance, event.change)
    length = float(weighed @ event.change)
    known: dict[str, float] = {}
    for place, name in enumerate(day.names):
        inside = event.first <= place < event.last
        way = float(weighed @ (day.curve[place] - day.curve[event.first - 1])) / length if inside else 0.0
        known[name] = float(np.clip(way, 0.0, 1.0)) if inside else float(place >= event.last)
    out = {}
    for number, name in enumerate(takes):
        before = next((known[one] for one in reversed(takes[: number + 1]) if one in known), None)
        after = next((known[one] for one in takes[number:] if one in known), None)
        share = before if after is None else after
        if share is not None and before in (None, share):
            out[name] = share
    return out
