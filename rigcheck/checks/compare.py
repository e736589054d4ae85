"""The checks of `compare`: whether it matters which of two calibrations is used."""

from rigcheck.checks.compare_trust import ORDINALS, agreement_estimate, failed_first, which_to_trust
from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY, judge
from rigcheck.drift.compare import Comparison
from rigcheck.model import Estimate, Status

__all__ = ["CHECKS", "PART_WORDS"]

# How each part of a pair is called in a sentence.
PART_WORDS = {
    "convergence_deg": "convergence",
    "across_deg": "the turn across",
    "twist_deg": "twist",
    "along_baseline_mm": "the baseline's length",
    "along_view_mm": "movement along the view",
    "square_to_both_mm": "movement square to baseline and view",
}


def _harm(comparison: Comparison, limits: Limits) -> Outcome:
    band, found = limits.band("harm.depth_mm"), comparison.measurements["harm.depth_mm"]
    status = judge(found, band)
    if found.value is None:
        return not_measured(
            found,
            band.text,
            action="Give the rig file with working_distance_mm by --rig, then compare again.",
        )
    return Outcome(
        status=status,
        estimate=found,
        limit=band.text,
        message=_harm_message(comparison, found),
        action="" if status == "pass" else _harm_action(comparison, status, limits),
    )


def _harm_message(comparison: Comparison, found: Estimate) -> str:
    sigma = "" if found.sigma is None else f" ± {found.sigma:.3f}"
    size = f"{found.value:.3f}{sigma} mm"
    if comparison.pose is None:
        return (
            f"Read off the focal length, a depth at the working distance differs by {size} between the two."
        )
    numbers = comparison.measurements
    distance, shape = numbers["harm.working_distance_mm"].value, numbers["harm.shape_depth_mm"].value
    text = (
        f"Points on the face at {distance:.0f} mm stand {size} deeper or nearer (RMS) with the second calibration than "
        f"with the first; {shape:.3f} mm of it changes the face's shape, the rest moves it as a whole"
    )
    errors = numbers.get("harm.by_errors_mm")
    if errors is not None and errors.value is not None:
        text += f". What their own errors add, about {errors.value:.3f} mm, is taken off"
    name, part = max(comparison.harm.parts.items(), key=lambda item: item[1])
    if found.sigma is not None and (found.value or 0.0) > 2.0 * found.sigma:
        text += (
            f". Most of it comes from {PART_WORDS.get(name, f'the lens of {name}')} ({part:.3f} mm by itself)"
        )
    return text + "."


def _harm_action(comparison: Comparison, status: Status, limits: Limits) -> str:
    answer = which_to_trust(comparison, limits).sentence
    if status == "inconclusive":
        return (
            "The two are not known well enough to say whether the difference matters: calibrate anew from more views "
            "with tilts, and compare with that."
        )
    if status == "fail":
        return f"Do not mix the two in one shot. {answer}"
    return f"Use one of the two throughout a shot. {answer}"


def _agreement(comparison: Comparison, limits: Limits) -> Outcome:
    band, found = limits.band("compare.p_value"), agreement_estimate(comparison)
    if found.value is None:
        return not_applicable(found.reason)
    status = judge(found, band)
    by_pose = comparison.measurements["agreement.p_value"].value is None
    name = "agreement.pose_chi_square" if by_pose else "agreement.chi_square"
    distance = comparison.measurements[name].value or 0.0
    start = (
        f"By the pair's pose alone, because {comparison.not_comparable}: squared" if by_pose else "Squared"
    )
    message = (
        f"{start} Mahalanobis distance {distance:.1f} in {found.n} directions; two calibrations of an unchanged rig "
        f"differ by as much in {_share_words(found.value)}."
    )
    if comparison.common.bounded:
        message += " What they have in common makes this share too large."
    return Outcome(
        status=status,
        estimate=found,
        limit=band.text,
        message=message,
        action=""
        if status == "pass"
        else "The two tell of different rigs: look for what was knocked, refocused or changed between them, and "
        "run verify with the board before the next take.",
    )


def _share_words(p_value: float) -> str:
    if p_value < 1e-6:
        return "fewer than one of a million cases"
    return f"{100 * p_value:.2g} % of cases"


def _mapping(comparison: Comparison, limits: Limits) -> Outcome:
    band = limits.band("compare.mapping_px")
    found = {
        one.camera: comparison.measurements[f"{one.camera}.mapping_left_px"] for one in comparison.cameras
    }
    judged = {name: judge(one, band) for name, one in found.items()}
    worst = max(found, key=lambda name: (SEVERITY.index(judged[name]), found[name].value or 0.0))
    numbers = ", ".join(
        f"{one.camera} {one.difference.raw_rms_px:.2f} px as stored, {one.difference.left_rms_px:.2f} px after "
        "the best turn"
        for one in comparison.cameras
    )
    return Outcome(
        status=judged[worst],
        estimate=found[worst],
        limit=band.text,
        message=f"Where a direction lands in the picture differs (RMS) by: {numbers}. Only the second number is one "
        "of lens and sensor; a turn of the camera makes up for the rest.",
        action=""
        if judged[worst] == "pass"
        else f"Look whether the lens of {worst} was refocused, changed or knocked between the two; any refocus voids "
        "the earlier calibration.",
    )


def _own_checks(comparison: Comparison, limits: Limits) -> Outcome:
    band = limits.band("compare.failed_checks")
    known = [one for one in comparison.facts if one.verdict is not None]
    if not known:
        return not_applicable("no result.json of its own run lies beside either calibration")
    count = sum(len(one.failed) for one in known)
    parts = []
    for name, one in zip(ORDINALS, comparison.facts, strict=True):
        if one.verdict is None:
            parts.append(f"{name} is not known")
        elif failed_first(one):
            parts.append(f"{name} failed {', '.join(check.code for check in one.failed)}")
        else:
            parts.append(f"{name} failed none")
    estimate = Estimate(value=float(count), n=len(known))
    status = judge(estimate, band)
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=f"Checks of their own runs: {'; '.join(parts)}.",
        action=""
        if status == "pass"
        else "Do not use a calibration that failed its own checks: calibrate again.",
    )


def _trust(comparison: Comparison, limits: Limits) -> Outcome:
    answer = which_to_trust(comparison, limits)
    sigmas = [one.harm_sigma_mm for one in comparison.facts]
    if sigmas[0] is None or not sigmas[1]:
        estimate = Estimate(value=None, reason="the depth sigma on the face is not known of both")
    else:
        estimate = Estimate(value=sigmas[0] / sigmas[1], n=2)
    reasons = " ".join(reason.sentence for reason in answer.reasons)
    neither = answer.choice is None and all(failed_first(one) for one in comparison.facts)
    return Outcome(
        status="caution" if neither else "pass",
        estimate=estimate,
        limit="",
        message=f"{answer.sentence} {reasons}",
        action="Calibrate again before the next take." if neither else "",
    )


CHECKS: tuple[Check[Comparison], ...] = (
    Check(
        code="CMP01",
        title="Harm of the difference",
        meaning="How far points on the face move in depth when the second calibration is used for the first",
        remedy="Keep to one calibration in a shot; the report says which",
        limit="harm.depth_mm",
        measure=_harm,
    ),
    Check(
        code="CMP02",
        title="Agreement within sigmas",
        meaning="Whether the two differ by more than their own uncertainty (not: whether it matters)",
        remedy="Find what was knocked, refocused or changed between the two",
        limit="compare.p_value",
        measure=_agreement,
        required=False,
    ),
    Check(
        code="CMP03",
        title="Mapping of the picture",
        meaning="How far a direction lands elsewhere in the picture, a turn of the camera set aside",
        remedy="Look whether a lens was refocused, changed or knocked",
        limit="compare.mapping_px",
        measure=_mapping,
        required=False,
    ),
    Check(
        code="CMP04",
        title="Their own checks",
        meaning="Whether either calibration failed a check of the run that made it",
        remedy="Use the other, or calibrate again",
        limit="compare.failed_checks",
        measure=_own_checks,
        required=False,
    ),
    Check(
        code="CMP05",
        title="Which to trust",
        meaning="Which of the two describes the rig better, and why: the ratio of their depth sigmas on the face",
        remedy="As the report says",
        limit="",
        measure=_trust,
        required=False,
    ),
)
