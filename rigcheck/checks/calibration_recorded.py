"""What the recording did to the pictures: fields in place of whole pictures, pixels that are not square."""

from rigcheck.checks.cameras import judge_cameras, measured, number_text, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.filming import camera_names
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.model import CalibrationRun, Estimate

__all__ = ["CHECKS"]

_UNSTATED = (
    "far more than a print is ever stretched. Either the footage was squeezed on its way here (give the camera's own "
    "recording), or 'squares', 'square_mm' or 'measured:' of the board file are wrong one way."
)


def _whole(run: CalibrationRun, limits: Limits) -> Outcome:
    names = camera_names(run)
    if not any(f"{name}.fields_apart_px" in run.measurements for name in names):
        return not_applicable("this was not measured")
    judged = judge_cameras(run, "fields_apart_px", limits.band("recording.fields_apart_px"), digits=3)
    stated = [name for name in names if measured(run, f"{name}.stated_interlaced").value]
    said = f" The file says that it is interlaced: {', '.join(stated)}." if stated else ""
    if judged.status == "pass" and stated:
        # Nothing torn is seen: whole pictures in an interlaced file, or a board that never moved.
        said += " Nothing is torn here, yet what moves would be, if the camera really records fields."
    message = f"Odd lines show the board against even ones shifted by: {judged.numbers} (RMS over the pictures).{said}"
    action = (
        f"{judged.camera} records fields: odd and even lines of a picture are of two moments. Set the camera to "
        "progressive recording and film again; takes recorded so lose half their lines, or their sharpness, wherever "
        "the face moves."
    )
    return outcome_of(judged, message, action)


def _square(run: CalibrationRun, limits: Limits) -> Outcome:
    names = camera_names(run)
    band = limits.band("pixels.not_square")
    off = {name: _away(run, name) for name in names}
    if all(one.value is None for one in off.values()):
        return not_applicable("this was not measured")
    worst = max(names, key=lambda name: off[name].value or 0.0)
    estimate, status = off[worst], judge(off[worst], band)
    ratios = ", ".join(f"{name} {number_text(measured(run, f'{name}.focal_ratio'), 4)}" for name in names)
    message = f"Focal length across over focal length down, as recorded: {ratios}."
    aspect = run.measurements.get(f"{worst}.stated_pixel_aspect")
    if aspect is None or aspect.value is None:
        action = f"{worst}'s pictures are {100 * (estimate.value or 0.0):.1f} % out of square, {_UNSTATED}"
    else:
        message += (
            f" {worst}'s file says that a pixel is {aspect.value:.4f} times as wide as high, {1 / aspect.value:.4f} is "
            "to be expected."
        )
        action = (
            "The calibration holds for pictures of this size and shape only. If the camera itself has square pixels, "
            "this is a converted copy: give its own recording, and see that takes are handed over the same way."
        )
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=message,
        action="" if status == "pass" else action,
    )


def _away(run: CalibrationRun, camera: str) -> Estimate:
    ratio = measured(run, f"{camera}.focal_ratio")
    if ratio.value is None:
        return ratio
    return Estimate(value=abs(ratio.value - 1.0), sigma=ratio.sigma, n=ratio.n)


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL52",
        title="Whole pictures",
        meaning="Whether all lines of a picture are of one moment; interlaced ones are of two",
        remedy="Record progressive; film again",
        limit="recording.fields_apart_px",
        measure=_whole,
        required=False,
    ),
    Check(
        code="CAL53",
        title="Shape of the pixels",
        meaning="Whether pictures were squeezed one way on their way here, with or without the file saying so",
        remedy="Give the camera's own recording; check the board file",
        limit="pixels.not_square",
        measure=_square,
        required=False,
    ),
)
