"""Faults that a small RMS hides, each as a number with its sigma."""

from rigcheck.calibration.blind_drift import drift_measurements
from rigcheck.calibration.blind_noise import noise_measurements
from rigcheck.calibration.blind_pattern import pattern_measurements
from rigcheck.calibration.blind_print import known_length_measurements, pixel_measurements
from rigcheck.calibration.solve import Solution
from rigcheck.calibration.together import together_measurements
from rigcheck.calibration.wander import wander_measurements
from rigcheck.model import Estimate

__all__ = ["blind_measurements"]


def blind_measurements(solution: Solution, *, working_distance_mm: float) -> dict[str, Estimate]:
    """Every measurement of what RMS cannot see but the board's own shape and the cameras' timing.

    Parameters
    ----------
    solution : Solution
    working_distance_mm : float
        Where the harm of a drift is counted.

    Returns
    -------
    dict of str to Estimate
        See :mod:`~rigcheck.calibration.blind_noise`, :mod:`~rigcheck.calibration.blind_print`,
        :mod:`~rigcheck.calibration.blind_pattern`, :mod:`~rigcheck.calibration.wander`,
        :mod:`~rigcheck.calibration.together` and :mod:`~rigcheck.calibration.blind_drift`.
    """
    return {
        **noise_measurements(solution),
        **pixel_measurements(solution),
        **pattern_measurements(solution),
        **known_length_measurements(solution),
        **wander_measurements(solution),
        **together_measurements(solution),
        **drift_measurements(solution, working_distance_mm=working_distance_mm),
    }
