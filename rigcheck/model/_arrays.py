"""Checked, read-only copies of arrays, so that frozen values really are frozen."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
ImageArray = NDArray[np.uint8] | NDArray[np.uint16]

__all__ = ["BoolArray", "FloatArray", "ImageArray", "IntArray", "frozen_array"]


def frozen_array(values: ArrayLike, shape: Sequence[int | None], name: str) -> FloatArray:
    """Copy `values` to a finite, read-only float64 array of the given shape.

    Parameters
    ----------
    values : array_like
    shape : sequence of int or None
        Wanted shape; None accepts any length on that axis.
    name : str
        What the array is called in the error.

    Raises
    ------
    ValueError
        When the shape differs or a value is not finite.
    """
    array = np.array(values, dtype=np.float64)
    fits = array.ndim == len(shape) and all(
        want is None or want == got for want, got in zip(shape, array.shape, strict=True)
    )
    if not fits:
        raise ValueError(f"{name}: shape {array.shape} found, {tuple(shape)} needed")
    if not np.isfinite(array).all():
        raise ValueError(f"{name}: contains values that are not finite")
    array.setflags(write=False)
    return array
