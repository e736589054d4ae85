"""What the framing checks share: each camera against its own limits, the worst speaks; numbers in words."""

from collections.abc import Callable
from dataclasses import replace

from rigcheck.checks.cameras import Judged, number_text, worst_camera
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY, Band, judge
from rigcheck.face.fitting_run import FittingRun
from rigcheck.model import Estimate, Status

__all__ = [
    "judge_each",
    "judge_gross",
    "percent",
    "scaled",
    "size_of",
    "worse_of",
]


def judge_each(
    run: FittingRun,
    limits: Limits,
    quantity: str,
    read: Callable[[str], Estimate],
    *,
    words: Callable[[Estimate], str] | None = None,
) -> Judged:
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
    found = {camera.name: read(camera.name) for camera in run.cameras}
    bands = {name: limits.band(quantity, camera=name) for name in found}
    return worst_camera(found, bands, words=say)


def judge_gross(estimate: Estimate, band: Band) -> Status:
    """Judge what shows gross errors only, whose sigma is as wide as the band: by its value.

    A failure needs the whole interval past the fail limit, as everywhere.
    """
    status, bare = judge(estimate, band), judge(replace(estimate, sigma=None), band)
    if status == "fail" or bare != "fail":
        return "fail" if status == "fail" else bare
    return "inconclusive"


def worse_of(first: Judged, second: Judged) -> Judged:
    """Of two judgements the worse; the first when they are alike."""
    return second if SEVERITY.index(second.status) > SEVERITY.index(first.status) else first


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
