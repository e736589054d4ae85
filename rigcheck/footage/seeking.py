"""Where to seek and where to decode on, so that the wanted pictures cost the least decoding."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rigcheck.footage.timing import FrameTable
from rigcheck.model._arrays import IntArray

__all__ = ["Run", "plan_runs"]

# Filling the decoder's threads again after a seek costs about as much as decoding this many pictures.
_SEEK_COST_FRAMES = 12
# Passing over packets costs only reading: seek past them when there are many.
_SEEK_COST_PACKETS = 250


@dataclass(frozen=True, kw_only=True, eq=False)
class Run:
    """Pictures to be decoded without a seek in between.

    `start` is the index of the key picture to seek to (0: the file's beginning). `sparse` tells that
    each wanted picture stands on its own, so that nothing else needs decoding.
    """

    start: int
    wanted: IntArray
    sparse: bool


def plan_runs(table: FrameTable, wanted: IntArray) -> list[Run]:
    """Split wanted pictures into runs between seeks.

    Parameters
    ----------
    table : FrameTable
    wanted : (N,) int64
        Ascending indices.

    Notes
    -----
    To seek into the middle of a group of pictures means to decode the group from its key picture. It pays
    only when that key picture lies well past the one decoded last.
    """
    entries = table.entry_points()
    if not len(wanted) or not len(entries):
        return [Run(start=0, wanted=wanted, sparse=False)]
    sparse = table.timed and bool(np.isin(wanted, entries).all())
    margin = _SEEK_COST_PACKETS if sparse else _SEEK_COST_FRAMES
    before = np.searchsorted(entries, wanted, side="right") - 1
    starts = np.where(before >= 0, entries[before], 0)
    previous = np.concatenate([[0], wanted[:-1]])
    cuts = np.flatnonzero(starts - previous > margin)
    bounds = [0, *(int(k) for k in cuts if k > 0), len(wanted)]
    runs = []
    for first, last in pairwise(bounds):
        seeks = first > 0 or (len(cuts) > 0 and cuts[0] == 0)
        runs.append(Run(start=int(starts[first]) if seeks else 0, wanted=wanted[first:last], sparse=sparse))
    return runs
