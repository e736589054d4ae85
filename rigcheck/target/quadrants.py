"""The grey values of two crossing edges after a Gaussian blur, exactly.

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
from scipy.special import erf

Patch = NDArray[np.float32]

__all__ = ["MAX_CORRELATION", "Quadrants", "blurred_quadrants"]

# Edges that cross at less than 26 degrees are refused later; the quadrature is good to 0.001 up to here.
MAX_CORRELATION = 0.9
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(4)
_ROOT_HALF = np.float32(np.sqrt(0.5))


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
    squares, twice = z1 * z1 + z2 * z2, 2.0 * z1 * z2
    extra = np.zeros_like(z1)
    for node, weight in zip(_NODES.astype(np.float32), _WEIGHTS.astype(np.float32), strict=True):
        extra += weight * _density(squares, twice, rho * (0.5 + 0.5 * node))
    across = np.sqrt(1.0 - rho * rho)
    root = np.float32(np.sqrt(2.0 / np.pi))
    return Quadrants(
        value=erf(z1 * _ROOT_HALF) * erf(z2 * _ROOT_HALF) + 2.0 * rho * extra,
        by_z1=root * np.exp(-0.5 * z1 * z1) * erf((z2 - rho * z1) * (_ROOT_HALF / across)),
        by_z2=root * np.exp(-0.5 * z2 * z2) * erf((z1 - rho * z2) * (_ROOT_HALF / across)),
        by_correlation=4.0 * _density(squares, twice, rho),
    )


def _density(squares: Patch, twice: Patch, rho: Patch) -> Patch:
    """Bivariate standard normal density with correlation `rho`."""
    left = 1.0 - rho * rho
    scale = np.float32(1.0 / (2.0 * np.pi)) / np.sqrt(left)
    return np.asarray(scale * np.exp((rho * twice - squares) * (0.5 / left)), dtype=np.float32)
