"""How alike the residuals of neighbouring pixels are, and what that does to a sum of them."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.target.windows import Windows

FloatArray = NDArray[np.float64]
Patch = NDArray[np.float32]

__all__ = ["likeness"]

# Neighbouring pixels whose residuals may be alike, (x, y): half of them, the others follow by symmetry.
_LAGS = ((1, 0), (0, 1), (1, 1), (-1, 1), (2, 0), (0, 2))


def likeness(window: Windows, residuals: Patch) -> float:
    """How much larger the variance of a weighted sum of residuals is than if they were independent.

    One plus twice the sum of the correlations of neighbouring pixels' residuals, the median over
    the corners; at least one. Compression and demosaicing make neighbours alike.
    """
    if not window.inside.any():
        return 1.0
    corner, place = np.nonzero(window.weights)
    x, y = window.x[corner, place].astype(np.int64), window.y[corner, place].astype(np.int64)
    low = min(int(x.min()), int(y.min()))
    side = max(int(x.max()), int(y.max())) - low + 5
    # Two empty rows and columns all around: a shift never brings pixels of another corner in.
    flat = (corner * side + y - low + 2) * side + x - low + 2
    grid, used = np.zeros((2, len(residuals) * side * side), dtype=np.float32)
    grid[flat], used[flat] = residuals[corner, place], 1.0
    shape = (len(residuals), side, side)
    power = _by_corner(grid * grid, shape) / np.maximum(_by_corner(used, shape), 1.0)
    total = np.ones(len(residuals))
    for dx, dy in _LAGS:
        lag = dy * side + dx
        products = _by_corner(grid[lag:] * grid[:-lag], shape)
        pairs = _by_corner(used[lag:] * used[:-lag], shape)
        total += 2.0 * products / np.maximum(pairs * power, 1e-12)
    return max(float(np.median(total[window.inside])), 1.0)


def _by_corner(values: Patch, shape: tuple[int, int, int]) -> FloatArray:
    """Sums over each corner's own pixels, (N,); the last few of all may be missing: they are empty."""
    count = shape[1] * shape[2]
    starts = np.arange(shape[0]) * count
    return np.asarray(np.add.reduceat(values, starts), dtype=np.float64)
