"""What the solver takes for granted: a picture that stands still on its sensor, two cameras on one rigid rig."""

from dataclasses import replace

from rigcheck.checks.cameras import Judged, for_pairs, judge_cameras, measured, number_text, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.filming import camera_names
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.model import CalibrationRun, Estimate

__all__ = ["CHECKS", "wanders"]

# A ratio to noise stands clear of 1 by so many sigmas: 0.1 % of calibrations do by chance (normal tail).
_CLEAR_SIGMAS = 3.0
# A wandering picture takes at least this share of the residuals with it; a flexing board about a tenth.
_MAINLY = 0.5


def _clear(run: CalibrationRun, camera: str) -> bool:
    ratio = measured(run, f"{camera}.wander_ratio")
    return ratio.value is not None and ratio.value - _CLEAR_SIGMAS * (ratio.sigma or 0.0) > 1.0


def wanders(run: CalibrationRun, limits: Limits) -> str | None:
    """Name the camera whose picture wanders most, where one does beyond chance and limit."""
    found = _judged(run, limits)
    return found.camera if found.status in ("caution", "inconclusive", "fail") else None


def _judged(run: CalibrationRun, limits: Limits) -> Judged:
    band = limits.band("picture.wander_px")
    judged = judge_cameras(run, "wander_px", band)
    clear = [name for name in camera_names(run) if _clear(run, name)]
    if judged.status == "skipped" or judged.camera in clear:
        return judged
    # What chance explains is no wander, however uncertain; the other camera may have the smaller but sure one.
    for name in clear:
        own = measured(run, f"{name}.wander_px")
        if judge(own, band) != "pass":
            return replace(judged, camera=name, estimate=own, status=judge(own, band))
    return replace(judged, status="pass")


def _steady(run: CalibrationRun, limits: Limits) -> Outcome:
    known = [run.measurements.get(f"{name}.wander_px") for name in camera_names(run)]
    if not any(one is not None and one.value is not None for one in known):
        why = next((one.reason for one in known if one is not None), "this was not measured")
        return not_applicable(why)
    judged = _judged(run, limits)
    ratios = ", ".join(
        f"{name} {number_text(measured(run, f'{name}.wander_ratio'), 1)}" for name in camera_names(run)
    )
    message = (
        f"From view to view the principal point wanders, beyond noise, by: {judged.numbers} (RMS per axis); "
        f"against what noise alone gives: {ratios} (1 is noise)."
    )
    share = measured(run, f"{judged.camera}.wander_share").value or 0.0
    if judged.status != "pass" and share >= _MAINLY:
        message += (
            f" No rigid camera does that: {100 * share:.0f} % of {judged.camera}'s residuals go with it."
        )
    action = (
        f"Switch off image stabilisation in {judged.camera} (electronic and optical) and any 'horizon' or lens "
        "correction, check that the lens does not wobble in its mount, and film again: no calibration holds for "
        "a picture that is cut out elsewhere in every frame, and takes filmed so cannot be solved in depth."
    )
    if share < _MAINLY:
        action += (
            " A board that bends in the hand can look alike: if there is no stabilisation, use a stiff plate."
        )
    return outcome_of(judged, message, action)


def _together(run: CalibrationRun, limits: Limits) -> Outcome:
    band = limits.band("pair.together_ratio")
    ratio = run.measurements.get("stereo.together_ratio")
    if ratio is None or ratio.value is None:
        return not_applicable("this was not measured" if ratio is None else ratio.reason)
    status = judge(ratio, band)
    first, second = camera_names(run)
    alone = number_text(measured(run, "stereo.noise_alone_px"), 3)
    message = (
        f"Solved together, {first} and {second} leave {ratio.value:.1f} times the residuals of the worse of them "
        f"alone ({alone} per axis)."
    )
    shift = measured(run, "stereo.better_shift").value or 0.0
    if shift:
        message += (
            f" The pairing is wrong: a picture of {first} belongs to {second}'s {_pictures(abs(shift))} "
            f"{'after' if shift > 0 else 'before'} the one it is paired with."
        )
    return Outcome(
        status=status,
        estimate=ratio,
        limit=band.text,
        message=message,
        action="" if status == "pass" else _apart(run, limits, shift),
    )


def _pictures(count: float) -> str:
    return "1 picture" if count == 1 else f"{count:.0f} pictures"


def _apart(run: CalibrationRun, limits: Limits, shift: float) -> str:
    """What to do where each camera fits alone but not the two together."""
    offset: Estimate = measured(run, "stereo.better_offset_frames")
    if shift and offset.value is not None:
        return f"Run calibrate again with --offset-frames {offset.value:.0f}."
    camera = wanders(run, limits)
    if camera is not None:
        return f"{camera}'s picture wanders (CAL50): mend that first."
    return (
        "Check the pairing first: pictures of different moments are as if the rig moved; both clips must start at "
        "the same moment (in and out points, --pair timecode, or --offset-frames). If it is right: hold the "
        "board still, run both cameras from one trigger, tighten clamps and lenses, switch off stabilisation, "
        "and film again."
    )


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL50",
        title="Steady picture",
        meaning="Whether the principal point stays where it is from view to view; stabilisation moves it",
        remedy="Switch off stabilisation; tighten the lens; film again",
        limit="picture.wander_px",
        measure=_steady,
        required=False,
    ),
    Check(
        code="CAL51",
        title="Both cameras together",
        meaning="Whether cameras that fit alone also fit together: wrong pairing shows here",
        remedy="Pair by the right pictures; one trigger; tighten clamps",
        limit="pair.together_ratio",
        measure=for_pairs(_together),
        required=False,
    ),
)
