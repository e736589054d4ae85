"""Whether the face measures like a face, and whether everything is as approved."""

from rigcheck.checks.cameras import Judged, judge_each, number_text, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.framing_advice import toward_word
from rigcheck.checks.framing_judged import (
    judge_gross,
    size_of,
    worse_of,
)
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.face.fitting_run import FittingRun
from rigcheck.model import Estimate

__all__ = ["CHECKS"]

_LOOKS_WORDS = {
    "glasses": "glasses",
    "accessories": "accessories",
    "heavy_make_up": "heavy make-up",
    "hair_over_brows": "hair over the brows",
    "facial_hair": "facial hair",
    "make_up_note": "the note on make-up",
    "hair_note": "the note on hair",
}


def _sizes(run: FittingRun, limits: Limits) -> Outcome:
    if "framing.pair.interpupillary_mm" not in run.measurements:
        return not_applicable("lengths on the face take a calibrated pair")
    eyes = run.measurements["framing.pair.interpupillary_mm"]
    length = run.measurements["framing.pair.face_length_mm"]
    found = [
        _named(estimate, limits, quantity)
        for estimate, quantity in (
            (eyes, "face.interpupillary_long_mm"),
            (eyes, "face.interpupillary_short_mm"),
            (length, "face.length_long_mm"),
            (length, "face.length_short_mm"),
        )
    ]
    opening = [
        _named(run.number(each.name, "opening_mm"), limits, "face.opening_mm")
        for each in run.cameras
        if run.number(each.name, "opening_mm").value is not None
    ]
    judged = found[0]
    for other in (*found[1:], *opening):
        judged = worse_of(judged, other)
    more = f"; widest opening between the lips {opening[0].numbers}" if opening else ""
    message = (
        f"Between the pupils {number_text(eyes, 1)}, sellion to chin {number_text(length, 1)}{more}. The survey's "
        "adults: 53.5 to 73 and 100 to 138 mm. This shows gross errors only, such as a wrong square size."
    )
    action = (
        "Check the board's square size in the board file against calipers, that the calibration is this rig's, and "
        "the order of the two footages. A face outside the published range may also be real: children, few adults."
    )
    return outcome_of(judged, message, action, remedy="Mark irises and chin by hand (--points).")


def _named(estimate: Estimate, limits: Limits, quantity: str) -> Judged:
    band = limits.band(quantity)
    return Judged(
        camera=quantity,
        estimate=estimate,
        status=judge_gross(estimate, band),
        band=band,
        numbers=number_text(estimate, 1),
    )


def _refit(run: FittingRun, limits: Limits) -> Outcome:
    if run.approved is None:
        return not_applicable("no approved fitting was given (--approved)")

    found = [
        (quantity, _refit_of(run, limits, quantity, limit))
        for quantity, limit in (
            ("across_mm", "refit.shift_mm"),
            ("down_mm", "refit.shift_mm"),
            ("roll_deg", "refit.turn_deg"),
            ("look_up_deg", "refit.turn_deg"),
            ("size_ratio", "refit.size"),
        )
    ]
    worst, judged = found[0]
    for quantity, other in found[1:]:
        if worse_of(judged, other) is other:
            worst, judged = quantity, other
    if judged.status == "skipped":
        return not_measured(
            judged.estimate,
            judged.band.text,
            action="Give the result.json of a fitting with the same cameras and points with --approved.",
        )
    signed = [f"{each.name}: face {_signed(run, each.name)}" for each in run.cameras]
    message = f"Against the fitting approved {run.approved}: {'; '.join(signed)}."
    return outcome_of(judged, message, _undo(run, judged.camera, worst), remedy="")


def _refit_of(run: FittingRun, limits: Limits, quantity: str, limit: str) -> Judged:
    def read(name: str) -> Estimate:
        missing = Estimate(value=None, reason=f"the approved fitting has no camera {name!r}")
        return size_of(run.measurements.get(f"refit.{name}.{quantity}") or missing)

    return judge_each(run, limits, limit, read)


def _signed(run: FittingRun, name: str) -> str:
    def value(quantity: str) -> float | None:
        found = run.measurements.get(f"refit.{name}.{quantity}")
        return None if found is None else found.value

    parts = []
    if (across := value("across_mm")) is not None:
        parts.append(f"{abs(across):.1f} mm {toward_word(across)}")
    if (down := value("down_mm")) is not None:
        parts.append(f"{abs(down):.1f} mm {'lower' if down > 0 else 'higher'}")
    if (roll := value("roll_deg")) is not None:
        parts.append(f"rolled {abs(roll):.1f}° {toward_word(roll)}")
    if (look := value("look_up_deg")) is not None:
        parts.append(f"seen {abs(look):.1f}° more from {'below' if look > 0 else 'above'}")
    if (size := value("size_ratio")) is not None:
        parts.append(f"{100 * abs(size):.1f} % {'larger' if size > 0 else 'smaller'}")
    return ", ".join(parts) or "not known"


def _undo(run: FittingRun, name: str, quantity: str) -> str:
    found = run.measurements.get(f"refit.{name}.{quantity}")
    value = 0.0 if found is None or found.value is None else found.value
    first = "Sit the helmet as on the approved pictures and marks first; then "
    match quantity:
        case "across_mm":
            what = f"move the bar {abs(value):.0f} mm {toward_word(value)}."
        case "down_mm":
            what = f"move the bar {abs(value):.0f} mm {'down' if value > 0 else 'up'}."
        case "roll_deg":
            way = "clockwise" if value > 0 else "counter-clockwise"
            what = f"turn the bar {abs(value):.1f}° {way} as seen from behind the cameras."
        case "look_up_deg":
            way = "raise the bar and tilt it down" if value > 0 else "lower the bar and tilt it up"
            what = f"{way} by {abs(value):.0f}°."
        case _:
            way = "lengthen" if value > 0 else "shorten"
            what = f"{way} the boom by about {100 * abs(value):.0f} % of the distance to the face."
    return first + what


def _looks(run: FittingRun, limits: Limits) -> Outcome:
    band = limits.band("refit.looks")
    if run.approved_looks is None:
        return not_applicable("no record of how the performer looked at an approved fitting was given")
    changed = run.looks.changed_from(run.approved_looks)
    estimate = Estimate(value=float(len(changed)), n=7 - len(run.looks.unknown))
    words = ", ".join(_LOOKS_WORDS[name] for name in changed)
    message = (
        f"Otherwise than at approval: {words}. A calibration of a face belongs to one performer as they looked that "
        "day."
        if changed
        else "The performer is said to look as at approval."
    )
    judged = Judged(camera="", estimate=estimate, status=judge(estimate, band), band=band, numbers=words)
    action = "Restore the look, or film neutral and bite again and have the fitting approved anew."
    return outcome_of(judged, message, action, remedy="")


CHECKS: tuple[Check[FittingRun], ...] = (
    Check(
        code="FRM14",
        title="Sizes of the face",
        meaning="Whether pupils and face lie as far apart as published: shows a wrong square size",
        remedy="Measure the board's squares; check which calibration it is",
        limit="face.interpupillary_long_mm",
        measure=_sizes,
        required=False,
    ),
    Check(
        code="FRM15",
        title="As approved",
        meaning="How far the face sits from where it sat in the approved fitting",
        remedy="Sit the helmet as marked; then undo the shift, as the advice says",
        limit="refit.shift_mm",
        measure=_refit,
    ),
    Check(
        code="FRM16",
        title="Looks as approved",
        meaning="Whether the performer is said to look as at the approved fitting",
        remedy="Restore the look, or film neutral and bite again",
        limit="refit.looks",
        measure=_looks,
        required=False,
    ),
)
