"""The thresholds in force, as lines for a person."""

from pathlib import Path

from rigcheck.checks import effective_limits
from rigcheck.records import read_rig

__all__ = ["limit_lines"]


def limit_lines(rig: str | Path | None = None) -> tuple[str, ...]:
    """One line a threshold: name, value and unit, who set it, where the number comes from.

    Raises
    ------
    ConfigError
        When the rig file is wrong or overrides a limit that does not exist.
    """
    overrides = {} if rig is None else read_rig(rig).limits
    limits = effective_limits(overrides, origin=str(rig))
    values = [f"{limit.value:g} {limit.unit}".strip() for limit in limits]
    wide, broad = max(len(limit.name) for limit in limits), max(map(len, values))
    return tuple(
        f"{limit.name:<{wide}}  {value:<{broad}}  {limit.origin}  ({limit.source})"
        for limit, value in zip(limits, values, strict=True)
    )
