"""What speaks against a moment, pose by pose: every measure that lies beyond its limit, the worst first."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from rigcheck.model import Finding
from rigcheck.model.picking import PickGates, PickPose

__all__ = ["FAULTS", "FaultRule", "excess_of", "faults_of"]

Numbers = Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class FaultRule:
    """One way a moment can be wrong.

    `measure` names the number, `limit` the limit (`picks.` left out), `above` says on which side of it the fault
    lies; `sentence` takes the number as {0} and the limit as {1}, both times `shown`. `shape` rewrites the
    number first, such as by taking its size.
    """

    code: str
    measure: str
    limit: str
    sentence: str
    above: bool = True
    shown: float = 1.0
    shape: Callable[[float], float] | None = None


_MM = 87.8  # outer-eye distance of an average head: shares are shown as millimetres on it

_HELD: tuple[FaultRule, ...] = (
    FaultRule(
        code="moving",
        measure="speed_face",
        limit="face_speed",
        sentence="the face moves at {0:.0f} mm/s, {1:.0f} allowed",
        shown=_MM,
    ),
    FaultRule(
        code="head_moving",
        measure="speed_head",
        limit="head_speed",
        sentence="the head moves in the helmet at {0:.0f} mm/s, {1:.0f} allowed",
        shown=_MM,
    ),
    FaultRule(
        code="soft",
        measure="sharpness",
        limit="sharpness",
        sentence="fine detail is {0:.0%} of what the clip's sharp moments have, {1:.0%} needed",
        above=False,
    ),
)

FAULTS: Mapping[PickPose, tuple[FaultRule, ...]] = {
    "neutral": (
        FaultRule(
            code="eyes_shut",
            measure="lids",
            limit="lids",
            sentence="the lids are open by {0:.0%} of this performer's open eye, {1:.0%} needed",
            above=False,
        ),
        FaultRule(
            code="blink_near",
            measure="lids_near",
            limit="lids_near",
            sentence="a blink is on the way: a moment earlier or later the lids are open by {0:.0%}, {1:.0%} needed",
            above=False,
        ),
        FaultRule(
            code="looks_near",
            measure="vergence_deg",
            limit="vergence_deg",
            sentence="the eyes turn {0:.0f}° towards each other, {1:.0f}° allowed: they look at something near",
        ),
        FaultRule(
            code="looks_aside",
            measure="gaze_aside_deg",
            limit="gaze_aside_deg",
            sentence="the eyes look {0:.0f}° to one side of the usual, {1:.0f}° allowed",
            shape=abs,
        ),
        FaultRule(
            code="looks_up_or_down",
            measure="gaze_down_deg",
            limit="gaze_down_deg",
            sentence="the eyes look {0:.0f}° above or below the usual, {1:.0f}° allowed",
            shape=abs,
        ),
        FaultRule(
            code="mouth_open",
            measure="lip_gap",
            limit="lip_gap",
            sentence="the lips are {0:.0f} mm apart by the points of the face, {1:.0f} mm allowed",
            shown=_MM,
        ),
        FaultRule(
            code="lips_apart",
            measure="seam_open",
            limit="seam_open",
            sentence="the dark line between the lips is {0:.1f} mm wider than sealed, {1:.1f} mm allowed",
            shown=_MM,
        ),
        FaultRule(
            code="lips_near",
            measure="seam_near",
            limit="seam_open",
            sentence="the lips are not held: a moment earlier or later the dark line between them is {0:.1f} mm wider "
            "than sealed, {1:.1f} mm allowed",
            shown=_MM,
        ),
        FaultRule(
            code="lips_pressed",
            measure="lips_pressed",
            limit="lips_pressed",
            sentence="the mouth is {0:.0f} mm wider than usual, or the lips much thinner: pressed, or a broad smile "
            "({1:.0f} mm allowed)",
            shown=_MM,
        ),
        FaultRule(
            code="lips_pursed",
            measure="lips_pursed",
            limit="lips_pursed",
            sentence="the mouth is {0:.1f} mm narrower than usual: pursed ({1:.1f} mm allowed)",
            shown=_MM,
        ),
        FaultRule(
            code="mouth_drawn",
            measure="mouth_drawn",
            limit="mouth_drawn",
            sentence="the mouth is {0:.1f} mm wider than usual: smiling, drawn or lightly pressed ({1:.1f} mm allowed)",
            shown=_MM,
        ),
        FaultRule(
            code="brows_moved",
            measure="brows",
            limit="brows",
            sentence="the brows are {0:.1f} mm off their usual height, {1:.1f} mm allowed",
            shown=_MM,
        ),
        FaultRule(
            code="jaw_aside",
            measure="jaw_aside",
            limit="jaw_aside",
            sentence="the chin is {0:.1f} mm to one side of its usual place, {1:.1f} mm allowed",
            shown=_MM,
            shape=abs,
        ),
        *_HELD,
    ),
    "bite": (
        FaultRule(
            code="no_teeth",
            measure="teeth",
            limit="teeth_shown",
            sentence="{0:.0f} mm of teeth are seen between the lips, {1:.0f} mm needed",
            above=False,
            shown=_MM,
        ),
        FaultRule(
            code="rows_apart",
            measure="row_gap",
            limit="row_gap",
            sentence="a dark line of {0:.1f} mm parts the rows of teeth, {1:.1f} mm allowed",
            shown=_MM,
        ),
        FaultRule(
            code="grimace",
            measure="grimace",
            limit="grimace",
            sentence="the brows are drawn down by {0:.1f} mm with the teeth bared: a grimace ({1:.1f} mm allowed)",
            shown=_MM,
        ),
        *_HELD,
    ),
    "side": (
        FaultRule(
            code="not_turned",
            measure="turned_deg",
            limit="turned_least_deg",
            sentence="the head is turned by {0:.0f}°, {1:.0f}° needed",
            above=False,
        ),
        FaultRule(
            code="turned_too_far",
            measure="turned_deg",
            limit="turned_most_deg",
            sentence="the head is turned by {0:.0f}°, {1:.0f}° allowed: points of the far side hide",
        ),
        FaultRule(
            code="eye_hidden",
            measure="eye_width_ratio",
            limit="eye_width_ratio",
            sentence="the far eye is {0:.0%} as wide as the near one, {1:.0%} needed for both its corners to be seen",
            above=False,
        ),
        FaultRule(
            code="eyes_shut",
            measure="lids",
            limit="lids",
            sentence="the lids are open by {0:.0%} of this performer's open eye, {1:.0%} needed",
            above=False,
        ),
        FaultRule(
            code="mouth_open",
            measure="lip_gap",
            limit="lip_gap",
            sentence="the lips are {0:.0f} mm apart by the points of the face, {1:.0f} mm allowed",
            shown=_MM,
        ),
        *_HELD,
    ),
}


def excess_of(rule: FaultRule, numbers: Numbers, gates: PickGates) -> float | None:
    """How far a number lies towards its limit: 0 at best, 1 at the limit, more beyond; None where it is not known.

    For limits from below, 0 is one for a share and twice the limit for anything else; from above, none at all.
    """
    if rule.measure not in numbers:
        return None
    value = numbers[rule.measure]
    if rule.shape is not None:
        value = rule.shape(value)
    limit = gates[f"picks.{rule.limit}"]
    if rule.above:
        return max(value, 0.0) / max(limit, 1e-9)
    # A share of what is whole is best at one; anything else at twice its limit.
    room = 1.0 - limit if 0.4 < limit < 1.0 else limit
    return max(1.0 + (limit - value) / max(room, 1e-9), 0.0)


def faults_of(pose: PickPose, numbers: Numbers, gates: PickGates) -> tuple[Finding, ...]:
    """Every fault of a moment for a pose, the worst first.

    Parameters
    ----------
    pose : {"neutral", "bite", "side"}
    numbers : mapping of str to float
        See `picks_numbers.moment_numbers`.
    gates : PickGates
    """
    found: list[tuple[float, Finding]] = []
    for rule in FAULTS[pose]:
        excess = excess_of(rule, numbers, gates)
        if excess is None or excess <= 1.0:
            continue
        found.append((excess, Finding(code=rule.code, sentence=_sentence(rule, numbers, gates))))
    return tuple(finding for _, finding in _ordered(found))


def _ordered(found: Sequence[tuple[float, Finding]]) -> list[tuple[float, Finding]]:
    return sorted(found, key=lambda each: -each[0])


def _sentence(rule: FaultRule, numbers: Numbers, gates: PickGates) -> str:
    value = numbers[rule.measure]
    if rule.shape is not None:
        value = rule.shape(value)
    return rule.sentence.format(value * rule.shown, gates[f"picks.{rule.limit}"] * rule.shown)
