"""What is known of a calibration beside its numbers: the report of the run that made it, and its mounting."""

from pathlib import Path

from rigcheck.errors import RigcheckError
from rigcheck.model import Calibration, Report
from rigcheck.records import read_result

__all__ = ["mounted_deg", "report_beside", "result_beside"]


def result_beside(calibration_file: str | Path) -> Path:
    """Where the result of the run that wrote a calibration file lies."""
    return Path(calibration_file).with_name("result.json")


def report_beside(path: Path, calibration: Calibration, called: str) -> tuple[Report | None, tuple[str, ...]]:
    """Read the report of the run that made a calibration, where it lies beside it; else what to say.

    Parameters
    ----------
    path : Path
        See :func:`result_beside`.
    calibration : Calibration
    called : str
        What the calibration is called in the sentence.
    """
    if not path.is_file():
        return None, ()
    try:
        report = read_result(path)
    except RigcheckError as error:
        return None, (f"The result.json beside the {called} was not used: {error.message}",)
    if report.command != "calibrate" or report.provenance.created != calibration.created:
        return None, (f"The result.json beside the {called} is of another run and was not used.",)
    return report, ()


def mounted_deg(calibration: Calibration) -> int | None:
    """How camera 1 was mounted when calibrated; None where that was not said."""
    match calibration.provenance.options.get("mount_rotation_deg"):
        case [int(first), *_] if first in (0, 90, 180, 270):
            return first
    return None
