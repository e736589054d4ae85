"""A reported number, and how a computation ended."""

import math
from dataclasses import dataclass
from typing import Literal

__all__ = ["Estimate", "FitSummary"]


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A number with its standard uncertainty, unit and the count behind it.

    `value` is None when it could not be had; `reason` then says why.
    `sigma` is None when no uncertainty is known.
    """

    value: float | None
    sigma: float | None = None
    unit: str = ""
    n: int = 0
    reason: str = ""

    def __post_init__(self) -> None:
        """Refuse numbers that are not finite, and a missing value without a reason."""
        for number in (self.value, self.sigma):
            if number is not None and not math.isfinite(number):
                raise ValueError("Estimate: use None and a reason instead of a number that is not finite")
        if self.value is None and not self.reason:
            raise ValueError("Estimate: a missing value needs a reason")


@dataclass(frozen=True, kw_only=True)
class FitSummary:
    """How a solver stopped and what it had to work with.

    RMS is per point: sqrt(sum of squared residual lengths / number of points), px.
    """

    status: Literal["converged", "stalled", "iteration_limit"]
    message: str
    iterations: int
    initial_cost: float
    final_cost: float
    n_points: int
    n_parameters: int
    rms_px: float
    noise_px: float
    condition_number: float
    downweighted: int
