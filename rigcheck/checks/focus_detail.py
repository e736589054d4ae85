"""Focus seen in the picture alone: detail in the regions, motion blur, camera against camera."""

from dataclasses import replace

from rigcheck.checks.cameras import judge_each, number_text, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.focus_words import FILM, REGION_WORDS, refocus, undecided
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.face.focus_run import FocusRun
from rigcheck.model import Estimate

__all__ = ["CHECKS"]

_SKIN = ("cheeks", "lips", "nose_tip", "sides")
_HALF = 2  # at least half of the regions must be told


def _eyes(run: FocusRun, limits: Limits) -> Outcome:
    judged = judge_each(run, limits, "focus.eye_detail", lambda name: run.number(name, "eyes"), digits=3)
    if judged.estimate.value is None:
        return undecided(judged, FILM)
    message = f"Fine over coarse detail at the eyes, noise taken off: {judged.numbers}."
    return outcome_of(judged, message, _soft(run, judged.camera, limits))


def _skin(run: FocusRun, limits: Limits) -> Outcome:
    worst = {camera.name: _softest(run, camera.name) for camera in run.cameras}
    judged = judge_each(run, limits, "focus.skin_detail", lambda name: worst[name][1], digits=3)
    if judged.estimate.value is None:
        return undecided(judged, FILM)
    regions = "; ".join(
        f"{name}: " + ", ".join(f"{REGION_WORDS[region]} {_short(run, name, region)}" for region in _SKIN)
        for name in worst
    )
    message = (
        f"Fine over coarse detail, noise taken off; softest in {judged.camera}: "
        f"{REGION_WORDS[worst[judged.camera][0]]}. {regions}."
    )
    return outcome_of(judged, message, _soft(run, judged.camera, limits))


def _short(run: FocusRun, camera: str, region: str) -> str:
    number = run.number(camera, region)
    return "not told" if number.value is None else number_text(number, 2)


def _softest(run: FocusRun, camera: str) -> tuple[str, Estimate]:
    """The second softest skin region: one alone may lie out of focus by its depth, or be plain."""
    found = {region: run.number(camera, region) for region in _SKIN}
    known = sorted((each.value, name) for name, each in found.items() if each.value is not None)
    if len(known) < _HALF:
        lost = next(each for each in found.values() if each.value is None)
        return "", replace(lost, reason=f"{lost.reason} (in most regions of {camera})")
    name = known[1][1]
    return name, found[name]


def _soft(run: FocusRun, camera: str, limits: Limits) -> str:
    smear = run.number(camera, "smear_px")
    caution = limits.band("focus.smear_px", camera=camera).caution
    if smear.value is not None and caution is not None and smear.value > caution:
        return (
            f"{camera}: the softness runs along one direction, so it is motion: hold still, and read again."
        )
    return f"First wipe {camera}'s lens and window (grease softens alike). {refocus(run, camera)}"


def _smear(run: FocusRun, limits: Limits) -> Outcome:
    judged = judge_each(run, limits, "focus.smear_px", lambda name: run.number(name, "smear_px"))
    moves = ", ".join(
        f"{camera.name} {number_text(run.number(camera.name, 'moved_px'), 1)}"
        for camera in run.cameras
        if run.number(camera.name, "moved_px").value is not None
    )
    message = f"Length of motion blur, from detail missing along one direction: {judged.numbers}."
    message += f" The face moved from picture to picture: {moves}." if moves else ""
    action = (
        f"{judged.camera}: shorten the shutter (more light, diffused: lamps near the eyes), hold the head still, and "
        "check that helmet and boom do not swing."
    )
    return outcome_of(judged, message, action, remedy=FILM)


def _pair(run: FocusRun, limits: Limits) -> Outcome:
    if len(run.cameras) < 2:
        return not_applicable("one camera only; this is a question to a pair")
    ratios = {region: run.measurements[f"focus.pair.{region}_ratio"] for region in REGION_WORDS}
    known = {region: each for region, each in ratios.items() if each.value}
    band = limits.band("focus.pair_detail")
    if len(known) < _HALF:
        lost = next(each for each in ratios.values() if not each.value)
        message = f"Cannot be told: {lost.reason}."
        return Outcome(status="inconclusive", estimate=lost, limit=band.text, message=message, action=FILM)
    order = sorted(known, key=lambda region: known[region].value or 0.0)
    middle = known[order[len(order) // 2]]
    value = middle.value or 1.0
    softer = run.cameras[1 if value < 1 else 0].name
    sigma = (middle.sigma or 0.0) * (1.0 if value < 1 else 1 / value**2)
    found = Estimate(value=min(value, 1 / value), sigma=sigma, n=len(known))
    status = judge(found, band)
    words = ", ".join(f"{REGION_WORDS[region]} {number_text(known[region], 2)}" for region in known)
    first, second = (camera.name for camera in run.cameras)
    return Outcome(
        status=status,
        estimate=found,
        limit=band.text,
        message=f"Detail of the same skin, {second} over {first}: {words}.",
        action=""
        if status == "pass"
        else f"{softer} is the softer one: wipe its lens. {refocus(run, softer)}",
    )


CHECKS: tuple[Check[FocusRun], ...] = (
    Check(
        code="FOC01",
        title="Detail at the eyes",
        meaning="Fine detail against coarse at lids and lashes, noise taken off; plain is not called soft",
        remedy="Wipe the lens; hold still; refocus and calibrate again",
        limit="focus.eye_detail",
        measure=_eyes,
        required=False,
    ),
    Check(
        code="FOC02",
        title="Detail of the skin",
        meaning="The same on cheeks with folds, lips, nose and sides of the face",
        remedy="Wipe the lens; hold still; refocus and calibrate again",
        limit="focus.skin_detail",
        measure=_skin,
        required=False,
    ),
    Check(
        code="FOC03",
        title="Motion blur",
        meaning="Detail lost along one direction, which defocus does not do",
        remedy="Shorter shutter; a still head; a stiffer boom",
        limit="focus.smear_px",
        measure=_smear,
        required=False,
    ),
    Check(
        code="FOC04",
        title="Camera against camera",
        meaning="Detail of the same skin in the softer camera over the sharper",
        remedy="Wipe or refocus the softer camera, and calibrate again",
        limit="focus.pair_detail",
        measure=_pair,
        required=False,
    ),
)
