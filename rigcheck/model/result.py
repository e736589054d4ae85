"""What was judged: limits, checks, and the report that carries them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rigcheck.model.estimate import Estimate
from rigcheck.model.observation import Rejection

__all__ = ["CheckResult", "EffectiveLimit", "Provenance", "Report", "Status"]

Status = Literal["pass", "caution", "fail", "inconclusive", "skipped"]


@dataclass(frozen=True, kw_only=True)
class EffectiveLimit:
    """A threshold in force: value, unit, where the number comes from, and who set it here."""

    name: str
    value: float
    unit: str
    source: str
    origin: str


@dataclass(frozen=True, kw_only=True)
class CheckResult:
    """One judged number: status, number, limit, a sentence, and what to do.

    `limit` is text for a person ("≤ 0.30 px"); `action` is empty only when nothing needs doing.
    """

    code: str
    title: str
    status: Status
    estimate: Estimate
    limit: str
    message: str
    action: str
    required: bool = True


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """What a result was made from: versions, the hash of each input, options, when."""

    created: str
    versions: Mapping[str, str]
    inputs_sha256: Mapping[str, str]
    options: Mapping[str, object]
    command: str


@dataclass(frozen=True, kw_only=True)
class Report:
    """Everything the terminal, result.json and report.html are made from."""

    command: str
    verdict: Literal["pass", "caution", "fail", "inconclusive"]
    checks: tuple[CheckResult, ...]
    measurements: Mapping[str, Estimate]
    rejected: tuple[Rejection, ...]
    limits: tuple[EffectiveLimit, ...]
    provenance: Provenance
    notes: tuple[str, ...] = field(default=())
