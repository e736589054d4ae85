"""What happened to a rig, in words and in millimetres on the face."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from rigcheck.drift.history import History, RigHistory, Series
from rigcheck.model import Estimate

__all__ = ["Event", "events_of", "quantity_words", "when_text"]

_PAIR = {
    "stereo.baseline_mm": "baseline",
    "stereo.convergence_deg": "convergence",
    "stereo.across_deg": "across",
    "stereo.twist_deg": "twist",
    "stereo.rms_px": "reprojection RMS of both cameras",
    "stereo.epipolar_rms_px": "epipolar RMS",
}
_NO_DISTANCE = "what it does on the face is not known: no result tells the working distance"
_CAMERA = {
    "focal_x_px": "focal length",
    "focus_depth_mm": "distance of the plane of focus",
    "rms_px": "reprojection RMS",
}


@dataclass(frozen=True, kw_only=True)
class Event:
    """A step, ramp or warm-up of one number of one rig.

    `harm` is what it does in depth on the face, without a value where the working distance is not known. `before`
    and `after` are the results between which a step lies, with 95 % confidence, or the ends of a ramp. `in_force`:
    since the rig's newest calibration.
    """

    rig: str
    kind: str
    series: Series
    sentence: str
    size: Estimate
    harm: Estimate
    before: datetime
    after: datetime
    in_force: bool


def quantity_words(quantity: str) -> str:
    """Name of a number for people."""
    if quantity in _PAIR:
        return _PAIR[quantity]
    camera, _, name = quantity.rpartition(".")
    return f"{_CAMERA.get(name, name)} of {camera}"


def when_text(moment: datetime) -> str:
    """Write a time as it stands on the page: UTC, to the minute."""
    return moment.strftime("%Y-%m-%d %H:%M")


def events_of(history: History) -> tuple[Event, ...]:
    """Everything that happened, the most harmful first."""
    found = [event for rig in history.rigs for series in rig.series for event in _events(rig, series)]
    return tuple(sorted(found, key=lambda event: (not event.in_force, -(event.harm.value or 0.0))))


def _events(rig: RigHistory, series: Series) -> Iterator[Event]:
    found = series.behaviour
    if found.kind == "step":
        for step in found.steps:
            before, after = series.records[step.earliest].moment, series.records[step.latest + 1].moment
            yield _event(rig, series, step.size, step.sigma, (before, after))
    elif found.kind in ("ramp", "warm-up"):
        ends = series.records[0].moment, series.records[-1].moment
        yield _event(rig, series, found.size, found.sigma, ends)


def format_change(size: float, sigma: float, unit: str) -> str:
    """Write a change with its sign and sigma, to the sigma's second digit."""
    digits = min(max(1 - math.floor(math.log10(sigma)), 0), 6) if sigma > 0 else 3
    number = f"{size:+.{digits}f} ± {sigma:.{digits}f}".replace("-", "−")
    return f"{number}°" if unit == "deg" else f"{number} {unit}"


def _event(
    rig: RigHistory, series: Series, size: float, sigma: float, ends: tuple[datetime, datetime]
) -> Event:
    per_unit = series.depth_per_unit
    harm = Estimate(
        value=None if per_unit is None else abs(size) * per_unit,
        sigma=None if per_unit is None else sigma * per_unit,
        unit="mm",
        n=len(series.records),
        reason=_NO_DISTANCE if per_unit is None else "",
    )
    sentence = _sentence(series, format_change(size, sigma, series.unit), ends)
    if harm.value is not None:
        sentence += f": {harm.value:.3f} mm in depth on the face"
    return Event(
        rig=rig.name,
        kind=series.behaviour.kind,
        series=series,
        sentence=sentence[:1].upper() + sentence[1:] + ".",
        size=Estimate(value=size, sigma=sigma, unit=series.unit, n=len(series.records)),
        harm=harm,
        before=ends[0],
        after=ends[1],
        in_force=series.in_force,
    )


def _sentence(series: Series, text: str, ends: tuple[datetime, datetime]) -> str:
    """What happened, without what it means and without the full stop."""
    found = series.behaviour
    what = quantity_words(series.quantity) + (f" ({series.label})" if series.label else "")
    first, last = (when_text(moment) for moment in ends)
    if first == last:
        first, last = (f"{moment:%Y-%m-%d %H:%M:%S}" for moment in ends)
    if found.kind == "step":
        words = f"{what} stepped by {text} between {first} and {last}, as a knock, a refocus or a new mounting does"
    elif found.kind == "ramp":
        words = f"{what} crept by {text} from {first} to {last}, as something that gives"
    else:
        minutes = 60.0 * (found.hours or 0.0)
        words = f"{what} settles by {text} within each session, in about {minutes:.0f} minutes, as warming cameras do"
    return words if series.calibration is not None else f"{words}; from calibration to calibration"
