"""Which of two calibrations to trust, and why."""

from dataclasses import dataclass

from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.drift.compare import Comparison
from rigcheck.drift.trust import CalibrationFacts
from rigcheck.model import Estimate

_UNITS = ((86400.0, "days"), (3600.0, "hours"), (60.0, "minutes"))
ORDINALS = ("the first", "the second")

__all__ = ["ORDINALS", "Reason", "Trust", "agreement_estimate", "differs", "failed_first", "which_to_trust"]


@dataclass(frozen=True, kw_only=True)
class Reason:
    """One thing that speaks for one of the two: 0 the first, 1 the second, None neither."""

    favours: int | None
    sentence: str


@dataclass(frozen=True, kw_only=True)
class Trust:
    """The answer: 0 the first, 1 the second, None either (`sentence` says which case it is)."""

    choice: int | None
    sentence: str
    reasons: tuple[Reason, ...]


def agreement_estimate(comparison: Comparison) -> Estimate:
    """Share of unchanged rigs that differ as much: by all numbers, by the pose alone where lens models differ."""
    found = comparison.measurements["agreement.p_value"]
    return found if found.value is not None else comparison.measurements.get("agreement.pose_p_value", found)


def differs(comparison: Comparison, limits: Limits) -> bool | None:
    """Whether the two differ by more than their sigmas; None when that cannot be tested."""
    found = agreement_estimate(comparison)
    if found.value is None:
        return None
    return judge(found, limits.band("compare.p_value")) != "pass"


def failed_first(facts: CalibrationFacts) -> bool:
    """Whether a calibration failed a check of its own run."""
    return bool(facts.failed) or facts.verdict == "fail"


def which_to_trust(comparison: Comparison, limits: Limits) -> Trust:
    """Weigh what is known of both.

    Notes
    -----
    One that failed a check of its own is never chosen. When the two differ by more than their sigmas the rig
    changed, or one of them is wrong: each then holds for the footage of its own time, the later one from now on.
    When they agree, the one that is surer of the depth on the face is the better description.
    """
    facts = comparison.facts
    reasons = (
        *_by_failures(facts),
        *_by_sigma(facts, limits),
        *_by_views(facts),
        *_by_coverage(facts, limits),
        *_by_drift(facts, limits),
        *_by_age(facts),
    )
    bad = [failed_first(one) for one in facts]
    changed = differs(comparison, limits)
    harmful = judge(comparison.measurements["harm.depth_mm"], limits.band("harm.depth_mm")) == "fail"
    if all(bad):
        return Trust(choice=None, sentence="Trust neither: both failed checks of their own.", reasons=reasons)
    if any(bad):
        choice = bad.index(False)
        sentence = f"Trust {ORDINALS[choice]}: the other failed checks of its own run."
        return Trust(choice=choice, sentence=sentence, reasons=reasons)
    if changed or (changed is None and harmful):
        return _changed(facts, reasons)
    return _alike(facts, reasons, limits, tested=changed is not None)


def _changed(facts: tuple[CalibrationFacts, CalibrationFacts], reasons: tuple[Reason, ...]) -> Trust:
    later = _later(facts)
    if later is None:
        sentence = (
            "The rig changed between the two, or one of them is wrong; when they were made is not known, so only "
            "the board before the cameras today can tell which one holds."
        )
        return Trust(choice=None, sentence=sentence, reasons=reasons)
    sentence = (
        "The rig changed between the two, or one of them is wrong: use each for the footage of its own time, and "
        f"from now on {ORDINALS[later]}, which is later."
    )
    return Trust(choice=later, sentence=sentence, reasons=reasons)


def _alike(
    facts: tuple[CalibrationFacts, CalibrationFacts],
    reasons: tuple[Reason, ...],
    limits: Limits,
    *,
    tested: bool,
) -> Trust:
    start = (
        "Within their sigmas they agree" if tested else "Whether they agree within sigmas cannot be tested"
    )
    surer = _surer(facts, limits)
    if surer is not None:
        return Trust(
            choice=surer,
            sentence=f"{start}; trust {ORDINALS[surer]}, which is surer of the depth on the face.",
            reasons=reasons,
        )
    favoured = {reason.favours for reason in reasons if reason.favours is not None}
    if len(favoured) == 1:
        choice = favoured.pop()
        return Trust(
            choice=choice,
            sentence=f"{start}; {ORDINALS[choice]} has more on its side.",
            reasons=reasons,
        )
    return Trust(
        choice=None, sentence=f"{start}, and neither is clearly better: use either.", reasons=reasons
    )


def _surer(facts: tuple[CalibrationFacts, CalibrationFacts], limits: Limits) -> int | None:
    sigmas = [one.harm_sigma_mm for one in facts]
    if sigmas[0] is None or sigmas[1] is None or min(sigmas[0], sigmas[1]) <= 0:
        return None
    ratio = max(sigmas[0], sigmas[1]) / min(sigmas[0], sigmas[1])
    if ratio < limits["compare.sigma_ratio.caution"].value:
        return None
    return int(sigmas[1] < sigmas[0])


def _later(facts: tuple[CalibrationFacts, CalibrationFacts]) -> int | None:
    first, second = facts[0].moment, facts[1].moment
    if first is None or second is None or first == second:
        return None
    return int(second > first)


def _by_failures(facts: tuple[CalibrationFacts, CalibrationFacts]) -> list[Reason]:
    out = []
    for index, one in enumerate(facts):
        name = ORDINALS[index].capitalize()
        if one.failed:
            what = ", ".join(f"{check.code} {check.title}" for check in one.failed)
            out.append(Reason(favours=1 - index, sentence=f"{name} failed {what}."))
        elif one.verdict is None:
            out.append(Reason(favours=None, sentence=f"{name} has no result.json of its own run beside it."))
        elif one.verdict == "inconclusive":
            out.append(Reason(favours=1 - index, sentence=f"{name} was not decided by its own checks."))
    return out


def _by_sigma(facts: tuple[CalibrationFacts, CalibrationFacts], limits: Limits) -> list[Reason]:
    sigmas = [one.harm_sigma_mm for one in facts]
    if sigmas[0] is None or sigmas[1] is None:
        return []
    sentence = f"Depth sigma on the face: {sigmas[0]:.3f} mm in the first, {sigmas[1]:.3f} mm in the second."
    return [Reason(favours=_surer(facts, limits), sentence=sentence)]


def _by_views(facts: tuple[CalibrationFacts, CalibrationFacts]) -> list[Reason]:
    """Views count through the sigma they give, so they favour neither by themselves."""
    views = [one.views for one in facts]
    if None in views:
        return []
    return [Reason(favours=None, sentence=f"Views of the board: {views[0]} and {views[1]}.")]


def _by_coverage(facts: tuple[CalibrationFacts, CalibrationFacts], limits: Limits) -> list[Reason]:
    first, second = facts[0].coverage, facts[1].coverage
    if first is None or second is None:
        return []
    gap = second - first
    far = abs(gap) >= limits["compare.coverage_gap.caution"].value
    sentence = f"Share of the picture in which the board was seen: {first:.0%} and {second:.0%}."
    return [Reason(favours=int(gap > 0) if far else None, sentence=sentence)]


def _by_drift(facts: tuple[CalibrationFacts, CalibrationFacts], limits: Limits) -> list[Reason]:
    most = limits["clip.drift_depth_mm.caution"].value
    out = []
    for index, one in enumerate(facts):
        if one.drift_depth_mm is not None and one.drift_depth_mm > most:
            found = Estimate(value=one.drift_depth_mm, sigma=one.drift_sigma_mm, unit="mm")
            sentence = (
                f"{ORDINALS[index].capitalize()} drifted while it was filmed, by {found.value:.2f} mm in depth: "
                "cameras still warming up, or something loose."
            )
            out.append(Reason(favours=1 - index, sentence=sentence))
    return out


def _by_age(facts: tuple[CalibrationFacts, CalibrationFacts]) -> list[Reason]:
    first, second = facts[0].moment, facts[1].moment
    if first is None or second is None:
        return [Reason(favours=None, sentence="When they were made cannot be told from both files.")]
    apart = abs((second - first).total_seconds())
    size, unit = next((one for one in _UNITS if apart >= one[0]), _UNITS[-1])
    text = f"{apart / size:.1f} {unit}"
    later = ORDINALS[int(second > first)].capitalize()
    return [Reason(favours=None, sentence=f"{later} was made {text} after the other.")]
