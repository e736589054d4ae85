"""Whether sizes and order fit what was known beforehand: the rig's working distance, an earlier calibration."""

from rigcheck.checks.cameras import for_pairs, measured
from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.filming import camera_names
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.model import CalibrationRun

__all__ = ["CHECKS"]


def _order(run: CalibrationRun, limits: Limits) -> Outcome:
    turned = run.measurements.get("prior.baseline_turned_deg")
    if turned is None or turned.value is None:
        return not_applicable("no earlier calibration of the pair was given (--prior)")
    band = limits.band("prior.baseline_turned_deg")
    status = judge(turned, band)
    first, second = camera_names(run)
    message = (
        f"Seen from {first}, {second} stands {turned.value:.1f} degrees away from where the earlier calibration has "
        "it."
    )
    exchanged = measured(run, "prior.exchanged_turned_deg").value
    action = (
        "The rig was rebuilt since, or the earlier calibration is of another rig: calibrate without --prior."
    )
    if exchanged is not None and exchanged < turned.value:
        message += f" With the clips exchanged it would be {exchanged:.1f} degrees."
        action = (
            f"The cameras are swapped: what is given first is {second}'s footage. Give the footage in the order "
            "of the rig file, and run calibrate again."
        )
    return Outcome(
        status=status,
        estimate=turned,
        limit=band.text,
        message=message,
        action="" if status == "pass" else action,
    )


def _size(run: CalibrationRun, limits: Limits) -> Outcome:
    factor = run.measurements.get("board.size_factor")
    if factor is None or factor.value is None:
        return not_applicable("this was not measured" if factor is None else factor.reason)
    band = limits.band("board.size_factor")
    status = judge(factor, band)
    ratio = measured(run, "board.size_ratio").value or 1.0
    meet = measured(run, "stereo.axes_meet_mm").value
    what = "the board's median distance is" if meet is None else f"the cameras' axes meet at {meet:.0f} mm,"
    board = run.calibration.board
    message = (
        f"By the board file's squares of {board.square_mm:g} mm {what} {ratio:.2f} times the rig's working "
        "distance."
    )
    action = (
        f"If that is not so, the squares are not {board.square_mm:g} mm but about {board.square_mm / ratio:.2g} mm: "
        "measure one with calipers (inches, centimetres and the marker's side are the usual slips), correct "
        "'square_mm' and 'measured:' in the board file and run calibrate again; else correct working_distance_mm in "
        "the rig file. No residual shows it, and every length is wrong by it."
    )
    return Outcome(
        status=status,
        estimate=factor,
        limit=band.text,
        message=message,
        action="" if status == "pass" else action,
    )


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL54",
        title="Order of the cameras",
        meaning="Whether camera 2 stands where the earlier calibration has it, or the clips are swapped",
        remedy="Give the footage in the order of the rig file",
        limit="prior.baseline_turned_deg",
        measure=for_pairs(_order),
        required=False,
    ),
    Check(
        code="CAL55",
        title="Size of the squares",
        meaning="Whether lengths come out as large as the rig's working distance lets expect",
        remedy="Measure a square; correct the board file or the working distance",
        limit="board.size_factor",
        measure=_size,
        required=False,
    ),
)
