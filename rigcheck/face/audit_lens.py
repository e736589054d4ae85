"""A lens that went dirty or fogged: contrast lost in a spot of the picture or all over it, take by take."""

from collections.abc import Sequence

import numpy as np

from rigcheck.model import Estimate
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.model.take import TakeRecord
from rigcheck.opencv import cv2

# A cell's contrast has dropped when it fell by this much more than the picture's as a whole (logarithm): against other
# takes; and against the other camera's of the same skin, where clean lenses differ by less than 0.3.
_CELL_DROP, CELL_APART = 0.5, 0.35
# What cells show in the first takes: the lower quartile of these, since expressions take detail away too.
_FIRST, _LOW = 8, 0.25
_FEWEST_CELLS = 12
# A spot is cells that hang together: a single one is a lip or a lid that moved.
_SPOT_CELLS = 3
# How takes of one performer differ with clean lenses, by the matched skin and by the picture's cells, and both cameras
# of one take (six rendered heads, helmet and lamps moved between takes: 0.035, 0.045 and 0.005; real skin shines more).
_SKIN_SCATTER, _CELL_SCATTER, _PAIR_SCATTER = 0.035, 0.045, 0.02
_NO_OTHER = "no other take of these settings to compare with"
_UNLIT = "too little of the picture is lit"
_UNMATCHED = "no skin was matched between the cameras"

__all__ = ["CELL_APART", "largest_spot", "lens_changes"]


def lens_changes(record: TakeRecord, camera: str, same: Sequence[TakeRecord]) -> dict[str, Estimate]:
    """Contrast that one camera lost in a take, against the performer's other takes and against the other camera.

    Parameters
    ----------
    record : TakeRecord
    camera : str
    same : sequence of TakeRecord
        The performer's takes in order, this one among them.

    Returns
    -------
    dict
        Against the other takes ``lens.<camera>.spot_share`` (share of the lit picture in a spot of lost contrast) and
        ``.veil`` (share of the whole contrast lost); against the other camera, and so in the first take too,
        ``.spot_apart`` (share of the compared skin in a spot) and ``.veil_apart``.
    """
    return _against_takes(record, camera, same) | _against_other_camera(record, camera)


def _against_other_camera(record: TakeRecord, camera: str) -> dict[str, Estimate]:
    cells, whole = record.apart.get(camera), record.number(f"lens.{camera}.apart")
    known = np.zeros(0, dtype=bool) if cells is None else np.asarray(np.isfinite(cells))
    names = f"lens.{camera}.spot_apart", f"lens.{camera}.veil_apart"
    if cells is None or whole.value is None or known.sum() < _FEWEST_CELLS:
        return dict.fromkeys(names, Estimate(value=None, reason=_UNMATCHED))
    spot = largest_spot(known & (np.where(known, cells, 0.0) < -CELL_APART))
    n = int(known.sum())
    sigma = float(np.hypot(whole.sigma or 0.0, _PAIR_SCATTER))
    return {names[0]: Estimate(value=spot / n, n=n), names[1]: _lost(whole.value, sigma, whole.n)}


def _against_takes(record: TakeRecord, camera: str, same: Sequence[TakeRecord]) -> dict[str, Estimate]:
    """By cells of the picture as recorded: a film on the lens stays where it is, expressions do not."""
    names = f"lens.{camera}.spot_share", f"lens.{camera}.veil"
    own = record.contrast.get(camera)
    if own is None:
        return dict.fromkeys(names, Estimate(value=None, reason=_NO_OTHER))
    alike = [
        one for one in same if one is not record and one.contrast.get(camera, own[:0]).shape == own.shape
    ][:_FIRST]
    if not alike:
        return dict.fromkeys(names, Estimate(value=None, reason=_NO_OTHER))
    stack = np.array([one.contrast[camera] for one in alike])
    usual, low = np.median(stack, axis=0), np.quantile(stack, _LOW, axis=0)
    known = np.asarray(np.isfinite(own) & np.isfinite(usual))
    if known.sum() < _FEWEST_CELLS:
        return dict.fromkeys(names, Estimate(value=None, reason=_UNLIT))
    change = np.where(known, own - np.where(known, usual, 0.0), 0.0)
    whole = float(np.median(change[known]))
    below = np.where(known, own - np.where(known, low, 0.0), 0.0)
    spot = largest_spot(np.asarray(known & (below - whole < -_CELL_DROP)))
    n = int(known.sum())
    veil = _by_skin(record, camera, alike) or _by_cells(change[known], whole)
    return {names[0]: Estimate(value=spot / n, n=n), names[1]: veil}


def _by_skin(record: TakeRecord, camera: str, alike: Sequence[TakeRecord]) -> Estimate | None:
    """Contrast lost on the matched skin, wherever the helmet holds it; None where it was not matched."""
    name = f"lens.{camera}.skin_contrast"
    now, others = record.number(name), [one.number(name).value for one in alike]
    known: FloatArray = np.array([one for one in others if one is not None], dtype=np.float64)
    if now.value is None or not len(known):
        return None
    usual = float(np.median(known))
    scatter = max(1.4826 * float(np.median(np.abs(known - usual))), _SKIN_SCATTER)
    return _lost(now.value - usual, scatter, now.n)


def _by_cells(change: FloatArray, whole: float) -> Estimate:
    scatter = 1.4826 * float(np.median(np.abs(change - whole)))
    sigma = float(np.hypot(1.25 * scatter / np.sqrt(len(change)), _CELL_SCATTER))
    return _lost(whole, sigma, len(change))


def _lost(change: float, sigma: float, n: int) -> Estimate:
    """Share of contrast lost by a change of its logarithm."""
    kept = float(np.exp(change))
    return Estimate(value=1.0 - kept, sigma=kept * sigma, n=n)


def largest_spot(dropped: BoolArray) -> int:
    """Cells of the largest piece that hangs together; 0 for pieces of one or two cells."""
    _, labels = cv2.connectedComponents(dropped.astype(np.uint8), connectivity=4)
    largest = max(np.bincount(np.asarray(labels).ravel())[1:], default=0)
    return int(largest) if largest >= _SPOT_CELLS else 0
