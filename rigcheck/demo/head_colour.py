"""Colour of the face's materials: hue beside the luminance factor that everything else is painted in."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_mesh import LABELS
from rigcheck.model._arrays import FloatArray

__all__ = ["LUMA", "hues", "linear_rgb_from_lab", "skin_lab"]

# CIE lightness of skin and its a*, b* (D65). Lightness: the span of measured facial skin; a* and b* from memory, of
# the order that contact-free measurements give: lighter skin is less, and darker skin again less, yellow.
_SKIN_LAB = (
    (26.7, 37.7, 49.4, 58.0, 63.9, 70.0),
    (9.0, 11.5, 12.5, 11.5, 10.5, 9.0),
    (10.0, 15.0, 17.5, 17.0, 16.0, 14.5),
)
# Added to a*, b* of the skin for the red of the lips; a*, b* of everything else that has a colour.
_LIPS_REDDER = (9.0, -2.0)
_OTHER_LAB = {
    "eye": (64.0, 1.0, 3.0),
    "teeth": (73.0, 1.0, 11.0),
    "tongue": (47.0, 22.0, 12.0),
    "mouth": (36.0, 24.0, 13.0),
}
_WHITE_XYZ = np.array([0.9505, 1.0, 1.089])  # D65
_RGB_FROM_XYZ = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
LUMA = np.array([0.2126, 0.7152, 0.0722])  # of linear red, green, blue


def linear_rgb_from_lab(lab: FloatArray) -> FloatArray:
    """Linear red, green, blue (..., 3), 1 for white, of CIELAB (..., 3) under D65.

    References
    ----------
    CIE 15 for CIELAB; IEC 61966-2-1:1999, equation 7, for the matrix.
    """
    lab = np.asarray(lab, dtype=np.float64)
    level = (lab[..., 0] + 16) / 116
    f = np.stack([level + lab[..., 1] / 500, level, level - lab[..., 2] / 200], axis=-1)
    share = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    return np.asarray((share * _WHITE_XYZ) @ _RGB_FROM_XYZ.T)


def skin_lab(luminance: float) -> FloatArray:
    """CIELAB (3,) of skin with this luminance factor Y."""
    f = np.cbrt(luminance) if luminance > (6 / 29) ** 3 else luminance / (3 * (6 / 29) ** 2) + 4 / 29
    lightness = 116 * f - 16
    return np.array([lightness, *(np.interp(lightness, _SKIN_LAB[0], row) for row in _SKIN_LAB[1:])])


def hues(skin_luminance: float) -> NDArray[np.float32]:
    """Linear red, green and blue over luminance of every label, (8, 3): those of grey are 1."""
    skin = skin_lab(skin_luminance)
    lab = {"skin": skin, "lips": skin + np.array([0.0, *_LIPS_REDDER])}
    lab.update({name: np.array(value) for name, value in _OTHER_LAB.items()})
    rows = [linear_rgb_from_lab(lab[name]) if name in lab else np.ones(3) for name in LABELS]
    table = np.stack([row / (row @ LUMA) for row in rows])
    return np.asarray(table, dtype=np.float32)
