"""The board's own shape: out-of-plane terms that are free in the joint fit.

A board bent by 0.1 mm passes every gate on RMS and yet shifts focal lengths and baseline; its shape is
seen in the same pictures, so it is solved for instead of assumed.

References
----------
Strobl & Hirzinger, "More accurate pinhole camera calibration with imperfect planar target", ICCV Workshops
2011; Albarelli, Rodola & Torsello, "Robust camera calibration using inaccurate targets", BMVC 2009 (both
cited from memory: the board's shape estimated along with the camera).
"""

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import BoardSpec

FloatArray = NDArray[np.float64]

# Powers (i, j) of u^i v^j; u and v run from -1 to 1 over the whole board.
QUADRATIC = ((2, 0), (0, 2), (1, 1))
FURTHER = ((3, 0), (2, 1), (1, 2), (0, 3), (4, 0), (3, 1), (2, 2), (1, 3), (0, 4))

__all__ = ["FURTHER", "QUADRATIC", "named_heights", "shape_basis", "shape_terms"]


def shape_terms(board: BoardSpec, terms: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
    """Those of `terms` that the board's corners can tell from a tilted plane and from each other."""
    positions = board.corners_mm[:, :2]
    kept: list[tuple[int, int]] = []
    plane = np.column_stack([np.ones(len(positions)), _unit(board, positions)])
    for term in terms:
        trial = np.column_stack([plane, shape_basis(board, positions, (*kept, term))])
        if np.linalg.matrix_rank(trial, tol=1e-6) == trial.shape[1]:
            kept.append(term)
    return tuple(kept)


def shape_basis(board: BoardSpec, positions_mm: FloatArray, terms: tuple[tuple[int, int], ...]) -> FloatArray:
    """Height of each term at positions on the board, for a coefficient of 1 mm.

    Parameters
    ----------
    board : BoardSpec
    positions_mm : (N, 2) float64, board frame
    terms : tuple of (i, j)

    Returns
    -------
    (N, K) float64, mm along the board's z
    """
    u, v = _unit(board, positions_mm).T
    if not terms:
        return np.zeros((len(positions_mm), 0))
    return np.stack([u**i * v**j for i, j in terms], axis=1)


def _unit(board: BoardSpec, positions_mm: FloatArray) -> FloatArray:
    half = 0.5 * np.array(board.squares) * np.array(board.pitch_mm)
    return np.asarray((positions_mm - half) / half)


def named_heights(board: BoardSpec, terms: tuple[tuple[int, int], ...]) -> dict[str, FloatArray]:
    """Gradients (K,) by the coefficients of the three heights that a person can picture, mm.

    Returns
    -------
    dict
        ``bow``: the middle of a long edge over the board's centre (mean of both long edges); ``bow_short``:
        the same for the short edges; ``saddle``: half the difference between the corners on one diagonal
        and on the other. Positive heights point away from the viewer.
    """
    width, height = (n * pitch for n, pitch in zip(board.squares, board.pitch_mm, strict=True))

    def at(u: float, v: float) -> FloatArray:
        where = np.array([[0.5 * width * (1 + u), 0.5 * height * (1 + v)]])
        return np.asarray(shape_basis(board, where, terms)[0])

    sides = 0.5 * (at(1, 0) + at(-1, 0)) - at(0, 0)
    ends = 0.5 * (at(0, 1) + at(0, -1)) - at(0, 0)
    saddle = 0.25 * (at(1, 1) + at(-1, -1) - at(1, -1) - at(-1, 1))
    bow, bow_short = (sides, ends) if height >= width else (ends, sides)
    return {"bow": bow, "bow_short": bow_short, "saddle": saddle}
