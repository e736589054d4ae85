"""Thresholds of the checks of `day`: what a step itself asks for is judged by its own command."""

from rigcheck.checks.limit import Limit

__all__ = ["LIMITS"]

LIMITS: tuple[Limit, ...] = (
    Limit(
        name="day.failed_steps.fail",
        value=0.0,
        unit="steps",
        source="What a step found holds for the day: by definition",
    ),
    Limit(
        name="day.unmeasured_steps.caution",
        value=0.0,
        unit="steps",
        source="Of a step that could not be measured nothing is known: by definition",
    ),
)
