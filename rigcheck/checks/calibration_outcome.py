"""The outcome: harm on the face, the solution itself, the mapping, the scale of the print."""

from rigcheck.checks.cameras import (
    Judged,
    for_pairs,
    judge_cameras,
    judge_pair,
    measured,
    number_text,
    on_face_mm,
    outcome_of,
)
from rigcheck.checks.core import Check, Outcome
from rigcheck.checks.filming import filming_advice, working_distance_mm
from rigcheck.checks.limits import Limits
from rigcheck.model import CalibrationRun, Estimate, Status

__all__ = ["CHECKS"]


def _harm(run: CalibrationRun, limits: Limits) -> Outcome:
    band = limits.band("harm.depth_mm")
    distance = f"{working_distance_mm(run):.0f} mm"
    if run.calibration.stereo is None:
        judged = judge_cameras(run, "harm_depth_mm", band, digits=3)
        message = (
            f"The focal length's uncertainty alone moves a point in depth (one sigma), at {distance}, by: "
            f"{judged.numbers}."
        )
    else:
        judged = judge_pair(run, "stereo.harm_depth_mm", band, digits=3)
        message = (
            f"With this calibration a point on the face at {distance} is uncertain in depth by "
            f"{judged.numbers} (one sigma, RMS over the face volume){_count(run)}."
        )
    action = filming_advice(run, limits, too_large_by=_excess(judged))
    if judged.status == "fail":
        action = f"Do not use it for a shoot. {action}"
    return outcome_of(judged, message, action)


def _count(run: CalibrationRun) -> str:
    pairs = measured(run, "stereo.pairs").value
    return "" if pairs is None else f", from {pairs:.0f} pairs"


def _solver(run: CalibrationRun, limits: Limits) -> Outcome:
    fit, most = run.fit, limits["fit.condition_number.caution"].value
    estimate = Estimate(value=fit.condition_number, n=fit.n_points)
    limit = f"converged, condition number ≤ {most:g}"
    stopped = f"The solver {fit.status.replace('_', ' ')} after {fit.iterations} steps ({fit.message})"
    noise = f"corner noise {fit.noise_px:.3f} px per axis, condition number {fit.condition_number:.2g}"
    status: Status = "pass"
    action = ""
    if fit.status == "iteration_limit":
        status = "fail"
        action = (
            "The numbers are not a solution. Check that the board file describes this board and that all "
            "clips come from the same rig, then film again with the board held still at varied tilts."
        )
    elif fit.status == "stalled" or fit.condition_number > most:
        status = "caution"
        action = f"Some numbers are tied to each other by these views. {filming_advice(run, limits)}"
    return Outcome(
        status=status, estimate=estimate, limit=limit, message=f"{stopped}; {noise}.", action=action
    )


def _mapping(run: CalibrationRun, limits: Limits) -> Outcome:
    judged = judge_cameras(run, "mapping_sigma_px", limits.band("mapping.sigma_px"))
    value = judged.estimate.value or 0.0
    message = (
        "Where a direction lands in the picture is uncertain (one sigma, a common turn set aside) by: "
        f"{judged.numbers}; {judged.camera}'s is {on_face_mm(run, judged.camera, value):.3f} mm across on "
        "the face."
    )
    return outcome_of(judged, message, filming_advice(run, limits, too_large_by=_excess(judged)))


def _excess(judged: Judged) -> float:
    """Ratio of the number to the first of its limits that is not zero; 1 when there is none."""
    wanted = judged.band.caution or judged.band.fail
    return (judged.estimate.value or 0.0) / wanted if wanted else 1.0


def _print(run: CalibrationRun, limits: Limits) -> Outcome:
    band = limits.band("print.scale_sigma")
    judged = judge_pair(run, "board.scale_sigma", band)
    scale, baseline = judged.estimate.value, measured(run, "stereo.baseline_mm")
    action = (
        "Measure the print with calipers across as many squares as they span, at least 100 mm, in both "
        "directions; write both lengths under 'measured:' in the board file and run calibrate again."
    )
    if scale is None:
        message = (
            f"The print was not measured: the uncertainty of the baseline ({number_text(baseline, 3)}) does "
            "not include the print's scale. No residual shows a print that is too large or too small."
        )
        return Outcome(
            status="caution", estimate=judged.estimate, limit=band.text, message=message, action=action
        )
    part = "" if baseline.value is None else f", {scale * baseline.value:.3f} mm of the baseline"
    message = (
        f"The print's scale is known to {100 * scale:.3f} % (one sigma){part}; the baseline's sigma includes "
        "it."
    )
    return outcome_of(judged, message, action)


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL01",
        title="Harm on the face",
        meaning="How uncertain this calibration alone makes the depth of a point on the face",
        remedy="Film more, as the advice says: tilts, empty places, distances",
        limit="harm.depth_mm",
        measure=_harm,
        requires=("CAL02",),
    ),
    Check(
        code="CAL02",
        title="Solution reached",
        meaning="Whether the solver ended at a solution, and one that the views determine",
        remedy="Check the board file; film with more varied tilts",
        limit="fit.condition_number",
        measure=_solver,
        requires=("CAL31", "CAL51"),
    ),
    Check(
        code="CAL10",
        title="Mapping of the picture",
        meaning="How uncertain it is where a direction lands in the picture",
        remedy="Film more, as the advice says",
        limit="mapping.sigma_px",
        measure=_mapping,
        requires=("CAL02",),
        required=False,
    ),
    Check(
        code="CAL11",
        title="Scale of the print",
        meaning="Whether the print was measured: its scale is the baseline's, and no residual shows it",
        remedy="Measure at least 100 mm with calipers, both ways, and write it into the board file",
        limit="print.scale_sigma",
        measure=for_pairs(_print),
        required=False,
    ),
)
