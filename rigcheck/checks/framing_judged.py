"""What the framing checks share: each camera against its own limits, the worst speaks; numbers in words."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from rigcheck.checks.cameras import number_text
from rigcheck.checks.core import Outcome, not_measured
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import Band, judge
from rigcheck.face.fitting_run import FittingRun
from rigcheck.model import Estimate, Status

__all__ = [
    "JudgedCamera",
    "judge_each",
    "judge_gross",
    "outcome_for",
    "percent",
    "scaled",
    "size_of",
    "worse_of",
]

_SEVERITY: tuple[Status, ...] = ("pass", "skipped", "caution", "inconclusive", "fail")


@dataclass(frozen=True, kw_only=True)
class JudgedCamera:
    """One quantity of every camera, each against its own limits: the worst one, and all numbers as text."""

    camera: str
    estimate: Estimate
    status: Status
    band: Band
    numbers: str


def judge_each(
    run: FittingRun,
    limits: Limits,
    quantity: str,
    read: Callable[[str], Estimate],
    *,
    words: Callable[[Estimate], str] | None = None,
) -> JudgedCamera:
    """Judge every camera's number against its own limits.

    Parameters
    ----------
    run : FittingRun
    limits : Limits
    quantity : str
        Of the limits, such as ``framing.roll_deg``.
    read : callable
        Camera name to the Estimate judged.
    words : callable, optional
        How a number is written.
    """
    say = words or (lambda estimate: number_text(estimate, 1))
    found = []
    for camera in run.cameras:
        estimate = read(camera.name)
        band = limits.band(quantity, camera=camera.name)
        found.append((camera.name, estimate, judge(estimate, band), band))
    name, estimate, status, band = max(
        found, key=lambda each: (_SEVERITY.index(each[2]), _badness(each[1], each[3]))
    )
    return JudgedCamera(
        camera=name,
        estimate=estimate,
        status=status,
        band=band,
        numbers=", ".join(f"{each[0]} {say(each[1])}" for each in found),
    )


def judge_gross(estimate: Estimate, band: Band) -> Status:
    """Judge what shows gross errors only, whose sigma is as wide as the band: by its value.

    A failure needs the whole interval past the fail limit, as everywhere.
    """
    status, bare = judge(estimate, band), judge(replace(estimate, sigma=None), band)
    if status == "fail" or bare != "fail":
        return "fail" if status == "fail" else bare
    return "inconclusive"


def worse_of(first: JudgedCamera, second: JudgedCamera) -> JudgedCamera:
    """Of two judgements the worse; the first when they are alike."""
    return second if _SEVERITY.index(second.status) > _SEVERITY.index(first.status) else first


def outcome_for(judged: JudgedCamera, message: str, action: str, *, remedy: str) -> Outcome:
    """Make an outcome; a pass needs no action, and what has no number is skipped with `remedy`."""
    if judged.status == "skipped":
        return not_measured(judged.estimate, judged.band.text, action=remedy)
    return Outcome(
        status=judged.status,
        estimate=judged.estimate,
        limit=judged.band.text,
        message=message,
        action="" if judged.status == "pass" else action,
    )


def scaled(estimate: Estimate, factor: float, *, unit: str = "") -> Estimate:
    """The estimate in another unit; without a value it stays so."""
    if estimate.value is None:
        return replace(estimate, unit=unit)
    sigma = None if estimate.sigma is None else abs(factor) * estimate.sigma
    return Estimate(value=factor * estimate.value, sigma=sigma, unit=unit, n=estimate.n)


def size_of(estimate: Estimate) -> Estimate:
    """The estimate without its sign."""
    return estimate if estimate.value is None else replace(estimate, value=abs(estimate.value))


def percent(estimate: Estimate) -> str:
    """Write a share as per cent with its sigma."""
    if estimate.value is None:
        return "not measured"
    sigma = "" if estimate.sigma is None else f" ± {100 * estimate.sigma:.1f}"
    return f"{100 * estimate.value:.1f}{sigma} %"


def _badness(estimate: Estimate, band: Band) -> float:
    if estimate.value is None:
        return 0.0
    return estimate.value if band.worse == "above" else -estimate.value
