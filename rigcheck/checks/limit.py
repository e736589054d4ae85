"""One threshold: its name, value, unit, and where the number comes from."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["COMMON", "Limit"]

COMMON = "Common practice, no standard fixes it"


@dataclass(frozen=True, kw_only=True)
class Limit:
    """A default threshold. Its name is ``<quantity>.caution``, ``.fail`` or another word for what it starts.

    `worse` says on which side of it things are worse.
    """

    name: str
    value: float
    unit: str
    source: str
    worse: Literal["above", "below"] = "above"

    @property
    def quantity(self) -> str:
        """The name without its last word."""
        return self.name.rpartition(".")[0]
