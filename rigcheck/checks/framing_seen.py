"""From where the face is seen, what is seen of it, what stands before it, and whether the helmet holds."""

from dataclasses import replace

from rigcheck.checks.cameras import Judged, judge_each, number_text, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.framing_judged import (
    judge_gross,
    percent,
    scaled,
    size_of,
    worse_of,
)
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.face.fitting_run import FittingRun
from rigcheck.model import Estimate, Status

__all__ = ["CHECKS"]

# Less of the face than this having moved, nothing found does not mean that nothing is there.
_ENOUGH_JUDGED = 0.5
_ROCK = (
    "To have all of the face judged, film a few seconds in which the performer talks and the helmet is rocked gently "
    "by a few millimetres; until then look at the pictures below for boom, cable and microphone."
)
_MARK = "Mark more points by hand (eyes, nose, chin) and give the file with --points."


def _degrees(estimate: Estimate) -> str:
    return (
        "not measured" if estimate.value is None else f"{estimate.value:+.0f} ± {estimate.sigma or 0.0:.0f}°"
    )


def _look(run: FittingRun, limits: Limits) -> Outcome:
    up = judge_each(
        run, limits, "framing.look_up_deg", lambda name: run.number(name, "look_up_deg"), words=_degrees
    )
    down = judge_each(
        run,
        limits,
        "framing.look_down_deg",
        lambda name: scaled(run.number(name, "look_up_deg"), -1.0, unit="deg"),
        words=_degrees,
    )
    judged = worse_of(up, down)
    message = (
        f"The camera looks up at the face's level by: {up.numbers} (below nothing it looks down). A little from below "
        "is wanted: it shows the lip seam and the inner edge of the upper lids. Sigma holds how people differ."
    )
    action = (
        f"{judged.camera} stands too low: raise the bar, tilting it down so that the face stays in the middle."
        if judged is up
        else f"{judged.camera} stands too high: lower the bar, tilting it up so that the face stays in the middle."
    )
    return outcome_of(judged, message, action, remedy=_MARK)


def _best(run: FittingRun, limits: Limits, quantity: str, read: str, *, sign_free: bool) -> Judged:
    """Judge the camera that sees it best: one is enough."""
    found = []
    for camera in run.cameras:
        estimate = run.number(camera.name, read)
        estimate = size_of(estimate) if sign_free else estimate
        band = limits.band(quantity, camera=camera.name)
        found.append((camera.name, estimate, judge(estimate, band), band))
    order: tuple[Status, ...] = ("pass", "caution", "inconclusive", "fail", "skipped")
    name, estimate, status, band = min(found, key=lambda each: order.index(each[2]))
    numbers = ", ".join(f"{each[0]} {_degrees(run.number(each[0], read))}" for each in found)
    return Judged(camera=name, estimate=estimate, status=status, band=band, numbers=numbers)


def _lids_and_lips(run: FittingRun, limits: Limits) -> Outcome:
    shut = judge_each(
        run,
        limits,
        "framing.eyes_shut_share",
        lambda name: run.number(name, "eyes_shut_share"),
        words=percent,
    )
    bands = {each.name: limits.band("framing.eyes_shut_share", camera=each.name) for each in run.cameras}
    if all(judge(run.number(name, "eyes_shut_share"), band) == "caution" for name, band in bands.items()):
        message = (
            f"The eyes are shut, or hard to see, in {shut.numbers} of the pictures: no lid can be judged."
        )
        return outcome_of(shut, message, "Film again with the eyes open and looking ahead.", remedy=_MARK)
    lids = _best(run, limits, "framing.lids_from_below_deg", "lids_from_below_deg", sign_free=False)
    lips = _best(run, limits, "framing.lips_askew_deg", "lips_from_below_deg", sign_free=True)
    judged = worse_of(lids, lips)
    message = (
        f"The upper lids are seen from below by: {lids.numbers}; their inner edge shows from below only. The lips are "
        f"seen from below by: {lips.numbers}; the seam shows best straight on. One camera that sees each is enough."
    )
    action = (
        "Lower the bar, or the lower camera, tilting it up, until one camera looks up at the lids."
        if judged is lids
        else "Move the bar nearer to the height of the mouth: from far above or below the lips hide their seam."
    )
    return outcome_of(judged, message, action, remedy=_MARK)


def _mouth(run: FittingRun, limits: Limits) -> Outcome:
    detail = judge_each(
        run,
        limits,
        "framing.mouth_detail",
        lambda name: run.number(name, "mouth_detail"),
        words=lambda estimate: number_text(estimate, 2),
    )
    sure = judge_each(
        run,
        limits,
        "framing.sureness",
        lambda name: run.number(name, "sureness"),
        words=lambda estimate: number_text(estimate, 1),
    )
    unclear = judge_each(
        run,
        limits,
        "framing.mouth_unclear_share",
        lambda name: run.number(name, "mouth_unclear_share"),
        words=percent,
    )
    judged = worse_of(worse_of(detail, sure), unclear)
    message = (
        f"What runs along the lips, over the contrast of the eyes: {detail.numbers}; how sure the face mesh is of a "
        f"face (raw logit): {sure.numbers}; pictures in which its looks at the mouth differ: {unclear.numbers}. A mask "
        "or hand before the mouth lowers the first two and raises the third; a jaw wide open does as well."
    )
    action = (
        f"Look at the picture of {judged.camera}: where a mask, hand or microphone covers mouth or nose, take it "
        "away and film again; where the face is clear, check the small crosses, and mark points by hand (--points) "
        "where they are wrong."
    )
    return outcome_of(judged, message, action, remedy=_MARK)


def _covered(run: FittingRun, limits: Limits) -> Outcome:
    judged = judge_each(
        run, limits, "framing.covered_share", lambda name: run.number(name, "covered_share"), words=percent
    )
    cover = run.covers[judged.camera]
    least = min(each.judged for each in run.covers.values())
    places = " and ".join(cover.where) or "the face"
    message = (
        f"What stands still while the face moves covers: {judged.numbers} of the face"
        + (f"; in {judged.camera} near {places}" if cover.where else "")
        + f". {100 * least:.0f} % of the face moved enough to tell."
    )
    if judged.status == "pass" and least < _ENOUGH_JUDGED:
        judged = replace(judged, status="inconclusive")
        return outcome_of(judged, message, _ROCK, remedy=_ROCK)
    action = (
        f"Clear the view of {judged.camera} near {places}: bend the boom or tie the cable or microphone away; where it "
        "is a hard shadow or highlight, move or soften the lamp."
    )
    return outcome_of(judged, message, action, remedy=_ROCK)


def _slip(run: FittingRun, limits: Limits) -> Outcome:
    def share(name: str) -> Estimate:
        eyes = run.number(name, "eye_distance_px").value
        slip = run.number(name, "slip_px")
        return slip if not eyes else scaled(slip, 1.0 / eyes, unit="of eye distance")

    judged = judge_each(run, limits, "framing.slip", share, words=percent)
    millimetres = ", ".join(
        f"{each.name} {number_text(run.number(each.name, 'slip_mm'), 1)}" for each in run.cameras
    )
    about = "" if run.calibrated else "about "
    turned = ", ".join(
        f"{each.name} {number_text(size_of(run.number(each.name, 'slip_turn_deg')), 1)}"
        for each in run.cameras
    )
    message = (
        f"Eyes and bridge of the nose moved in the frame within the clip by: {judged.numbers} of the distance between "
        f"the outer eye corners ({about}{millimetres}; turned by {turned})."
    )
    action = (
        "The helmet slides on the head: tighten it or change the pads, without pressure points; check with the "
        "performer shaking and nodding gently. Pain, numbness or dizziness: stop and take it off."
    )
    remedy = "To have it judged, film a few seconds in which the performer talks and nods gently."
    return outcome_of(judged, message, action, remedy=remedy)


def _agree(run: FittingRun, limits: Limits) -> Outcome:
    if len(run.cameras) < 2:
        return not_applicable("one camera only; this is a question to a pair")
    found: list[Judged] = []
    for name, quantity, words in (
        ("epipolar_share", "framing.epipolar_share", "{} of the eye distance from lines of sight that meet"),
        ("roll_difference_deg", "framing.roll_difference_deg", "{} in roll"),
        ("size_ratio", "framing.size_difference", "{} in size"),
    ):
        estimate = run.measurements.get(f"framing.pair.{name}")
        if estimate is None:
            continue
        band = limits.band(quantity)
        text = number_text(estimate, 1) if name == "roll_difference_deg" else percent(estimate)
        found.append(
            Judged(
                camera=name,
                estimate=size_of(estimate),
                status=judge_gross(size_of(estimate), band),
                band=band,
                numbers=words.format(text),
            )
        )
    judged = found[0]
    for other in found[1:]:
        judged = worse_of(judged, other)
    message = f"The two cameras' faces differ by: {'; '.join(each.numbers for each in found)}."
    if "framing.pair.epipolar_share" not in run.measurements:
        message += " Whether a picture is mirrored, or the cameras are exchanged, cannot be told without a calibration."
    actions = {
        "epipolar_share": "Pictures, cameras and calibration do not belong together: check the order of the two "
        "footages, that neither is mirrored, the pairing, and that the calibration is this rig's and of today.",
        "roll_difference_deg": "Turn one camera in its mount until the eyes lie alike in both; calibrate again.",
        "size_ratio": "One camera stands nearer or has another lens: check both, and that the footages are of one rig.",
    }
    return outcome_of(judged, message, actions[judged.camera], remedy=_MARK)


CHECKS: tuple[Check[FittingRun], ...] = (
    Check(
        code="FRM09",
        title="Looking up",
        meaning="From how far below or above the face's level a camera looks at it",
        remedy="Raise or lower the bar and tilt it back",
        limit="framing.look_up_deg",
        measure=_look,
    ),
    Check(
        code="FRM10",
        title="Lids and lips seen",
        meaning="Whether the inner edge of the upper lids and the lip seam are seen by at least one camera",
        remedy="Lower the bar until one camera looks up at the lids; eyes open",
        limit="framing.lids_from_below_deg",
        measure=_lids_and_lips,
    ),
    Check(
        code="FRM11",
        title="Fixed before the face",
        meaning="What stands still in the picture while the face moves: boom, cable, microphone",
        remedy="Bend or tie it out of the view",
        limit="framing.covered_share",
        measure=_covered,
        required=False,
    ),
    Check(
        code="FRM12",
        title="Helmet movement",
        meaning="How far the rigid part of the face moved in the frame within the clip",
        remedy="Tighten the helmet, change the pads",
        limit="framing.slip",
        measure=_slip,
        required=False,
    ),
    Check(
        code="FRM17",
        title="Mouth uncovered",
        meaning="Whether a mouth is seen where the points put it, and how sure the face mesh is",
        remedy="Take mask or hand away; check the points, mark them by hand where wrong",
        limit="framing.mouth_detail",
        measure=_mouth,
        required=False,
    ),
    Check(
        code="FRM13",
        title="Cameras agree",
        meaning="Whether both cameras show one face, in the way the calibration says",
        remedy="Check order, mirroring, pairing and which calibration it is",
        limit="framing.epipolar_share",
        measure=_agree,
        required=False,
    ),
)
