"""Residuals: reprojection, epipolar, disbelieved corners, views held and left out."""

import math
from dataclasses import replace

from rigcheck.checks.cameras import for_pairs, judge_cameras, judge_pair, on_face_mm, outcome_of
from rigcheck.checks.core import Check, Outcome
from rigcheck.checks.filming import camera_names, filming_advice
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.model import CalibrationRun, Estimate

__all__ = ["CHECKS"]


def _reprojection(run: CalibrationRun, limits: Limits) -> Outcome:
    judged = judge_cameras(run, "rms_px", limits.band("reprojection.rms_px"))
    value = judged.estimate.value or 0.0
    message = (
        f"Per-point RMS distance of corners from where the solution puts them: {judged.numbers}; "
        f"{judged.camera}'s is {on_face_mm(run, judged.camera, value):.3f} mm across on the face."
    )
    action = (
        f"Look at {judged.camera}'s worst views in the report: blur from movement or defocus is the usual "
        "reason. Hold the board still, in focus, in more light; a small RMS by itself proves nothing."
    )
    if value > limits["reprojection.rms_px.search"].value:
        action = (
            "Look for a cause before filming again: a board file that does not describe this print, a board "
            "that bends, autofocus or stabilisation left on, a lens or clamp that moved while filming, "
            "cameras out of step."
        )
    return outcome_of(judged, message, action)


def _epipolar(run: CalibrationRun, limits: Limits) -> Outcome:
    judged = judge_pair(run, "stereo.epipolar_rms_px", limits.band("epipolar.rms_px"), digits=3)
    first = camera_names(run)[0]
    message = (
        f"The two cameras disagree by {judged.numbers} (RMS Sampson distance), "
        f"{on_face_mm(run, first, judged.estimate.value or 0.0):.3f} mm across on the face. A change of "
        "convergence hardly shows in this number."
    )
    action = (
        "Check that the cameras are triggered together and that clamps and lenses are tight, then film "
        "again holding the board still at each place."
    )
    return outcome_of(judged, message, action)


def _outliers(run: CalibrationRun, limits: Limits) -> Outcome:
    judged = judge_cameras(run, "outlier_share", limits.band("outliers.share"), digits=1, percent=True)
    action = (
        f"See where {judged.camera}'s rejected corners lie: fingers over the board, lamp glare, ink that "
        "fades in near infrared or a flexing plate. Remove the cause and film again."
    )
    return outcome_of(judged, f"Share of corners that were not believed: {judged.numbers}.", action)


def _held_out(run: CalibrationRun, limits: Limits) -> Outcome:
    judged = judge_cameras(run, "held_out_ratio", limits.band("held_out.ratio"))
    message = f"RMS in views the lens model was not fitted to, over RMS in those it was: {judged.numbers}."
    action = (
        f"{judged.camera}'s lens model follows these views more than the lens. {filming_advice(run, limits)}"
    )
    return outcome_of(judged, message, action)


def _leave_out(run: CalibrationRun, limits: Limits) -> Outcome:
    band = limits.band("leave_out.ratio")
    if "stereo.leave_out_ratio" in run.measurements:
        judged = judge_pair(run, "stereo.leave_out_ratio", band)
    else:
        judged = judge_cameras(run, "leave_out_ratio", band)
    allowance = _chance_in_a_sigma(judged.estimate.n)
    if judged.estimate.value is not None:
        fair = Estimate(value=judged.estimate.value / allowance)
        judged = replace(judged, status=judge(fair, band))
    message = (
        "Uncertainty from leaving views out over that from the corners' noise, where they differ most: "
        f"{judged.numbers}; a factor of {allowance:.2f} is chance with so many views. The larger of both is "
        "reported."
    )
    action = (
        "Something differs from view to view: a plate that flexes in the hand, movement during exposure, "
        "cameras out of step. Trust the larger uncertainty; film again with a stiff board held still."
    )
    return outcome_of(judged, message, action)


def _chance_in_a_sigma(n_views: int) -> float:
    """Factor by which a standard deviation from so many values may be wrong by chance, at two sigma.

    For normal values its relative standard deviation is 1 / sqrt(2 (n - 1)) (GUM, JCGM 100:2008, E.4.3).
    """
    return 1.0 if n_views < 2 else 1.0 + 2.0 / math.sqrt(2.0 * (n_views - 1))


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL03",
        title="Reprojection error",
        meaning="How far corners lie from where the solution puts them; small proves nothing, large is wrong",
        remedy="Still board, focus, light; then look for a wrong board file, a bent board, moving lenses",
        limit="reprojection.rms_px",
        measure=_reprojection,
        requires=("CAL02",),
    ),
    Check(
        code="CAL04",
        title="Epipolar error",
        meaning="How far the two cameras disagree across the line between them",
        remedy="Check trigger, clamps and lenses; hold the board still",
        limit="epipolar.rms_px",
        measure=for_pairs(_epipolar),
        requires=("CAL02",),
    ),
    Check(
        code="CAL05",
        title="Corners not believed",
        meaning="Share of corners that disagree with all others",
        remedy="Look for fingers, glare, fading ink, a flexing plate",
        limit="outliers.share",
        measure=_outliers,
        requires=("CAL02",),
    ),
    Check(
        code="CAL08",
        title="Views held out",
        meaning="Whether the lens model also explains views it was not fitted to",
        remedy="More varied views; suspect a bending board",
        limit="held_out.ratio",
        measure=_held_out,
        requires=("CAL02",),
        required=False,
    ),
    Check(
        code="CAL09",
        title="Views left out",
        meaning="Whether uncertainty from leaving views out agrees with that from the corners' noise",
        remedy="Trust the larger; stiff board, held still",
        limit="leave_out.ratio",
        measure=_leave_out,
        requires=("CAL02",),
        required=False,
    ),
)
