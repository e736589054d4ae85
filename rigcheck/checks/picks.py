"""The checks of the frames picked for the digital face, in the order of the report."""

from dataclasses import replace

from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.limits import Limits
from rigcheck.checks.picks_words import ask_for, why_none
from rigcheck.checks.verdict import judge
from rigcheck.face.picks_rows import rows_sentence
from rigcheck.face.picks_run import PicksRun
from rigcheck.model import Estimate, Status
from rigcheck.model.picking import Pick, PickPose, PoseChoice

__all__ = ["CHECKS"]

_NAMES = {"neutral": "neutral", "bite": "bite", "side": "side view"}


def _where(pick: Pick) -> str:
    timecode = f" ({pick.timecode})" if pick.timecode else ""
    return f"frame {pick.frame_idx}{timecode}"


def _found(run: PicksRun, pose: PickPose, worst: Status) -> Outcome:
    choice = run.outcome.of(pose)
    if choice is None:
        return not_applicable(f"no {_NAMES[pose]} was asked for")
    estimate = Estimate(value=float(len(choice.picks)), n=choice.wanted)
    limit = f"≥ {choice.wanted}"
    if len(choice.picks) >= choice.wanted:
        places = ", ".join(_where(pick) for pick in choice.picks)
        rest = len(choice.alternates)
        return Outcome(
            status="pass",
            estimate=estimate,
            limit=limit,
            message=f"{_NAMES[pose].capitalize()}: {places}; {rest} alternate{'s' if rest != 1 else ''} from other "
            f"moments.",
        )
    return Outcome(
        status=worst,
        estimate=estimate,
        limit=limit,
        message=_none(choice),
        action=ask_for(pose, choice.missing),
    )


def _none(choice: PoseChoice) -> str:
    name, found = _NAMES[choice.pose], len(choice.picks)
    if found:
        return f"{found} good {name} moment{'s' if found != 1 else ''} found, {choice.wanted} asked for."
    why = why_none(choice.missing)
    return f"No good {name} in this clip{': in the moments that come nearest, ' + why if why else ''}."


def _neutral(run: PicksRun, limits: Limits) -> Outcome:
    if "neutral" in run.wanted or run.picks:
        return _found(run, "neutral", "fail")
    # Nothing at all was found: that is a failure whatever was asked for.
    choice = run.outcome.choices[0]
    return Outcome(
        status="fail",
        estimate=Estimate(value=0.0, n=sum(run.wanted.values())),
        limit="≥ 1",
        message=_none(choice),
        action=ask_for(choice.pose, choice.missing),
    )


def _bite(run: PicksRun, limits: Limits) -> Outcome:
    outcome = _found(run, "bite", "caution")
    if run.first("bite") is None or not run.rows:
        return outcome
    seen = "; ".join(rows_sentence(camera, rows) for camera, rows in run.rows.items())
    return replace(outcome, message=f"{outcome.message} In the best, {seen}.")


def _side(run: PicksRun, limits: Limits) -> Outcome:
    return _found(run, "side", "caution")


def _score(run: PicksRun, limits: Limits, pose: PickPose) -> Outcome:
    pick = run.first(pose)
    if pick is None:
        return not_applicable(f"there is no {_NAMES[pose]}")
    band = limits.band("picks.score")
    estimate = Estimate(value=pick.score, n=len(pick.reasons))
    looks = Estimate(value=float(len(run.course.times_s)))
    if run.reference is None and judge(looks, limits.band("picks.looks")) != "pass":
        return Outcome(
            status="inconclusive",
            estimate=estimate,
            limit=band.text,
            message=f"How good the {_NAMES[pose]} is cannot be told from {looks.value:.0f} "
            f"look{'s' if looks.value != 1 else ''} at the performer: what is usual for this face is taken from the "
            f"clip, and takes {limits['picks.looks.caution'].value:.0f}.",
            action="Give a clip of two seconds or more, or a picture that is known to be right with --reference.",
        )
    status = judge(estimate, band)
    weakest = sorted(pick.reasons, key=lambda reason: reason.score)[:2]
    message = f"The best {_NAMES[pose]}, {_where(pick)}, scores {pick.score:.2f} of 1; weakest: " + "; ".join(
        reason.sentence for reason in weakest
    )
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=message + ".",
        action="" if status == "pass" else ask_for(pose, [reason.code for reason in weakest]),
    )


def _neutral_score(run: PicksRun, limits: Limits) -> Outcome:
    return _score(run, limits, "neutral")


def _bite_score(run: PicksRun, limits: Limits) -> Outcome:
    return _score(run, limits, "bite")


def _gaze(run: PicksRun, limits: Limits) -> Outcome:
    pick = run.first("neutral")
    if pick is None:
        return not_applicable("there is no neutral")
    limit = limits.band("picks.vergence_deg").text
    vergence = pick.numbers.get("vergence_deg")
    if vergence is None or vergence.value is None:
        return not_measured(
            Estimate(value=None, unit="deg", reason="how the eyes stand to each other could not be read"),
            limit,
            action="Look at the stills: do both eyes look at something far?",
        )
    basis = (
        "the frame given with --reference" if run.reference is not None else "the clip's own farthest look"
    )
    return Outcome(
        status="pass",
        estimate=Estimate(value=vergence.value, sigma=3.0, unit="deg", n=1),
        limit=limit,
        message=f"In the neutral the eyes turn {vergence.value:+.0f}° ± 3° towards each other against {basis}; looking "
        "at lenses 200 mm away would be 17° to 18°. Where the eyes point in space is known to ± 5° only (angle kappa), "
        "so that this compares looks and does not measure them.",
    )


def _incisors(run: PicksRun, limits: Limits) -> Outcome:
    pick = run.first("bite")
    if pick is None:
        return not_applicable("there is no bite")
    depth = run.incisors
    band = limits.band("picks.incisor_sigma_mm")
    if depth is None or depth.value is None or depth.sigma is None:
        why = depth.reason if depth is not None and depth.reason else "the incisors could not be triangulated"
        if not run.calibrated:
            why = "it takes a calibration of both cameras"
        return not_measured(
            Estimate(value=None, unit="mm", reason=why), band.text, action=_incisors_action(run, why)
        )
    known = Estimate(value=depth.sigma, unit="mm", n=depth.n)
    status = judge(known, band)
    return Outcome(
        status=status,
        estimate=known,
        limit=band.text,
        message=f"The front teeth lie {depth.value:.1f} ± {depth.sigma:.1f} mm behind the upper lip.",
        action=""
        if status == "pass"
        else "Film the bite once more, nearer to the middle of both pictures and still.",
    )


def _incisors_action(run: PicksRun, why: str) -> str:
    if not run.calibrated:
        return "Give --calibration, and film the bite with the edges of the front teeth in both pictures."
    if "hides" in why:
        return (
            "Ask kindly for the upper lip to be drawn up a little further, without force, so that the camera above "
            "sees the lower ends of the upper front teeth; cameras side by side both see them."
        )
    return "Film the bite again, front teeth and upper lip sharp and without glare in both pictures."


def _sealed(run: PicksRun, limits: Limits) -> Outcome:
    pick = run.first("neutral")
    if pick is None or run.sealed is None:
        return not_applicable("there is no neutral")
    band, chance = limits.band("picks.lips_apart_chance"), run.sealed
    limit = limits["picks.lips_apart_chance.caution"].value
    if chance.value is None:
        return not_measured(chance, band.text, action="Look at the stills: do the lips touch all along?")
    status: Status = "inconclusive"
    if chance.value > limit or chance.value < 1.0 - limit:
        status = "caution" if chance.value > limit else "pass"
    words = {
        "pass": "the lips of the neutral are sealed, whatever else the clip shows",
        "caution": "the lips of the neutral look apart, although they are as near as anywhere in the clip",
        "inconclusive": "whether the lips of the neutral touch cannot be told: a shadow and a narrow gap look alike",
    }[status]
    return Outcome(
        status=status,
        estimate=chance,
        limit=band.text,
        message=f"By the darkness of the seam alone {words}; a gap of a millimetre or two is likely by "
        f"{chance.value:.0%}.",
        action=""
        if status == "pass"
        else "Look at the stills: do the lips touch all along? Else " + ask_for("neutral", ["lips_apart"]),
    )


def _settings(run: PicksRun, limits: Limits) -> Outcome:
    if not run.settings_known:
        return not_applicable(
            "neither a calibration nor an approved fitting was given to compare settings with"
        )
    count = Estimate(value=float(len(run.settings)), n=1)
    if not run.settings:
        return Outcome(
            status="pass",
            estimate=count,
            limit="0",
            message="The clip was recorded as the calibration or the fitting.",
        )
    words = "; ".join(f"{each.name} {each.now}, {each.then} {each.since}" for each in run.settings)
    return Outcome(
        status="fail",
        estimate=count,
        limit="0",
        message=f"Recorded otherwise than before: {words}.",
        action="Set the cameras as they were and film again, or calibrate again as they are now: a calibration holds "
        "for one size, crop, lens and curve.",
    )


def _looks(run: PicksRun, limits: Limits) -> Outcome:
    if run.looks_changed is None:
        return not_applicable("no approved fitting says how the performer looked")
    count = Estimate(value=float(len(run.looks_changed)), n=1)
    if not run.looks_changed:
        return Outcome(
            status="pass",
            estimate=count,
            limit="0",
            message="The performer looks as at the approved fitting.",
        )
    changed = ", ".join(name.replace("_", " ") for name in run.looks_changed)
    return Outcome(
        status="caution",
        estimate=count,
        limit="0",
        message=f"Not as at the approved fitting: {changed}.",
        action="A calibration of a face belongs to a performer as they looked that day: film neutral and bite as the "
        "performer will look in the takes, and tell the next department.",
    )


CHECKS: tuple[Check[PicksRun], ...] = (
    Check(
        code="PIC01",
        title="A neutral, or any pick",
        meaning="Whether the clip holds a moment with sealed lips, eyes open at something far, face at rest and still",
        remedy="Film it again as the report asks",
        limit="",
        measure=_neutral,
    ),
    Check(
        code="PIC02",
        title="A bite",
        meaning="Whether the clip holds a moment with the rows of teeth closed lightly and seen",
        remedy="Film it again as the report asks; without one the teeth are guessed",
        limit="",
        measure=_bite,
    ),
    Check(
        code="PIC03",
        title="Side views",
        meaning="Whether as many side views as were asked for were found",
        remedy="Film them again, the head turned only a little",
        limit="",
        measure=_side,
    ),
    Check(
        code="PIC04",
        title="How good the neutral is",
        meaning="Score of the best neutral, 1 at rest in everything, 0.14 at a limit in everything",
        remedy="See the weakest measures; film it again where there is time",
        limit="picks.score",
        measure=_neutral_score,
    ),
    Check(
        code="PIC05",
        title="How good the bite is",
        meaning="Score of the best bite, in the same way",
        remedy="See the weakest measures; film it again where there is time",
        limit="picks.score",
        measure=_bite_score,
    ),
    Check(
        code="PIC06",
        title="Where the eyes look",
        meaning="How far the eyes turn towards each other in the neutral, against the clip's farthest look",
        remedy="Look at the stills; ask for something far to look at",
        limit="picks.vergence_deg",
        measure=_gaze,
        required=False,
    ),
    Check(
        code="PIC07",
        title="Front teeth behind the lips",
        meaning="How surely the depth of the upper front teeth behind the upper lip is known",
        remedy="Film the bite with the edges of the front teeth in both pictures",
        limit="picks.incisor_sigma_mm",
        measure=_incisors,
        required=False,
    ),
    Check(
        code="PIC08",
        title="Recorded as before",
        meaning="Size, crop, rate, mounting, lens, aperture, focus and transfer curve, each against the calibration "
        "and the approved fitting",
        remedy="Set the cameras as they were, or calibrate again",
        limit="",
        measure=_settings,
    ),
    Check(
        code="PIC09",
        title="Looks as before",
        meaning="The performer's looks as said, against those at the approved fitting",
        remedy="Film neutral and bite as the performer will look in the takes",
        limit="",
        measure=_looks,
    ),
    Check(
        code="PIC10",
        title="Lips sealed, by the seam alone",
        meaning="How likely the neutral's lips are apart after all, by the darkness of their seam against other faces'",
        remedy="Look at the stills; ask for lips that touch lightly all along",
        limit="picks.lips_apart_chance",
        measure=_sealed,
        required=False,
    ),
)
