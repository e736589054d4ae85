"""Numbers in the names of pictures, and whether two cameras agree on them."""

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rigcheck.model import Finding
from rigcheck.model._arrays import IntArray

__all__ = ["missing_numbers", "number_findings", "numbers_in_names"]


def numbers_in_names(paths: Sequence[Path]) -> IntArray | None:
    """Last number in each name; None unless every name has one and they ascend."""
    found = [re.findall(r"\d+", path.stem) for path in paths]
    if not all(found) or any(len(numbers[-1]) > 15 for numbers in found):
        return None
    numbers = np.array([int(each[-1]) for each in found], dtype=np.int64)
    return numbers if bool((np.diff(numbers) > 0).all()) else None


def missing_numbers(numbers1: IntArray | None, numbers2: IntArray | None, names: tuple[str, str]) -> str:
    """Say which numbers only one camera has; empty when that tells nothing."""
    if numbers1 is None or numbers2 is None or not len(np.intersect1d(numbers1, numbers2)):
        return ""
    lacks = []
    for name, numbers in zip(
        names, (np.setdiff1d(numbers2, numbers1), np.setdiff1d(numbers1, numbers2)), strict=True
    ):
        if len(numbers):
            shown = ", ".join(str(int(k)) for k in numbers[:5])
            more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
            lacks.append(f"{name} lacks number {shown}{more}")
    return "; ".join(lacks)


def number_findings(
    numbers1: IntArray | None, numbers2: IntArray | None, names: tuple[str, str]
) -> list[Finding]:
    """Report pictures paired by index whose numbers do not run in step.

    A constant difference between the cameras' numbers is no disagreement.
    """
    if numbers1 is None or numbers2 is None or len(numbers1) != len(numbers2):
        return []
    shift = numbers2 - numbers1
    odd = np.flatnonzero(shift != shift[0])
    if not len(odd):
        return []
    first = int(odd[0])
    lacking = missing_numbers(numbers1, numbers2, names)
    sentence = (
        f"the numbers in the names disagree from pair {first} on ({int(numbers1[first])} and "
        f"{int(numbers2[first])}){': ' + lacking if lacking else ''}; pictures were paired in order of name."
    )
    return [Finding(code="numbers_disagree", sentence=sentence)]
