"""What the framing checks share: each camera against its own limits, the worst speaks; numbers in words."""

from dataclasses import replace

from rigcheck.checks.cameras import Judged
from rigcheck.checks.verdict import SEVERITY, Band, judge
from rigcheck.model import Estimate, Status

__all__ = [
    "judge_gross",
    "percent",
    "scaled",
    "size_of",
    "worse_of",
]


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
