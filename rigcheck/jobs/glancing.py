"""Which moments of footage are worth a glance: those that cost least to decode."""

import numpy as np

from rigcheck.footage import Clip
from rigcheck.geometry.spread import evenly
from rigcheck.jobs.opened import OpenedFootage
from rigcheck.model._arrays import IntArray

# Moments glanced at: enough that telling ones are among them.
MOST_GLANCES = 24
ENOUGH_GLANCES = 8
# Key pictures alone will do when there are as many; they cost no decoding of their neighbours.
ENOUGH_KEYS = 6
# Where they are few, or too few of them show the board, pictures this far behind them are decoded too, the nearest
# first.
_BEHIND_KEYS = (7, 14, 21, 28, 35, 42, 49, 63)

__all__ = ["ENOUGH_GLANCES", "ENOUGH_KEYS", "MOST_GLANCES", "glance_positions"]


def glance_positions(footage: OpenedFootage, *, more: bool = False) -> list[int]:
    """Which moments to glance at: key pictures, and where they are few, pictures soon behind them.

    With `more` pictures behind them however many they are.
    """
    count = len(footage.clips[0].indices) if footage.pairing is None else footage.pairing.n_pairs
    if any(clip.info.kind != "video" for clip in footage.clips) or count <= ENOUGH_GLANCES:
        return evenly(range(count), MOST_GLANCES)
    keys = _key_positions(footage)
    if len(keys) >= ENOUGH_KEYS and not more:
        return evenly(keys.tolist(), MOST_GLANCES)
    wanted = max(ENOUGH_GLANCES, 2 * len(keys) if more else 0)
    found = keys
    for behind in _BEHIND_KEYS:
        if len(found) >= wanted:
            break
        found = np.union1d(found, keys + behind)
        found = found[found < count]
    return evenly(found.tolist(), MOST_GLANCES)


def _key_positions(footage: OpenedFootage) -> IntArray:
    """Positions of key pictures: of both cameras, else of camera 1; the first picture is one."""
    first: Clip = footage.clips[0]
    if footage.pairing is None:
        keys = np.flatnonzero(np.isin(first.indices, first.key_indices))
    else:
        keys = footage.pairing.key_pairs
        if not len(keys):
            keys = np.flatnonzero(np.isin(footage.pairing.indices[:, 0], first.key_indices))
    return np.asarray(np.union1d(keys, [0]), dtype=np.int64)
