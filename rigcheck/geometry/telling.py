"""Which views tell most, by the determinant of what they tell together."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["most_telling"]

FloatArray = NDArray[np.float64]


def most_telling(information: FloatArray, most: int, *, trace: float) -> list[int]:
    """Choose views greedily by the gain in log-determinant of their summed information.

    Parameters
    ----------
    information : (V, G, G) float64
        Information of each view about the G unknowns; all of them are scaled to unit total per unknown here.
    most : int
        How many to choose; all where there are no more.
    trace : float
        Information taken as known of every scaled unknown, so that the first determinants are not all zero.

    Returns
    -------
    list of int
        In ascending order.

    References
    ----------
    Pukelsheim, Optimal Design of Experiments, 2006, ch. 6 (determinant criterion), built up greedily.
    """
    if len(information) <= most:
        return list(range(len(information)))
    size = 1.0 / np.sqrt(np.maximum(np.diagonal(information.sum(0)), 1e-300))
    information = information * size[:, None] * size[None, :]
    total = np.eye(information.shape[1]) * trace
    left, taken = set(range(len(information))), []
    for _ in range(most):
        rest = sorted(left)
        gain = np.linalg.slogdet(total + information[rest])[1]
        best = rest[int(np.argmax(gain))]
        taken.append(best)
        left.discard(best)
        total = total + information[best]
    return sorted(taken)
