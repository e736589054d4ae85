"""Offline checks of facial-capture head rigs, in millimetres on the face.

The library in a few calls::

    import rigcheck

    board = rigcheck.read_board("boards/charuco-9x12-9mm.yaml")
    result = rigcheck.calibrate("upper.mov", "lower.mov", board=board)
    rigcheck.write_calibration(result, "monday")

Everything named in ``__all__`` is loaded when first used, so that importing the package stays quick.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rigcheck.errors import RigcheckError
    from rigcheck.jobs.audit import AuditInputs, AuditResult, audit, write_audit
    from rigcheck.jobs.board import draw_board
    from rigcheck.jobs.calibrate import CalibrationResult, PairingChoice, calibrate, write_calibration
    from rigcheck.jobs.compare import ComparisonResult, compare, write_comparison
    from rigcheck.jobs.day import DayResult, day, write_day
    from rigcheck.jobs.fitting import FittingInputs, FittingResult, fitting, write_fitting
    from rigcheck.jobs.history import HistoryResult, history, write_history
    from rigcheck.jobs.picks import PicksInputs, PicksResult, picks, write_picks
    from rigcheck.jobs.verify import VerificationResult, verify, write_verification
    from rigcheck.model import BoardSpec, Calibration, RigDescription, StereoRig
    from rigcheck.records import read_board, read_calibration, read_result, read_rig

__all__ = [
    "AuditInputs",
    "AuditResult",
    "BoardSpec",
    "Calibration",
    "CalibrationResult",
    "ComparisonResult",
    "DayResult",
    "FittingInputs",
    "FittingResult",
    "HistoryResult",
    "PairingChoice",
    "PicksInputs",
    "PicksResult",
    "RigDescription",
    "RigcheckError",
    "StereoRig",
    "VerificationResult",
    "audit",
    "calibrate",
    "compare",
    "day",
    "draw_board",
    "fitting",
    "history",
    "picks",
    "read_board",
    "read_calibration",
    "read_result",
    "read_rig",
    "verify",
    "write_audit",
    "write_calibration",
    "write_comparison",
    "write_day",
    "write_fitting",
    "write_history",
    "write_picks",
    "write_verification",
]

_HOMES = {
    "DayResult": "rigcheck.jobs.day",
    "day": "rigcheck.jobs.day",
    "write_day": "rigcheck.jobs.day",
    "PicksInputs": "rigcheck.jobs.picks",
    "PicksResult": "rigcheck.jobs.picks",
    "picks": "rigcheck.jobs.picks",
    "write_picks": "rigcheck.jobs.picks",
    "AuditInputs": "rigcheck.jobs.audit",
    "AuditResult": "rigcheck.jobs.audit",
    "audit": "rigcheck.jobs.audit",
    "write_audit": "rigcheck.jobs.audit",
    "FittingInputs": "rigcheck.jobs.fitting",
    "FittingResult": "rigcheck.jobs.fitting",
    "fitting": "rigcheck.jobs.fitting",
    "write_fitting": "rigcheck.jobs.fitting",
    "BoardSpec": "rigcheck.model",
    "Calibration": "rigcheck.model",
    "CalibrationResult": "rigcheck.jobs.calibrate",
    "ComparisonResult": "rigcheck.jobs.compare",
    "HistoryResult": "rigcheck.jobs.history",
    "PairingChoice": "rigcheck.jobs.calibrate",
    "RigDescription": "rigcheck.model",
    "RigcheckError": "rigcheck.errors",
    "StereoRig": "rigcheck.model",
    "VerificationResult": "rigcheck.jobs.verify",
    "calibrate": "rigcheck.jobs.calibrate",
    "compare": "rigcheck.jobs.compare",
    "draw_board": "rigcheck.jobs.board",
    "history": "rigcheck.jobs.history",
    "read_board": "rigcheck.records",
    "read_calibration": "rigcheck.records",
    "read_result": "rigcheck.records",
    "read_rig": "rigcheck.records",
    "verify": "rigcheck.jobs.verify",
    "write_calibration": "rigcheck.jobs.calibrate",
    "write_comparison": "rigcheck.jobs.compare",
    "write_history": "rigcheck.jobs.history",
    "write_verification": "rigcheck.jobs.verify",
}


def __getattr__(name: str) -> object:
    """Load a public name from its room when first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'rigcheck' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Public names."""
    return sorted(__all__)
