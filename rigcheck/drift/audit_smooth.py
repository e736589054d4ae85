"""Fitting a few unknowns to residuals that carry noise, outliers, and an error that is smooth over the picture.

The smooth error is a random field: bumps on a grid with random heights of one amplitude, which is found from what the
fit leaves over. Fitting it along with the unknowns weighs the residuals as that error deserves; what of it looks
like the unknowns themselves cannot be told and stands in their covariance.

References
----------
Patterson & Thompson, "Recovery of inter-block information when block sizes are unequal", Biometrika 58(3), 1971:
the amplitude's likelihood with the unknowns integrated out (from memory).
Beaton & Tukey, Technometrics 16(2), 1974: the biweight; its 95 % width 4.685 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from rigcheck.model._arrays import FloatArray

_BUMP_SHARE = 0.10  # spacing of the bumps over the picture's longer side
_TUKEY = 4.685
_MAD = 1.4826
_START_ROUNDS, _ROUNDS = 8, 12
_CLOSE = 0.01  # relative change of the amplitude at which it has settled
# Amplitudes tried, px; the usual one (rendered heads, tests/bench/bench_audit.py), and its spread as a logarithm.
_TRIED_PX = np.geomspace(0.003, 0.25, 36)
_USUAL_PX, _USUAL_SPREAD = 0.03, 0.7

__all__ = ["SmoothFit", "bumps", "fit_with_smooth_error"]


@dataclass(frozen=True, kw_only=True, eq=False)
class SmoothFit:
    """Unknowns fitted by `gain @ residuals`.

    `change` (P,); `white` and `smooth` (P, P) are the parts of its covariance; `gain` (P, N); `weights` (N,) of the
    residuals, 0 for outliers; `noise_ratio` says by how much noise exceeds the sigmas; `smooth_px` is the amplitude
    of the smooth error.
    """

    change: FloatArray
    white: FloatArray
    smooth: FloatArray
    gain: FloatArray
    weights: FloatArray
    noise_ratio: float
    smooth_px: float


def bumps(at_px: FloatArray, size_px: tuple[int, int]) -> FloatArray:
    """Bumps on a grid over the picture at places (N, 2): (N, K), each row of length one.

    Notes
    -----
    Random heights of amplitude b make a field of standard deviation b everywhere. Bumps that no place is near to are
    left out.
    """
    step = _BUMP_SHARE * max(size_px)
    lines = [np.arange(-0.5 * step, side + step, step) for side in size_px]
    centres = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, 2)
    apart = ((at_px[:, None] - centres[None]) ** 2).sum(axis=2)
    basis = np.exp(-0.5 * apart / step**2)
    basis = basis[:, basis.max(axis=0) > 0.1]
    return np.asarray(basis / np.linalg.norm(basis, axis=1, keepdims=True))


def fit_with_smooth_error(
    residuals: FloatArray, sigma: FloatArray, design: FloatArray, basis: FloatArray
) -> SmoothFit:
    """Find x such that `residuals + design @ x` is noise and a smooth error.

    Parameters
    ----------
    residuals, sigma : (N,) float64, px
    design : (N, P) float64
    basis : (N, K) float64
        From :func:`bumps`.

    Notes
    -----
    White part: Huber's formula for M-estimates with the unweighted information (outliers thin it by their share only).
    The amplitude is the root mean over its posterior, so that a few modes that happen to be quiet do not make the
    covariance vanish.
    """
    n = design.shape[1]
    both = np.hstack([-design, basis])
    weights, scale = _start(residuals, sigma, both, n)
    amplitude = _USUAL_PX
    for _ in range(_ROUNDS):
        per_point = weights / (scale * sigma) ** 2
        before, amplitude = amplitude, _amplitude(residuals, per_point, design, basis)
        found = np.linalg.solve(_system(both, per_point, amplitude, n), both.T @ (per_point * residuals))
        off = residuals - both @ found
        scale = max(_MAD * float(np.median(np.abs(off / sigma))), 1e-6)
        weights = _biweight(off / (scale * sigma))
        if abs(amplitude - before) < _CLOSE * amplitude:
            break
    per_point = weights / (scale * sigma) ** 2
    gain = np.linalg.solve(_system(both, per_point, amplitude, n), both.T * per_point)[:n]
    variance = _loss_factor(off / (scale * sigma)) * (scale * sigma) ** 2
    flat = np.linalg.solve(_system(both, 1.0 / variance, amplitude, n), both.T / variance)[:n]
    shaped = flat @ basis
    return SmoothFit(
        change=gain @ residuals,
        white=(flat * variance) @ flat.T,
        smooth=amplitude**2 * shaped @ shaped.T,
        gain=np.asarray(gain),
        weights=weights,
        noise_ratio=scale,
        smooth_px=amplitude,
    )


def _amplitude(residuals: FloatArray, per_point: FloatArray, design: FloatArray, basis: FloatArray) -> float:
    """Root mean square of the smooth error's amplitude over its posterior, the unknowns integrated out."""
    weighted = basis * per_point[:, None]
    carried = np.linalg.solve((design * per_point[:, None]).T @ design, design.T)
    rest = basis - design @ (carried @ weighted)
    values, vectors = np.linalg.eigh(weighted.T @ rest)
    seen = (vectors.T @ (rest.T @ (per_point * residuals))) ** 2
    values = np.maximum(values, 0.0)
    grown = 1.0 + _TRIED_PX[:, None] ** 2 * values
    log = -0.5 * (np.log(grown) - _TRIED_PX[:, None] ** 2 * seen / grown).sum(axis=1)
    log -= 0.5 * (np.log(_TRIED_PX / _USUAL_PX) / _USUAL_SPREAD) ** 2
    likely = np.exp(log - log.max())
    return float(np.sqrt((likely * _TRIED_PX**2).sum() / likely.sum()))


def _system(both: FloatArray, per_point: FloatArray, amplitude: float, n: int) -> FloatArray:
    out = (both * per_point[:, None]).T @ both
    tail = np.arange(n, len(out))
    out[tail, tail] += 1.0 / amplitude**2
    return np.asarray(out)


def _start(residuals: FloatArray, sigma: FloatArray, both: FloatArray, n: int) -> tuple[FloatArray, float]:
    """Weights and scale of a fit near least absolute residuals, the smooth error of the usual size.

    From least squares a few gross outliers would lead the amplitude astray, and it would then explain them.
    """
    off, weights, scale = residuals - np.median(residuals), np.ones(len(residuals)), 1.0
    for _ in range(_START_ROUNDS):
        scale = max(_MAD * float(np.median(np.abs(off / sigma))), 1e-6)
        weights = 1.0 / np.maximum(np.abs(off / (scale * sigma)), 1.0)
        per_point = weights / (scale * sigma) ** 2
        found = np.linalg.solve(_system(both, per_point, _USUAL_PX, n), both.T @ (per_point * residuals))
        off = residuals - both @ found
    scale = max(_MAD * float(np.median(np.abs(off / sigma))), 1e-6)
    return _biweight(off / (scale * sigma)), scale


def _biweight(z: FloatArray) -> FloatArray:
    return np.asarray((1.0 - np.minimum((z / _TUKEY) ** 2, 1.0)) ** 2)


def _loss_factor(z: FloatArray) -> float:
    """E[psi²] / E[psi']² over what is left over."""
    u2 = np.minimum((z / _TUKEY) ** 2, 1.0)
    psi, slope = z * (1.0 - u2) ** 2, (1.0 - u2) * (1.0 - 5.0 * u2)
    return float((psi**2).mean() / max(float(slope.mean()), 0.1) ** 2)
