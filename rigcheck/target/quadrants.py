"""The grey values of two crossing edges after a Gaussian blur.

With d1 and d2 the signed distances to the two edges in units of the blur's sigma, the sharp
picture is sign(d1) sign(d2). Blurred, it is the mean of that product over a bivariate normal
with correlation rho, the cosine of the angle between the edges' normals:

    q(z1, z2; rho) = 4 Phi2(z1, z2; rho) - 2 Phi(z1) - 2 Phi(z2) + 1

For edges square to each other (rho = 0) this is erf(z1 / sqrt 2) erf(z2 / sqrt 2). Otherwise the
difference is 4 times the integral of the bivariate density over the correlation from 0 to rho
(Plackett, Biometrika 41, 1954; from memory), here by Gauss-Legendre quadrature.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.opencv import cv2

Patch = NDArray[np.float32]

__all__ = ["MAX_CORRELATION", "Quadrants", "bell_and_erf", "blurred_quadrants"]

# Edges that cross at less than 26 degrees are refused later; the quadrature is good to 0.001 up to here.
MAX_CORRELATION = 0.9
# Nodes enough for an error of 0.0002 (0.001 near 0.9), up to the correlation named.
_RULES = tuple(
    (limit, *np.polynomial.legendre.leggauss(nodes)) for limit, nodes in ((0.45, 2), (0.75, 3), (1.0, 4))
)
_SCALE = np.float32(1.0 / (2.0 * np.pi))
_ROOT = np.float32(np.sqrt(2.0 / np.pi))
# Abramowitz & Stegun, Handbook of Mathematical Functions, 7.1.26 (error below 1.5e-7); from memory, and held
# against SciPy's erf by a test. The first is for the argument in sigmas.
_ERF_T = np.float32(0.3275911 * np.sqrt(0.5))
_ERF = tuple(np.float32(a) for a in (1.061405429, -1.453152027, 1.421413741, -0.284496736, 0.254829592))


@dataclass(frozen=True, kw_only=True, eq=False)
class Quadrants:
    """Values in -1 to 1 and their derivatives, all of one shape."""

    value: Patch
    by_z1: Patch
    by_z2: Patch
    by_correlation: Patch


def blurred_quadrants(z1: Patch, z2: Patch, correlation: Patch) -> Quadrants:
    """Evaluate the blurred crossing and its derivatives.

    Parameters
    ----------
    z1, z2 : (N, P) float32
        Signed distances to the two edges, in sigmas of the blur.
    correlation : (N, 1) float32
        Cosine of the angle between the edges' normals; kept within 0.9.

    Returns
    -------
    Quadrants
    """
    rho = np.clip(correlation, -MAX_CORRELATION, MAX_CORRELATION)
    across = 1.0 / np.sqrt(1.0 - rho * rho)
    bell1, erf1 = bell_and_erf(z1)
    bell2, erf2 = bell_and_erf(z2)
    beside = rho * across
    # What is left of each distance when the other is known, in its own sigmas.
    bell21, erf21 = bell_and_erf(z2 * across - z1 * beside)
    _, erf12 = bell_and_erf(z1 * across - z2 * beside)
    value = erf1 * erf2
    value += _extra(z1, z2, rho)
    return Quadrants(
        value=value,
        by_z1=_ROOT * bell1 * erf21,
        by_z2=_ROOT * bell2 * erf12,
        by_correlation=bell1 * bell21 * (4.0 * _SCALE * across),
    )


def bell_and_erf(z: Patch) -> tuple[Patch, Patch]:
    """Values of exp(-z²/2) and erf(z / sqrt 2), of any shape; the second from the first."""
    bell = _exp(z * z * z.dtype.type(-0.5))
    away = np.abs(z)
    t = away * _ERF_T
    t += np.float32(1.0)
    np.divide(np.float32(1.0), t, out=t)
    tail = t * _ERF[0]
    for coefficient in _ERF[1:]:
        tail += coefficient
        tail *= t
    tail *= bell
    np.subtract(np.float32(1.0), tail, out=tail)
    return bell, np.copysign(tail, z)


def _exp(values: Patch) -> Patch:
    """Exponential of each value, in place; OpenCV's is three times as quick as NumPy's."""
    return np.asarray(cv2.exp(values, values))


def _extra(z1: Patch, z2: Patch, rho: Patch) -> Patch:
    """4 times the integral of the bivariate density over the correlation from 0 to `rho`."""
    largest = float(np.abs(rho).max(initial=0.0))
    _, nodes, weights = next(rule for rule in _RULES if largest <= rule[0])
    squares, twice = z1 * z1, z1 * z2
    squares += z2 * z2
    twice *= np.float32(2.0)
    extra = np.zeros_like(z1)
    for node, weight in zip(nodes.astype(np.float32), weights.astype(np.float32), strict=True):
        part = rho * (0.5 + 0.5 * node)
        left = 1.0 - part * part
        density = twice * part
        density -= squares
        density *= 0.5 / left
        density = _exp(density)
        density *= (2.0 * weight * _SCALE) * rho / np.sqrt(left)
        extra += density
    return extra
