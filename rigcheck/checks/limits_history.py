"""Thresholds of the checks of `history`. What a step or a ramp does on the face is judged by the harm limit."""

from rigcheck.checks.limit import COMMON, Limit

__all__ = ["LIMITS"]

LIMITS: tuple[Limit, ...] = (
    Limit(
        name="history.days_unverified.caution",
        value=7.0,
        unit="days",
        source="A rig in use is verified every morning; one that nobody looked at for a week is not known; "
        + COMMON,
    ),
    Limit(
        name="history.scatter_ratio.caution",
        value=1.5,
        unit="",
        source="Results whose sigmas are honest lie within 1 ± 0.15 of them (200 simulated calibrations); "
        + COMMON,
    ),
    Limit(
        name="history.clock_faults.caution",
        value=0.0,
        unit="results",
        source="A result cannot be older than the calibration it used, nor younger than today: by definition",
    ),
    Limit(
        name="history.damaged_files.caution",
        value=0.0,
        unit="files",
        source="A file that cannot be read may hold what the others do not tell: by definition",
    ),
    Limit(
        name="history.failed_rigs.fail",
        value=0.0,
        unit="rigs",
        source="The verdict of a rig's newest result holds until the next: by definition",
    ),
)
