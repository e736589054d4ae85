"""Two cameras in time: what a delay between them costs on a moving face, whole frames, and how they are run."""

from rigcheck.checks.cameras import for_pairs, measured, number_text
from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.filming import camera_names, working_distance_mm
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import COVERAGE_FACTOR, judge
from rigcheck.model import CalibrationRun, Estimate

__all__ = ["CHECKS", "SKIN_SPEED_MM_S"]

# Skin in lively speech (common practice); what a delay costs grows in proportion to it.
SKIN_SPEED_MM_S = 100.0
_WAVE = (
    "Film ten seconds of video more in which the board is moved steadily to and fro, about a hand's breadth a "
    "second, square to the line that joins the two cameras, and give that clip beside this one, joined by a "
    "comma."
)


def _depth_mm(run: CalibrationRun, offset_ms: float) -> float:
    """Depth error of skin moving along the baseline: Z v t / B."""
    stereo = run.calibration.stereo
    if stereo is None:
        raise ValueError("one camera has no time offset")
    baseline_mm = float((stereo.camera2_from_camera1.translation_mm**2).sum() ** 0.5)
    return working_distance_mm(run) * SKIN_SPEED_MM_S * 1e-3 * abs(offset_ms) / baseline_mm


def _time_offset(run: CalibrationRun, limits: Limits) -> Outcome:
    band = limits.band("sync.offset_ms")
    found = measured(run, "stereo.time_offset_ms")
    if found.value is None:
        return not_measured(found, band.text, action=_WAVE)
    size = Estimate(value=abs(found.value), sigma=found.sigma, unit="ms", n=found.n)
    status = judge(size, band)
    first, second = camera_names(run)
    late, early = (second, first) if found.value >= 0 else (first, second)
    message = (
        f"{late}'s pictures are taken {number_text(size, 3)} later than {early}'s (from {found.n} moving "
        f"pairs): {_depth_mm(run, found.value):.2f} mm in depth on skin that moves at {SKIN_SPEED_MM_S:g} mm/s."
    )
    action = (
        f"Run both cameras from one trigger. Where a delay can be set, let {late} start {size.value:.2f} ms "
        "earlier or the other as much later. Until then only views held still calibrate this pair, and a "
        "moving face is solved with that error."
    )
    reach = COVERAGE_FACTOR * (found.sigma or 0.0)
    if band.caution is not None and abs(found.value) <= band.caution and reach > 0:
        action = f"The time between the cameras is not known well enough (± {reach:.2f} ms). {_WAVE}"
    return Outcome(
        status=status,
        estimate=size,
        limit=band.text,
        message=message,
        action="" if status == "pass" else action,
    )


def _whole_frames(run: CalibrationRun, limits: Limits) -> Outcome:
    band = limits.band("sync.frame_shift")
    found = measured(run, "stereo.frame_shift")
    if found.value is None:
        return not_measured(found, band.text, action=_WAVE)
    shift = round(found.value)
    status = judge(Estimate(value=abs(found.value)), band)
    first, second = camera_names(run)
    if shift == 0:
        message = f"Pictures of {first} and {second} that are paired belong to the same frame."
        return Outcome(status=status, estimate=found, limit=band.text, message=message)
    frames = "1 frame" if abs(shift) == 1 else f"{abs(shift)} frames"
    message = (
        f"The pairing is wrong by {frames}: a picture of {first} belongs to {second}'s taken {frames} "
        f"{'after' if shift > 0 else 'before'} the one it is paired with."
    )
    needed = run.measurements.get("stereo.offset_frames")
    if needed is None or needed.value is None:
        remedy = (
            "Cut both clips to the same moments with in and out points; where they are paired by timecode, set "
            "both cameras' timecode from one source."
        )
    else:
        remedy = f"Run calibrate again with --offset-frames {round(needed.value)}."
    return Outcome(status=status, estimate=found, limit=band.text, message=message, action=remedy)


def _run_together(run: CalibrationRun, limits: Limits) -> Outcome:
    found = run.measurements.get("stereo.free_running")
    if found is None or found.value is None:
        return not_applicable("the rig file does not say whether the cameras are synchronised")
    band = limits.band("sync.free_running")
    status = judge(found, band)
    if not found.value:
        message = "The rig file says that the cameras are synchronised."
        return Outcome(status=status, estimate=found, limit=band.text, message=message)
    return Outcome(
        status=status,
        estimate=found,
        limit=band.text,
        message=(
            "The rig file says that the cameras run freely: the time between them differs from take to take "
            "and creeps within one; what is measured here holds for this clip only."
        ),
        action=(
            "Run both cameras from one trigger where they can be. Else measure the time between them on a board "
            "at the start of every take."
        ),
    )


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL30",
        title="Time between the cameras",
        meaning="By how much one camera takes its pictures later than the other, and what that costs in depth",
        remedy="One trigger for both; set the delay; move the board sideways when it is not known well enough",
        limit="sync.offset_ms",
        measure=for_pairs(_time_offset),
        required=False,
    ),
    Check(
        code="CAL31",
        title="Whole frames",
        meaning="Whether paired pictures belong to the same frame",
        remedy="Pair with --offset-frames as named",
        limit="sync.frame_shift",
        measure=for_pairs(_whole_frames),
        required=False,
    ),
    Check(
        code="CAL32",
        title="Cameras run together",
        meaning="What the rig file says: cameras that run freely need their time measured in every take",
        remedy="One trigger for both; a board at the start of every take",
        limit="sync.free_running",
        measure=for_pairs(_run_together),
        required=False,
    ),
)
