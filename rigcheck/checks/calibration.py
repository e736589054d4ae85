"""The checks of `calibrate`: whether a calibration is one to build a digital face on."""

from rigcheck.checks import (
    calibration_blind,
    calibration_focus,
    calibration_outcome,
    calibration_plausible,
    calibration_prior,
    calibration_recorded,
    calibration_residuals,
    calibration_rigid,
    calibration_shape,
    calibration_sync,
    calibration_views,
)
from rigcheck.checks.core import Check
from rigcheck.model import CalibrationRun

__all__ = ["CHECKS"]

CHECKS: tuple[Check[CalibrationRun], ...] = tuple(
    sorted(
        (
            *calibration_blind.CHECKS,
            *calibration_focus.CHECKS,
            *calibration_outcome.CHECKS,
            *calibration_residuals.CHECKS,
            *calibration_prior.CHECKS,
            *calibration_plausible.CHECKS,
            *calibration_recorded.CHECKS,
            *calibration_rigid.CHECKS,
            *calibration_shape.CHECKS,
            *calibration_sync.CHECKS,
            *calibration_views.CHECKS,
        ),
        key=lambda check: check.code,
    )
)
