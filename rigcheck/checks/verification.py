"""The checks of `verify`: whether the rig still is the one that was calibrated, and what it costs if not."""

from dataclasses import replace

from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import COVERAGE_FACTOR, SEVERITY, Band, judge
from rigcheck.checks.verification_sensors import CHECKS as SENSOR_CHECKS
from rigcheck.checks.verification_words import (
    causes_text,
    likely_text,
    share_words,
    signed,
)
from rigcheck.drift.causes import SIGNIFICANT_P
from rigcheck.drift.verification import Verification
from rigcheck.model import Estimate, Status

__all__ = ["CHECKS", "harm_status", "views_needed"]

_ANEW = "Calibrate again before the next take, from footage with tilts, distances and the whole picture."


def harm_status(estimate: Estimate, band: Band) -> Status:
    """Compare harm with its limits: undecided whenever the interval value ± 2 sigma spans one of them.

    Unlike :func:`rigcheck.checks.judge`, which cautions when only the caution limit is spanned: here filming a few
    seconds more decides.
    """
    if estimate.value is None:
        return "skipped"
    reach = COVERAGE_FACTOR * (estimate.sigma or 0.0)
    low, high = estimate.value - reach, estimate.value + reach
    edges = [edge for edge in (band.caution, band.fail) if edge is not None]
    if any(low <= edge < high for edge in edges):
        return "inconclusive"
    if band.fail is not None and low > band.fail:
        return "fail"
    return "caution" if band.caution is not None and low > band.caution else "pass"


def views_needed(run: Verification, band: Band) -> int | None:
    """From how many views in all the harm would be decided, were it what it looks now; None when by no number."""
    for count, foretold in run.foretold:
        if harm_status(foretold, band) != "inconclusive":
            return count
    return None


def _harm(run: Verification, limits: Limits) -> Outcome:
    band = limits.band("harm.depth_mm")
    status = harm_status(run.harm, band)
    where = f"at {run.working_distance_mm:.0f} mm"
    size = f"{run.harm.value:.3f} ± {run.harm.sigma:.3f} mm"
    if run.harm_map is None:
        message = f"Read with the stored focal length, a depth {where} is off by {size}."
    else:
        message = (
            f"Read with the stored calibration, points on the face {where} stand off in depth by {size} (RMS over the "
            f"face volume), from {len(run.views)} view{'' if len(run.views) == 1 else 's'} of the board."
        )
    return Outcome(
        status=status,
        estimate=run.harm,
        limit=band.text,
        message=message,
        action=_harm_action(run, status, band),
    )


def _harm_action(run: Verification, status: Status, band: Band) -> str:
    if status == "pass":
        return ""
    if status == "inconclusive":
        count = views_needed(run, band)
        if count is None:
            return (
                "More views would not decide it: what is stored is itself too uncertain, or the change lies at a "
                f"limit. {_ANEW}"
            )
        more = count - len(run.views)
        return (
            f"Film the board again, about {more} more {'pose' if more == 1 else 'poses'} held still ({count} in all): "
            "near and far, tilted 30-45 degrees to each side; give the new clip beside this one, joined by a comma."
        )
    named = "" if run.best.cause.kind == "nothing" else f" {likely_text(run)}"
    if status == "fail":
        return (
            f"Do not shoot with this calibration.{named} Look for what came loose, fix it, warm up. {_ANEW}"
        )
    return f"Usable with care; calibrate again at the next break.{named} Look for what came loose."


def _change(run: Verification, limits: Limits) -> Outcome:
    band = limits.band("verify.p_value")
    found = [
        one
        for name in ("verify.chi_square_p", "change.chi_square_p")
        if (one := run.measurements.get(name)) is not None and one.value is not None
    ]
    estimate = min(found, key=lambda one: one.value or 0.0)
    status = judge(estimate, band)
    total = run.measurements["verify.chi_square"]
    told = "No change is seen." if status == "pass" else causes_text(run)
    message = (
        f"Today against what is stored, with both covariances: chi-square {total.value:.1f} in {total.n} directions; "
        f"an untouched rig shows as much in {share_words(estimate.value or 0.0)}. {told}"
    )
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=message,
        action="" if status == "pass" else _change_action(run, limits),
    )


def _change_action(run: Verification, limits: Limits) -> str:
    small = harm_status(run.harm, limits.band("harm.depth_mm")) == "pass"
    size = "It is too small to matter on the face; keep an eye on it. " if small else ""
    return f"{size}Check lenses, clamps and mounts for what moved, and verify again after the next take."


def _left(run: Verification, limits: Limits) -> Outcome:
    band = limits.band("verify.left_p")
    estimate = run.measurements["verify.left_p"]
    if estimate.n < 1:
        return not_applicable("too few views to leave anything unexplained")
    status = judge(estimate, band)
    best = run.best.fit
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=f"What the best explanation leaves: chi-square {best.left:.1f} in {best.freedom} directions. Sigmas "
        f"were widened by {(run.measurements['verify.unrest'].value or 1.0) ** 0.5:.2f} for it.",
        action=""
        if status == "pass"
        else "No single cause explains today's views: more than one thing changed, the board bent or is another print, "
        "or the cameras were out of step. Hold the board still and flat on its plate and film again.",
    )


def _lens(run: Verification, limits: Limits) -> Outcome:
    """Whether a focal length is what changed: a refocus voids a calibration however small."""
    cause = run.best.cause
    names = [entry.camera.name for entry in run.calibration.cameras]
    numbers = ", ".join(
        f"{name} {signed(100 * (one.value or 0.0), 3)} ± {100 * (one.sigma or 0.0):.3f} %"
        for name in names
        if (one := run.measurements.get(f"{name}.focal_scale_change")) is not None
    )
    band = limits.band("verify.p_value")
    tested = next(
        (one for one in run.explained if one.cause.kind == "focal" and not one.cause.with_pose), None
    )
    if tested is None:
        return not_applicable("no focal length was tested")
    if cause.kind in ("focal", "lens") and cause.camera is not None and run.changed:
        name = names[cause.camera]
        return Outcome(
            status="caution",
            estimate=_percent(run, name),
            limit=f"p {band.text}",
            message=f"Change of the focal length, everything else free: {numbers}. {causes_text(run)}",
            action=f"Was {name} refocused, or its lens knocked or changed? Any refocus voids the calibration: lock the "
            f"ring. {_ANEW}",
        )
    worst = max(names, key=lambda name: _sigmas(run.measurements[f"{name}.focal_scale_change"]))
    return Outcome(
        status="pass",
        estimate=_percent(run, worst),
        limit=f"p {band.text}",
        message=f"Change of the focal length, everything else free: {numbers}. No lens is needed to explain today.",
    )


def _percent(run: Verification, name: str) -> Estimate:
    one = run.measurements[f"{name}.focal_scale_change"]
    return Estimate(value=100.0 * (one.value or 0.0), sigma=100.0 * (one.sigma or 0.0), unit="%", n=one.n)


def _sigmas(one: Estimate) -> float:
    return abs(one.value or 0.0) / max(one.sigma or 0.0, 1e-12)


def _focus(run: Verification, limits: Limits) -> Outcome:
    band = limits.band("verify.focus_moved_mm")
    names = [entry.camera.name for entry in run.calibration.cameras]
    found = {
        name: one for name in names if (one := run.measurements.get(f"{name}.focus_moved_mm")) is not None
    }
    if not found:
        return not_applicable("the plane of focus was not measured")
    known = {name: replace(one, value=abs(one.value)) for name, one in found.items() if one.value is not None}
    if not known:
        first = next(iter(found.values()))
        return not_measured(
            first,
            band.text,
            action="Keep result.json beside calibration.yaml, and hold the board still at several distances.",
        )
    status_of = {name: _moved_status(one, band) for name, one in known.items()}
    worst = max(known, key=lambda name: (SEVERITY.index(status_of[name]), known[name].value or 0.0))
    status = status_of[worst]
    numbers = ", ".join(
        f"{name} {signed(found[name].value or 0.0, 1)} ± {found[name].sigma:.1f} mm" for name in known
    )
    return Outcome(
        status=status,
        estimate=known[worst],
        limit=band.text,
        message=f"The plane of focus moved since the calibration (positive: away from the camera): {numbers}.",
        action=""
        if status == "pass"
        else f"Look whether {worst} was refocused: any refocus voids the calibration. Lock the ring. {_ANEW}",
    )


def _moved_status(moved: Estimate, band: Band) -> Status:
    """As usual, but a movement within its own noise asks for nothing: the focal length tells of a refocus earlier."""
    if moved.value is not None and moved.value <= COVERAGE_FACTOR * (moved.sigma or 0.0):
        return "pass"
    return judge(moved, band)


def _places(run: Verification, limits: Limits) -> Outcome:
    names = " and ".join(entry.camera.name for entry in run.calibration.cameras)
    tested = next((one for one in run.explained if one.cause.kind == "exchange"), None)
    if tested is None:
        return _places_not_tried(run)
    swapped = run.best.cause.kind == "exchange"
    estimate = Estimate(value=tested.fit.left / max(tested.fit.freedom, 1), n=tested.fit.freedom)
    straight = min(one.fit.left for one in run.explained if one.cause.kind != "exchange")
    return Outcome(
        status="fail" if swapped else "pass",
        estimate=estimate,
        limit="",
        message=f"Chi-square of {names} in each other's place: {tested.fit.left:,.0f}; in their own {straight:,.0f}.",
        action=f"The bodies of {names} are exchanged, or their cards: put them back, or calibrate again as is."
        if swapped
        else "",
    )


def _places_not_tried(run: Verification) -> Outcome:
    if len(run.calibration.cameras) == 1:
        return not_applicable("one camera has no other place to be in")
    if run.best.fit.left_p < SIGNIFICANT_P:
        return not_applicable("pictures of different sizes cannot be exchanged")
    return Outcome(
        status="pass",
        estimate=Estimate(value=run.best.fit.left / max(run.best.fit.freedom, 1), n=run.best.fit.freedom),
        limit="",
        message="Each camera's own lens and sensor explain what it shows.",
    )


def _residuals(run: Verification, limits: Limits) -> Outcome:
    band = limits.band("verify.rms_ratio")
    ratios: dict[str, Estimate] = {}
    numbers = []
    for entry in run.calibration.cameras:
        name = entry.camera.name
        one = run.measurements[f"{name}.rms_px"]
        if one.value is not None and entry.reprojection_rms_px > 0:
            ratios[name] = Estimate(value=one.value / entry.reprojection_rms_px, n=one.n)
            numbers.append(f"{name} {one.value:.3f} px (then {entry.reprojection_rms_px:.3f})")
    if not ratios:
        return not_applicable("the calibration holds no residuals")
    worst = max(ratios, key=lambda name: ratios[name].value or 0.0)
    status = judge(ratios[worst], band)
    return Outcome(
        status=status,
        estimate=ratios[worst],
        limit=band.text,
        message=f"Reprojection RMS per point with everything free today: {', '.join(numbers)}.",
        action=""
        if status == "pass"
        else "Today's corners fit worse than the calibration's: hold the board still, clean it and the lenses, light "
        "it evenly, and film again.",
    )


CHECKS: tuple[Check[Verification], ...] = (
    Check(
        code="VER01",
        title="Harm on the face",
        meaning="How far points on the face stand off in depth when today's pictures are read with what is stored",
        remedy="Pass: shoot. Not decided: film the board a little more. Fail: find what moved and calibrate again",
        limit="harm.depth_mm",
        measure=_harm,
    ),
    Check(
        code="VER02",
        title="Change of the rig",
        meaning="Whether anything changed by more than both uncertainties (not: whether it matters), and what",
        remedy="Check lenses, clamps and mounts for what moved",
        limit="verify.p_value",
        measure=_change,
        required=False,
    ),
    Check(
        code="VER03",
        title="Focal lengths",
        meaning="Whether a lens is what changed; any refocus voids a calibration",
        remedy="Lock the focus ring and calibrate again",
        limit="verify.p_value",
        measure=_lens,
        required=False,
    ),
    Check(
        code="VER04",
        title="Plane of focus",
        meaning="How far the plane of focus moved since the calibration",
        remedy="Lock the focus ring and calibrate again",
        limit="verify.focus_moved_mm",
        measure=_focus,
        required=False,
    ),
    Check(
        code="VER05",
        title="Cameras in their places",
        meaning="Whether each camera shows its own lens and sensor, not the other's",
        remedy="Put cameras and cards back in their places",
        limit="",
        measure=_places,
        required=False,
    ),
    Check(
        code="VER06",
        title="Left unexplained",
        meaning="Whether one cause explains what differs today",
        remedy="Hold the board still and flat and film again; look for a second change",
        limit="verify.left_p",
        measure=_left,
        required=False,
    ),
    Check(
        code="VER07",
        title="Residuals today",
        meaning="Today's reprojection RMS over that of the calibration",
        remedy="Hold the board still, clean it, light it evenly",
        limit="verify.rms_ratio",
        measure=_residuals,
        required=False,
    ),
    *SENSOR_CHECKS,
)
