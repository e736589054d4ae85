"""Likelihood fit of both planes of focus to the power spectra of skin that both cameras see.

In either picture the power of a patch is that of the skin, let through by the lens, plus noise. The skin's chance is
the same in both pictures, the noise is not: where skin stands above the noise the two powers move together, and their
ratio does not know the skin. Each patch has a contrast, a slope and a gain between the cameras of its own; what all
patches share are the two planes, the two lenses' own blur, and how skin's spectrum bends.

References
----------
Whittle, "Estimation and information in stationary time series", Arkiv för Matematik 2, 1953 (spread of spectra).
Born & Wolf, Principles of Optics, ch. 8 (transfer function of a disc).
Huber, "Robust estimation of a location parameter", Annals of Mathematical Statistics 35, 1964.
Golub & Pereyra, "Separable nonlinear least squares", Inverse Problems 19, 2003 (each patch's own terms taken out).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy

from rigcheck.face.focus_pair import FocusPair
from rigcheck.model._arrays import FloatArray

__all__ = ["SCALE_MM", "SkinSpectra", "solve_planes"]

SCALE_MM = 200.0  # planes are sought as this over their depth
_MOST_PATCHES = 900
_STARTS = (0.85, 1.0, 1.18)  # of the middle of the patches' depths
_ROUNDS = 3
# Cycles per pixel. Below, light and shade rule; above, aliasing does. Noise is part of the model.
_LOWEST, _HIGHEST = 0.06, 0.36
_FINE = (0.2, 0.3)
_PIVOT = 0.15
_LEAST_SIGNAL = 0.15  # of a ring's power, for the first guess
_LEAST_PASSED = 1e-4
_HUBER = 2.5
# Spread, natural log of power, that the same skin has in two pictures beyond noise (highlights, slant), and that
# skin's spectrum has about a straight line.
_PAIR_SPREAD, _SKIN_SPREAD = 0.15, 0.3
# Known beforehand, weakly: the Gaussian sigma that small lenses leave at best focus.
_LENS_BLUR_PX, _LENS_SPREAD = 0.6, 0.35
# From patch to patch: the spectrum's slope, and the gain between the cameras. Regions of a face differ in slope as
# much as a few millimetres of defocus make them, so that a narrow spread would draw the plane to the smoother skin.
_SLOPE, _SLOPE_SPREAD, _GAIN_SPREAD = 2.5, 1.0, 0.5
_BEND_SPREAD, _STRETCH_SPREAD = 0.5, 1.0
# One over what is known beforehand of a patch's own terms: contrast (next to nothing), slope, gain.
_KNOWN = np.array([1e-3, 1 / _SLOPE_SPREAD, 1 / _GAIN_SPREAD])
_LONGEST_STEP = 1.0

# The whitening of two correlated values: the lower triangle of their covariance's root.
_Root = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class SkinSpectra:
    """Spectra of N patches in R rings, ready to be fitted.

    `frequency` (R,) cycles per pixel; `line` (N, R) log of the frequency on the skin, which nearer patches have
    higher; `logs` (2, N, R) log of power, its mean error taken off; `noise` (2, N, 1) DN²; `freedom` (R,);
    `depth_mm` (2, N); `stretch` (N, 1); `reach` focal length in px times the pupil in mm; `over_noise` how far
    fine detail stands over the noise.
    """

    frequency: FloatArray
    line: FloatArray
    logs: FloatArray
    guess: FloatArray
    noise: FloatArray
    freedom: FloatArray
    depth_mm: FloatArray
    stretch: FloatArray
    reach: tuple[float, float]
    over_noise: float

    @classmethod
    def of(cls, pairs: Sequence[FocusPair], reach: tuple[float, float]) -> "SkinSpectra":
        """Gather what several moments show; evenly thinned where there is very much."""
        used = (pairs[0].frequency > _LOWEST) & (pairs[0].frequency < _HIGHEST)
        step = -(-sum(pair.depth_mm.shape[1] for pair in pairs) // _MOST_PATCHES)
        power = np.concatenate([pair.power for pair in pairs], axis=1)[:, ::step][:, :, used]
        noise = np.concatenate([pair.noise for pair in pairs], axis=1)[:, ::step, None]
        depth = np.concatenate([pair.depth_mm for pair in pairs], axis=1)[:, ::step]
        freedom, frequency = pairs[0].freedom[used], pairs[0].frequency[used]
        fine = (frequency > _FINE[0]) & (frequency < _FINE[1])
        nearer = depth.mean(axis=0) / np.median(depth)
        return cls(
            frequency=frequency,
            line=np.log(frequency / _PIVOT) - np.log(nearer)[:, None],
            logs=np.log(power) - scipy.special.digamma(freedom) + np.log(freedom),
            guess=np.log(np.maximum(power - noise, _LEAST_SIGNAL * power)),
            noise=noise,
            freedom=freedom,
            depth_mm=depth,
            stretch=np.concatenate([pair.stretch for pair in pairs])[::step, None],
            reach=reach,
            over_noise=float(np.median(((power - noise) / noise)[:, :, fine])),
        )

    def passed(self, camera: int, state: FloatArray) -> FloatArray:
        """Log of the share of power that a camera's lens lets through, (N, R)."""
        disc = self.reach[camera] * np.abs(1 / self.depth_mm[camera] - state[camera] / SCALE_MM)
        x = np.maximum(np.pi * disc[:, None] * self.frequency, 1e-6)
        airy = np.log(np.maximum((2 * scipy.special.j1(x) / x) ** 2, _LEAST_PASSED))
        return np.asarray(airy - 4 * (np.pi * np.exp(state[2 + camera]) * self.frequency) ** 2)

    def signal(self, state: FloatArray, own: FloatArray) -> FloatArray:
        """Power without noise, (2, N, R).

        `state`: 200 mm over either plane, log of either lens's blur, stretch, mean slope and bend of skin. `own`
        (N, 3): each patch's log contrast, slope, and log gain of camera 1 over camera 2.
        """
        skin = own[:, :1] - own[:, 1:2] * self.line - state[6] * self.line**2
        half = 0.5 * (own[:, 2:] + state[4] * self.stretch * self.line)
        return np.asarray(
            np.exp(np.stack([skin + half + self.passed(0, state), skin - half + self.passed(1, state)]))
        )

    def own_guess(self, state: FloatArray) -> FloatArray:
        """First guess of each patch's own terms, (N, 3)."""
        skin = (self.guess - np.stack([self.passed(0, state), self.passed(1, state)])).mean(axis=0)
        contrast = (skin + _SLOPE * self.line).mean(axis=1)
        return np.stack([contrast, np.full_like(contrast, _SLOPE), np.zeros_like(contrast)], axis=1)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    """One round: what is held while the shared terms move. `share` (2, N, R) of the power that is skin's."""

    seen: SkinSpectra
    own: FloatArray
    share: FloatArray
    root: _Root

    @classmethod
    def at(cls, seen: SkinSpectra, state: FloatArray, own: FloatArray) -> "_Fit":
        """Weights as the model, not the noisy powers, tells them."""
        signal = seen.signal(state, own)
        share = signal / (signal + seen.noise)
        chance = 1 / seen.freedom + _SKIN_SPREAD**2 * share**2 + 0.5 * _PAIR_SPREAD**2 * share**2
        common = share[0] * share[1] * (1 / seen.freedom + _SKIN_SPREAD**2)
        first = np.sqrt(chance[0])
        cross = common / first
        return cls(seen=seen, own=own, share=share, root=(first, cross, np.sqrt(chance[1] - cross**2)))

    def whitened(self, values: FloatArray) -> FloatArray:
        """Values (2, N, R) made independent, each over its sigma: (N, 2 R)."""
        first = values[0] / self.root[0]
        return np.concatenate([first, (values[1] - self.root[1] * first) / self.root[2]], axis=-1)

    @cached_property
    def own_terms(self) -> tuple[FloatArray, FloatArray]:
        """How the rings follow each patch's own terms, (N, 2 R, 3), and the inverse of its normal matrix, (N, 3, 3)."""
        half = np.stack([0.5 * self.share[0], -0.5 * self.share[1]])
        columns = [self.share, -self.seen.line * self.share, half]
        matrix = np.stack([self.whitened(column) for column in columns], axis=2)
        normal = matrix.transpose(0, 2, 1) @ matrix + np.diag(_KNOWN**2)
        return matrix, np.asarray(np.linalg.inv(normal))

    def moved(self, state: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What is left of the rings, (N, 2 R); of the patches' own terms against what is known, (N, 2); their step."""
        miss = self.seen.logs - np.log(self.seen.signal(state, self.own) + self.seen.noise)
        left, (matrix, inverse) = self.whitened(miss), self.own_terms
        wanted = np.stack([0 * self.own[:, 0], state[5] - self.own[:, 1], -self.own[:, 2]], axis=1)
        side = (left[:, None] @ matrix)[:, 0] + _KNOWN**2 * wanted
        step = (inverse @ side[..., None])[..., 0]
        return left - (matrix @ step[..., None])[..., 0], ((wanted - step) * _KNOWN)[:, 1:], step

    def residuals(self, state: FloatArray) -> FloatArray:
        """Everything over its sigma, each patch's own terms at their best."""
        left, own, _ = self.moved(state)
        known = [
            (state[2] - np.log(_LENS_BLUR_PX)) / _LENS_SPREAD,
            (state[3] - np.log(_LENS_BLUR_PX)) / _LENS_SPREAD,
            state[4] / _STRETCH_SPREAD,
            state[6] / _BEND_SPREAD,
        ]
        return np.concatenate([_limited(left).ravel(), _limited(own).ravel(), known])

    def settled(self, state: FloatArray) -> "_Fit":
        """The same with each patch's own terms, and then the weights, brought up to the state."""
        step = self.moved(state)[2]
        return _Fit.at(self.seen, state, self.own + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP))

    def cost(self, state: FloatArray) -> float:
        """Minus the log of the likelihood, but for a constant."""
        spread = np.log(self.root[0] * self.root[2]).sum()
        return float(0.5 * (self.residuals(state) ** 2).sum() + spread)


def solve_planes(seen: SkinSpectra) -> tuple[FloatArray, FloatArray]:
    """Find the shared terms (see `SkinSpectra.signal`) and their covariance, from the likeliest of a few starts."""
    middle = SCALE_MM / np.median(seen.depth_mm, axis=1)
    blur = np.log(_LENS_BLUR_PX)
    begun = []
    for start in _STARTS:
        state = np.array([middle[0] / start, middle[1] / start, blur, blur, 0.0, _SLOPE, 0.0])
        fit, state, _ = _descended(_Fit.at(seen, state, seen.own_guess(state)), state)
        begun.append((fit.cost(state), fit, state))
    _, fit, state = min(begun, key=lambda one: one[0])
    _, state, jacobian = _descended(fit, state)
    normal = jacobian.T @ jacobian
    return state, np.asarray(np.linalg.inv(normal + 1e-9 * np.eye(len(normal))))


def _descended(fit: _Fit, state: FloatArray) -> tuple[_Fit, FloatArray, FloatArray]:
    """A few rounds on: the fit settled at the state found, that state, and the last Jacobian."""
    jacobian = np.zeros((0, len(state)))
    for _ in range(_ROUNDS):
        fit = fit.settled(state).settled(state)
        solved = scipy.optimize.least_squares(
            fit.residuals, state, method="trf", max_nfev=5, x_scale=[0.05, 0.05, *[0.3] * 5]
        )
        state, jacobian = np.asarray(solved.x), np.asarray(solved.jac)
    return fit.settled(state), state, jacobian


def _limited(values: FloatArray) -> FloatArray:
    """Residuals whose squares are Huber's loss."""
    size = np.abs(values)
    beyond = np.sqrt(np.maximum(2 * _HUBER * size - _HUBER**2, 0))
    return np.asarray(np.where(size <= _HUBER, values, np.sign(values) * beyond))
