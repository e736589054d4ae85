"""A few of many, evenly spread."""

from collections.abc import Sequence
from typing import TypeVar

import numpy as np

__all__ = ["evenly"]

ItemT = TypeVar("ItemT")


def evenly(items: Sequence[ItemT], most: int) -> list[ItemT]:
    """Choose at most so many, the first and the last among them, in their order and each once; all of few.

    Parameters
    ----------
    items : sequence
    most : int
        At least 1; a single one is the first.
    """
    if len(items) <= most:
        return list(items)
    return [items[k] for k in np.linspace(0, len(items) - 1, most).round().astype(int).tolist()]
