"""A number against its limits, with its uncertainty; and many such into one verdict."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from rigcheck.model import CheckResult, Estimate, Status

__all__ = ["SEVERITY", "Band", "Verdict", "exit_code", "judge", "overall_verdict"]

Verdict = Literal["pass", "caution", "fail", "inconclusive"]

# GUM (JCGM 100:2008), 6.2.1 and G.6.6: coverage factor 2 is a level of confidence of about 95 %.
COVERAGE_FACTOR = 2.0

# How bad a status is when the worst of several speaks for all: not judged is worse than a pass.
SEVERITY: tuple[Status, ...] = ("pass", "skipped", "caution", "inconclusive", "fail")


@dataclass(frozen=True, kw_only=True)
class Band:
    """The limits of one quantity: caution past the first, fail past the second; None where there is none.

    `worse` says which way is worse. A value exactly on a limit is still on its good side.
    """

    caution: float | None
    fail: float | None
    unit: str = ""
    worse: Literal["above", "below"] = "above"

    def __post_init__(self) -> None:
        """Refuse a band without limits, or whose fail limit is milder than its caution limit."""
        if self.caution is None and self.fail is None:
            raise ValueError("Band: a caution or a fail limit is needed")
        if self.caution is not None and self.fail is not None and self._sign * (self.fail - self.caution) < 0:
            raise ValueError("Band: the fail limit is milder than the caution limit")

    @property
    def _sign(self) -> float:
        return 1.0 if self.worse == "above" else -1.0

    @property
    def text(self) -> str:
        """The limits for a person: "≤ 0.3 px, fail > 1 px"."""
        good, bad = ("≤", ">") if self.worse == "above" else ("≥", "<")
        unit = "\N{DEGREE SIGN}" if self.unit == "deg" else f" {self.unit}" if self.unit else ""
        if self.caution is None:
            return f"{good} {self.fail:g}{unit}"
        text = f"{good} {self.caution:g}{unit}"
        return text if self.fail is None else f"{text}, fail {bad} {self.fail:g}{unit}"


def judge(estimate: Estimate, band: Band) -> Status:
    """Compare a number with its limits.

    Parameters
    ----------
    estimate : Estimate
        Its interval is value ± 2 sigma; without a sigma the value stands alone.
    band : Band

    Returns
    -------
    Status
        - ``skipped``: there is no value.
        - ``fail``: the whole interval is past the fail limit.
        - ``inconclusive``: part of the interval is past the fail limit. A better measurement is needed.
        - ``pass``: the whole interval is within the caution limit (the fail limit, where there is no other).
        - ``caution``: everything else; good is not proven, bad is ruled out.

    Notes
    -----
    A value that is itself an uncertainty (harm on the face) carries no sigma and is judged by itself. With
    the same sigma a worse value never gets a better status in the order pass, caution, inconclusive, fail.
    A larger sigma never turns anything into a pass or a fail. Without a sigma nothing is inconclusive. A band
    without a fail limit knows pass and caution only.
    """
    if estimate.value is None:
        return "skipped"
    sign = 1.0 if band.worse == "above" else -1.0
    reach = COVERAGE_FACTOR * (estimate.sigma or 0.0)
    best, worst = sign * estimate.value - reach, sign * estimate.value + reach
    if band.fail is not None and worst > sign * band.fail:
        return "fail" if best > sign * band.fail else "inconclusive"
    if band.caution is None or worst <= sign * band.caution:
        return "pass"
    return "caution"


def overall_verdict(results: Iterable[CheckResult]) -> Verdict:
    """Sum up: fail, else inconclusive, else caution, else pass.

    Parameters
    ----------
    results : iterable of CheckResult

    Returns
    -------
    Verdict
        A required check that is inconclusive, or was skipped, makes the whole inconclusive; so does it when
        nothing was judged at all. One that is not required counts as a caution when it is inconclusive.
    """
    results = list(results)
    statuses = [result.status for result in results]
    if "fail" in statuses:
        return "fail"
    if any(result.required and result.status in ("inconclusive", "skipped") for result in results):
        return "inconclusive"
    if not any(status in ("pass", "caution") for status in statuses):
        return "inconclusive"
    return "caution" if "caution" in statuses or "inconclusive" in statuses else "pass"


def exit_code(verdict: Verdict) -> int:
    """Exit code of a command that could measure: 0 pass or caution, 4 fail, 5 inconclusive."""
    return {"pass": 0, "caution": 0, "fail": 4, "inconclusive": 5}[verdict]
