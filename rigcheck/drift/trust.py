"""What speaks for and against a calibration when there are two to choose from."""

from dataclasses import dataclass
from datetime import datetime

from rigcheck.model import Calibration, CheckResult, Report

__all__ = ["CalibrationFacts", "calibration_facts", "moment_of"]


@dataclass(frozen=True, kw_only=True)
class CalibrationFacts:
    """Facts about one calibration; None where they are not known.

    `harm_sigma_mm` is the depth sigma on the face from the calibration alone, `coverage` the share of the picture
    in which the board was seen, of the camera with less. `failed` and `verdict` come from its own report.
    """

    created: str
    moment: datetime | None
    harm_sigma_mm: float | None
    views: int | None
    coverage: float | None
    drift_depth_mm: float | None
    drift_sigma_mm: float | None
    verdict: str | None
    failed: tuple[CheckResult, ...]


def moment_of(created: str) -> datetime | None:
    """Read a time as our files hold it; None when it is none or has no offset from UTC."""
    try:
        moment = datetime.fromisoformat(created)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else None


def calibration_facts(calibration: Calibration, report: Report | None) -> CalibrationFacts:
    """Gather what is known of a calibration.

    Parameters
    ----------
    calibration : Calibration
    report : Report or None
        Of the run that made it.
    """
    cameras = [entry.camera.name for entry in calibration.cameras]
    volume = calibration.face_volume
    pair = calibration.stereo is not None
    drift = None if report is None else report.measurements.get("clip.drift_depth_mm")
    sigma = volume.depth_mm if volume is not None else _measured(report, f"{cameras[0]}.harm_depth_mm")
    views = _measured(report, "stereo.pairs" if pair else f"{cameras[0]}.views")
    shares = [_measured(report, f"{name}.coverage") for name in _old_names(report, cameras)]
    known = [share for share in shares if share is not None]
    return CalibrationFacts(
        created=calibration.created,
        moment=moment_of(calibration.created),
        harm_sigma_mm=sigma,
        views=None if views is None else round(views),
        coverage=min(known) if known else None,
        drift_depth_mm=None if drift is None else drift.value,
        drift_sigma_mm=None if drift is None else drift.sigma,
        verdict=None if report is None else report.verdict,
        failed=() if report is None else tuple(one for one in report.checks if one.status == "fail"),
    )


def _old_names(report: Report | None, cameras: list[str]) -> list[str]:
    """Names of the cameras in the report: those of the calibration before they were brought together."""
    if report is None:
        return cameras
    end = ".coverage"
    return [name.removesuffix(end) for name in report.measurements if name.endswith(end)]


def _measured(report: Report | None, name: str) -> float | None:
    found = None if report is None else report.measurements.get(name)
    return None if found is None else found.value
