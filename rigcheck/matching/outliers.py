"""Matches that disagree with what surrounds them."""

import numpy as np

from rigcheck.model._arrays import BoolArray, FloatArray, IntArray

__all__ = ["apart_from_neighbours", "beyond", "smooth_removed", "unlike_brightness"]

_NEIGHBOURS = 12
_MAD = 1.4826
_LEAST_SPREAD_PX = 0.5
_SIGMAS = 5.0
_LEAST_FOR_SMOOTH = 12
_LEAST_OFF_PX = 0.1


def _middle(values: FloatArray) -> FloatArray:
    """Median along the last axis, finite values only: numpy's own spends most of its time on asking."""
    ordered, count = np.sort(values, axis=-1), values.shape[-1]
    return np.asarray((ordered[..., (count - 1) // 2] + ordered[..., count // 2]) / 2)


def _predicted(at: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each value (N, C) predicted by its neighbours' robust local plane, and their spread about it (N,)."""
    index = _neighbours(at)
    near = at[index] - at[:, None]
    scale = np.maximum(np.abs(near).max(axis=(1, 2)), 1e-9)
    design = np.concatenate([np.ones((*index.shape, 1)), near / scale[:, None, None]], axis=2)
    weight = np.ones(index.shape)
    spread = np.ones(len(at))
    solved = np.zeros((len(at), 3, values.shape[1]))
    for _ in range(4):
        weighted = design * weight[..., None]
        normal = weighted.transpose(0, 2, 1) @ design + 1e-6 * np.eye(3)
        solved = np.linalg.solve(normal, weighted.transpose(0, 2, 1) @ values[index])
        off = np.linalg.norm(values[index] - design @ solved, axis=2)
        spread = np.maximum(_MAD * _middle(off) / 1.1774, 1e-9)
        weight = 1.0 / (1.0 + (off / (2.0 * spread[:, None])) ** 2) ** 2
    return solved[:, 0], spread


def _neighbours(at: FloatArray) -> IntArray:
    """Which places are nearest to each, (N, K), in no order: for some hundred, all distances are quickly had."""
    apart = np.subtract.outer(at[:, 0], at[:, 0]) ** 2 + np.subtract.outer(at[:, 1], at[:, 1]) ** 2
    np.fill_diagonal(apart, np.inf)
    count = min(_NEIGHBOURS, len(at) - 1)
    return np.argpartition(apart, count - 1, axis=1)[:, :count]


def apart_from_neighbours(
    at: FloatArray, moved: FloatArray, *, rough_px: float = _LEAST_SPREAD_PX
) -> BoolArray:
    """Whether each match moved unlike its neighbours, (N,).

    Parameters
    ----------
    at, moved : (N, 2) float64, px
        Place in picture 1; place in picture 2.
    rough_px : float
        Spread about a local plane that a face's relief alone makes.

    Notes
    -----
    At the rim of the nose, where depth jumps, right matches may be left out too.
    """
    if len(at) < 6:
        return np.zeros(len(at), dtype=bool)
    predicted, spread = _predicted(at, moved)
    limit = _SIGMAS * np.maximum(spread, rough_px)
    return np.asarray(np.linalg.norm(moved - predicted, axis=1) > limit)


def unlike_brightness(at: FloatArray, log_ratio: FloatArray, *, least: float = 0.08) -> BoolArray:
    """Whether the two cameras' brightness differs, in a patch, unlike it does around: a highlight in one, (N,)."""
    if len(at) < 6:
        return np.zeros(len(at), dtype=bool)
    predicted, spread = _predicted(at, log_ratio[:, None])
    return np.asarray(np.abs(log_ratio - predicted[:, 0]) > _SIGMAS * np.maximum(spread, least / _SIGMAS))


def smooth_removed(at: FloatArray, values: FloatArray, sigma: FloatArray) -> FloatArray:
    """Take a robust quadratic over the picture out of values (N,) of sigma (N,).

    Used on distances from the epipolar lines: a pair that moved leaves a smooth trace there, which stays; a wrong
    match does not.
    """
    if len(at) < _LEAST_FOR_SMOOTH:
        return values - np.median(values) if len(values) else values
    centred = (at - at.mean(axis=0)) / np.maximum(at.std(axis=0), 1e-9)
    design = np.column_stack([np.ones(len(at)), centred, centred**2, centred[:, 0] * centred[:, 1]])
    weight = 1.0 / sigma**2
    off = values
    for _ in range(8):
        weighted = design.T * weight
        # A trace of stiffness, so that matches in a row have an answer too.
        solved = np.linalg.solve(weighted @ design + 1e-9 * weight.sum() * np.eye(6), weighted @ values)
        off = values - design @ solved
        scale = max(_MAD * float(_middle(np.abs(off / sigma))), 1e-6)
        weight = 1.0 / (sigma * (1.0 + (off / (2.0 * scale * sigma)) ** 2)) ** 2
    return off


def beyond(off: FloatArray, sigma: FloatArray) -> BoolArray:
    """Whether values (N,) lie 5 sigma or more off, sigma widened by their own robust spread, (N,)."""
    if len(off) < _LEAST_FOR_SMOOTH:
        return np.zeros(len(off), dtype=bool)
    scale = max(_MAD * float(_middle(np.abs(off / sigma))), 1.0)
    return np.asarray(np.abs(off) > _SIGMAS * np.maximum(scale * sigma, _LEAST_OFF_PX))
