"""Material of the surface at a run of pixels, and a smooth step to blend with."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Paint", "ramp"]

Float32 = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class Paint:
    """Material at the m pixels of a patch; arrays are changed in place while it is painted.

    `luminance` (m,) reflectance Y; `slope` (2, m) of the relief along the texture's two directions; `shine` (m,)
    strength of the highlight over bare skin's; `gloss` (m,) 0 for skin's broad highlight, 1 for a wet eye's or
    tooth's; `sky` (m,) share of even light that reaches the place; `label` (m,) index into LABELS.
    """

    luminance: Float32
    slope: Float32
    shine: Float32
    gloss: Float32
    sky: Float32
    label: NDArray[np.uint8]


def ramp(values: NDArray[np.floating], start: float, end: float) -> NDArray[np.floating]:
    """0 at `start`, 1 at `end`, smooth at both: a cubic in between."""
    kind = values.dtype.type
    share = np.clip((values - kind(start)) * kind(1 / (end - start)), 0, 1)
    return np.asarray(share * share * (3 - 2 * share))
