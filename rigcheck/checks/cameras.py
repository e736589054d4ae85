"""What checks share: several cameras judged as one, and numbers as text."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from rigcheck.checks.core import Outcome, not_applicable, not_measured
from rigcheck.checks.filming import camera_names, working_distance_mm
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY, Band, judge
from rigcheck.model import CalibrationRun, Estimate, Status

__all__ = [
    "Judged",
    "for_pairs",
    "judge_cameras",
    "judge_each",
    "judge_pair",
    "measured",
    "number_text",
    "on_face_mm",
    "outcome_of",
    "worst_camera",
]

_ONE_CAMERA = "one camera only; this is a question to a pair"
_NOT_MEASURED = "Where thin footage is the reason, film more varied views and run calibrate again."


@dataclass(frozen=True, kw_only=True)
class Judged:
    """One quantity of all cameras: the worst one's number and status, and all numbers as text."""

    camera: str
    estimate: Estimate
    status: Status
    band: Band
    numbers: str


class _Named(Protocol):
    @property
    def name(self) -> str: ...


class _OfCameras(Protocol):
    @property
    def cameras(self) -> Sequence[_Named]: ...


def judge_each(
    run: _OfCameras,
    limits: Limits,
    quantity: str,
    read: Callable[[str], Estimate],
    *,
    digits: int = 1,
    words: Callable[[Estimate], str] | None = None,
) -> Judged:
    """Judge every camera's number against its own limits; the worst speaks.

    Parameters
    ----------
    run : anything with named cameras
    limits : Limits
    quantity : str
        Of the limits, such as ``framing.roll_deg``.
    read : callable
        Camera name to the Estimate judged.
    digits : int
        After the point, where `words` is not given.
    words : callable, optional
        How a number is written.
    """
    found = {camera.name: read(camera.name) for camera in run.cameras}
    bands = {name: limits.band(quantity, camera=name) for name in found}
    return worst_camera(found, bands, words=words or (lambda each: number_text(each, digits)))


def measured(run: CalibrationRun, name: str) -> Estimate:
    """Return a measurement by name; one without a value when it was not made."""
    return run.measurements.get(name) or Estimate(value=None, reason=f"{name} was not measured")


def number_text(estimate: Estimate, digits: int, *, percent: bool = False) -> str:
    """Write a number with its sigma and unit."""
    if estimate.value is None:
        return "not measured"
    if percent:
        return f"{100 * estimate.value:.{digits}f} %"
    sigma = "" if estimate.sigma is None else f" ± {estimate.sigma:.{digits}f}"
    unit = f" {estimate.unit}" if estimate.unit else ""
    return f"{estimate.value:.{digits}f}{sigma}{unit}"


def judge_cameras(
    run: CalibrationRun, quantity: str, band: Band, *, digits: int = 2, percent: bool = False
) -> Judged:
    """Judge ``<camera>.<quantity>`` of every camera; the worst speaks."""
    found = {name: measured(run, f"{name}.{quantity}") for name in camera_names(run)}
    bands = dict.fromkeys(found, band)
    return worst_camera(found, bands, words=lambda each: number_text(each, digits, percent=percent))


def worst_camera(
    found: Mapping[str, Estimate], bands: Mapping[str, Band], *, words: Callable[[Estimate], str]
) -> Judged:
    """Judge each camera's number by its own band; the worst speaks, the first when they are alike."""

    def badness(name: str) -> tuple[int, float]:
        value, band = found[name].value, bands[name]
        sign = 1.0 if band.worse == "above" else -1.0
        return SEVERITY.index(judge(found[name], band)), 0.0 if value is None else sign * value

    worst = max(found, key=badness)
    return Judged(
        camera=worst,
        estimate=found[worst],
        status=judge(found[worst], bands[worst]),
        band=bands[worst],
        numbers=", ".join(f"{name} {words(each)}" for name, each in found.items()),
    )


def judge_pair(run: CalibrationRun, name: str, band: Band, *, digits: int = 2) -> Judged:
    """Judge one measurement of the pair."""
    estimate = measured(run, name)
    numbers = number_text(estimate, digits)
    return Judged(camera="", estimate=estimate, status=judge(estimate, band), band=band, numbers=numbers)


def outcome_of(judged: Judged, message: str, action: str, *, remedy: str = _NOT_MEASURED) -> Outcome:
    """Make an outcome; a pass needs no action, and what has no number is skipped with `remedy`."""
    if judged.status == "skipped":
        return not_measured(judged.estimate, judged.band.text, action=remedy)
    return Outcome(
        status=judged.status,
        estimate=judged.estimate,
        limit=judged.band.text,
        message=message,
        action="" if judged.status == "pass" else action,
    )


def for_pairs(
    measure: Callable[[CalibrationRun, Limits], Outcome],
) -> Callable[[CalibrationRun, Limits], Outcome]:
    """Skip with one camera."""

    def only_for_pairs(run: CalibrationRun, limits: Limits) -> Outcome:
        return not_applicable(_ONE_CAMERA) if run.calibration.stereo is None else measure(run, limits)

    return only_for_pairs


def on_face_mm(run: CalibrationRun, camera: str, pixels: float) -> float:
    """Turn a shift in a camera's picture into one across the face, mm."""
    entry = next(entry for entry in run.calibration.cameras if entry.camera.name == camera)
    return pixels * working_distance_mm(run) / entry.camera.focal_px[0]
