"""Matching of two ascending lists of places, one picture with one."""

from dataclasses import dataclass

import numpy as np

from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["Match", "match_places", "spans"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Match:
    """Positions matched with each other, and positions left over.

    Parameters
    ----------
    first, second : (N,) int64
        Position in the first list and in the second, of each match.
    left1, left2 : int64
        Positions without a partner.
    """

    first: IntArray
    second: IntArray
    left1: IntArray
    left2: IntArray

    def __len__(self) -> int:
        return len(self.first)


def match_places(places1: FloatArray, places2: FloatArray, *, tolerance: float) -> Match:
    """Match places that differ by no more than a tolerance, each used once.

    Parameters
    ----------
    places1, places2 : (N,), (M,) float64
        Ascending.
    tolerance : float
        In the unit of the places; below half their spacing, so that no place has two partners.

    Returns
    -------
    Match
    """
    first: list[int] = []
    second: list[int] = []
    i = j = 0
    while i < len(places1) and j < len(places2):
        difference = float(places2[j] - places1[i])
        if abs(difference) <= tolerance:
            first.append(i)
            second.append(j)
            i, j = i + 1, j + 1
        elif difference > 0:
            i += 1
        else:
            j += 1
    matched1, matched2 = np.array(first, dtype=np.int64), np.array(second, dtype=np.int64)
    return Match(
        first=matched1,
        second=matched2,
        left1=np.setdiff1d(np.arange(len(places1)), matched1),
        left2=np.setdiff1d(np.arange(len(places2)), matched2),
    )


def spans(indices: IntArray) -> str:
    """Write ascending indices as spans, "3 to 7, 12", the first five of them."""
    starts = np.flatnonzero(np.diff(indices, prepend=indices[0] - 2) > 1)
    ends = np.append(starts[1:], len(indices)) - 1
    texts = [
        str(int(indices[a])) if a == b else f"{int(indices[a])} to {int(indices[b])}"
        for a, b in zip(starts, ends, strict=True)
    ]
    return ", ".join(texts[:5]) + (f" and {len(texts) - 5} more places" if len(texts) > 5 else "")
