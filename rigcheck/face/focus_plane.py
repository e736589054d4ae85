"""Plane of focus from skin: how the spectra of patches fall off with their depth.

Every patch has its own contrast; all share the slope of skin's spectrum, the lens's own blur, the noise, and a blur
disc that grows on both sides of one depth.

References
----------
Whittle, "Estimation and information in stationary time series", Arkiv för Matematik 2, 1953 (the likelihood).
Born & Wolf, Principles of Optics, ch. 8 (transfer function of a disc).
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import j1

from rigcheck.face.focus_spectra import PatchSpectra
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray

__all__ = ["FocusPlane", "focus_plane"]

_STEPS = 25
_NEARER, _FARTHER = 0.75, 1.35  # depths asked, beyond the nearest and the farthest patch
_CONTRAST_STEPS = 5
_LEAST_PATCHES = 40
_USABLE_DISC_PX = 2.0  # as for boards: leaves 72 % of the contrast at 0.25 cycles per pixel
_CLEARLY = 2.0
# What skin that differs from place to place adds: on rendered heads at f/2.8 planes came out 1 to 9 mm too far.
_SYSTEMATIC_MM = 6.0
# Known beforehand, weakly: the Gaussian sigma that small lenses leave at best focus, and the slope of skin's spectrum.
_LENS_BLUR_PX, _LENS_SPREAD = 0.6, 0.35
_SLOPE, _SLOPE_SPREAD = 2.7, 1.0
_BEND_SPREAD = 0.4
_KNOWN_WEIGHT = 0.3
_SKIN_CY_MM = 1.5  # at which slope and bend of skin's spectrum are counted
_PATCH_SLOPE = 0.15  # spread of the slope from patch to patch: pores, hairs, lips


@dataclass(frozen=True, kw_only=True, eq=False)
class FocusPlane:
    """Plane of focus along the camera's axis, and what goes with it.

    `plane_depth_mm`; `growth_px_mm`, how fast the disc's diameter grows there; `lens_blur_px`, Gaussian sigma left at
    best focus; `near_mm`, `far_mm`, where the disc reaches 2 px. `depths_mm`, `fall` (S,): the profile of the
    log likelihood below its best.
    """

    plane_depth_mm: Estimate
    growth_px_mm: Estimate
    lens_blur_px: Estimate
    near_mm: Estimate
    far_mm: Estimate
    depths_mm: FloatArray
    fall: FloatArray


def focus_plane(
    spectra: PatchSpectra, depth_mm: FloatArray, *, focal_px: float, aperture_mm: float | None
) -> FocusPlane:
    """Fit the plane of focus.

    Parameters
    ----------
    spectra : PatchSpectra
        Of N patches.
    depth_mm : (N,) float64
        Their depth along the camera's axis.
    focal_px : float
        Principal distance.
    aperture_mm : float or None
        Diameter of the pupil, focal length over f-number. Without it nothing is told: fitted beside the skin's own
        spectrum it came out near zero on half of the rendered heads.

    Notes
    -----
    Disc in px = focal_px · aperture · |1/depth - 1/plane|. Sigma is from the profile of the likelihood over depth,
    widened by how much better or worse than its model the skin's spectrum is.
    """
    if len(depth_mm) < _LEAST_PATCHES:
        return _none(f"{len(depth_mm)} patches matched, {_LEAST_PATCHES} needed")
    if aperture_mm is None:
        return _none("the rig file does not give focal length and f-number")
    fit = _Fit(spectra=spectra, depth_mm=depth_mm, focal_px=focal_px, aperture_mm=aperture_mm)
    low, high = np.percentile(depth_mm, [2, 98])
    depths = 1 / np.linspace(1 / (low * _NEARER), 1 / (high * _FARTHER), _STEPS)
    costs, states = fit.profile(depths)
    best = int(costs.argmin())
    rough = max(fit.roughness(depths[best], states[best]), 1.0)
    fall = (costs - costs.min()) / rough
    growth = fit.growth(depths[best])
    blur = float(np.exp(states[best][0]))
    n = len(depth_mm)
    found = _placed(depths, fall, n)
    known = Estimate(value=growth, unit="px/mm", n=n)
    reach = _USABLE_DISC_PX / max(growth * depths[best] ** 2, 1e-9)
    ends = [found.value and 1 / (1 / found.value + sign * reach) for sign in (1, -1)]
    return FocusPlane(
        plane_depth_mm=found,
        growth_px_mm=known,
        lens_blur_px=Estimate(value=blur, unit="px", n=n),
        near_mm=_end(ends[0], found),
        far_mm=_end(ends[1], found),
        depths_mm=depths,
        fall=fall,
    )


def _end(value: float | None, plane: Estimate) -> Estimate:
    if value is None or value <= 0:
        return Estimate(
            value=None, reason=plane.reason or "everything beyond the plane of focus is usable", unit="mm"
        )
    return Estimate(value=value, sigma=plane.sigma, unit="mm", n=plane.n)


def _none(reason: str) -> FocusPlane:
    missing = Estimate(value=None, reason=reason)
    return FocusPlane(
        plane_depth_mm=missing,
        growth_px_mm=missing,
        lens_blur_px=missing,
        near_mm=missing,
        far_mm=missing,
        depths_mm=np.zeros(0),
        fall=np.zeros(0),
    )


def _placed(depths: FloatArray, fall: FloatArray, n: int) -> Estimate:
    """Depth and sigma by weighing the depths with their likelihood; none when an end is as likely."""
    if min(fall[0], fall[-1]) < _CLEARLY:
        side = "before" if fall[0] < fall[-1] else "behind"
        return Estimate(
            value=None, unit="mm", n=n, reason=f"the plane of focus lies {side} what the skin shows"
        )
    finer = np.linspace(depths[0], depths[-1], 20 * len(depths))
    weight = np.exp(-np.interp(finer, depths, fall))
    weight /= weight.sum()
    mean = float(weight @ finer)
    sigma = float(np.hypot(np.sqrt(weight @ (finer - mean) ** 2), _SYSTEMATIC_MM))
    return Estimate(value=mean, sigma=sigma, unit="mm", n=n)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    """The likelihood: state = log lens blur, slope and bend of skin's spectrum, log noise floor, log noise per DN."""

    spectra: PatchSpectra
    depth_mm: FloatArray
    focal_px: float
    aperture_mm: float

    def profile(self, depths: FloatArray) -> tuple[FloatArray, list[FloatArray]]:
        """Least cost at each depth of the plane, and the state there."""
        floor = np.quantile(self.spectra.power[:, -2:].mean(axis=1), 0.1)
        level = max(float(np.median(self.spectra.level_dn)), 1.0)
        state = np.array(
            [
                np.log(_LENS_BLUR_PX),
                _SLOPE,
                0.0,
                np.log(max(floor / 2, 0.05)),
                np.log(max(floor / 2, 0.05) / level),
            ]
        )
        costs, states = np.zeros(len(depths)), [state] * len(depths)
        order = np.argsort(np.abs(np.arange(len(depths)) - len(depths) // 2), kind="stable")
        for at in order:
            near = [k for k in (at - 1, at + 1) if 0 <= k < len(depths) and costs[k] != 0.0]
            start = min((states[k] for k in near), key=lambda s: self.cost(s, depths[at]), default=state)
            solved = minimize(
                self.cost, start, args=(depths[at],), method="L-BFGS-B", options={"maxiter": 30, "ftol": 1e-9}
            )
            costs[at], states[at] = float(solved.fun), np.asarray(solved.x)
        return costs, states

    def growth(self, plane_mm: float) -> float:
        """Growth of the disc's diameter at the plane, px/mm."""
        return self.focal_px * self.aperture_mm / plane_mm**2

    def roughness(self, plane_mm: float, state: FloatArray) -> float:
        """Variance of power over its model, against that of independent values; 1 when the model is right."""
        model, _ = self._model(state, plane_mm)
        ratio = self.spectra.power / model - 1
        return float(np.mean(self.spectra.freedom * np.minimum(ratio**2, 25 / self.spectra.freedom)))

    def _model(self, state: FloatArray, plane_mm: float) -> tuple[FloatArray, FloatArray]:
        """Power expected (N, R), each patch's contrast and slope at their best; and the slopes' own cost (N,)."""
        f = self.spectra.frequency
        fine = np.log(f * (self.focal_px / self.depth_mm / _SKIN_CY_MM)[:, None])
        disc = self.focal_px * self.aperture_mm * np.abs(1 / self.depth_mm - 1 / plane_mm)
        x = np.maximum(np.pi * disc[:, None] * f, 1e-6)
        lens = np.exp(-4 * (np.pi * np.exp(np.clip(state[0], -2.5, 1.5)) * f) ** 2)
        passed = lens * (2 * j1(x) / x) ** 2
        noise = np.exp(np.clip(state[3], -8, 8)) + np.exp(np.clip(state[4], -12, 4)) * self.spectra.level_dn
        power, freedom = self.spectra.power, self.spectra.freedom
        slope = np.full(len(disc), state[1])
        first = np.maximum(power[:, 1] - noise, 0.05 * power[:, 1])
        contrast = (
            np.log(first)
            + slope * fine[:, 1]
            + state[2] * fine[:, 1] ** 2
            - np.log(np.maximum(passed[:, 1], 1e-6))
        )
        for _ in range(_CONTRAST_STEPS):
            signal = (
                np.exp(np.clip(contrast[:, None] - slope[:, None] * fine - state[2] * fine**2, -30, 30))
                * passed
            )
            model = signal + noise[:, None]
            weight = freedom * signal / model**2
            pull = weight * (power - model)
            by_a, by_g = pull.sum(1), -(pull * fine).sum(1) - (slope - state[1]) / _PATCH_SLOPE**2
            strength = weight * signal
            aa, ag = strength.sum(1) + 1e-3, -(strength * fine).sum(1)
            gg = (strength * fine**2).sum(1) + 1 / _PATCH_SLOPE**2
            det = aa * gg - ag**2
            contrast = contrast + np.clip((gg * by_a - ag * by_g) / det, -1.5, 1.5)
            slope = slope + np.clip((aa * by_g - ag * by_a) / det, -0.7, 0.7)
        signal = (
            np.exp(np.clip(contrast[:, None] - slope[:, None] * fine - state[2] * fine**2, -30, 30)) * passed
        )
        own = 0.5 * ((slope - state[1]) / _PATCH_SLOPE) ** 2
        return signal + noise[:, None], own

    def cost(self, state: FloatArray, plane_mm: float) -> float:
        """Whittle's negative log likelihood, with what is known beforehand of lenses and skin."""
        model, own = self._model(state, plane_mm)
        known = 0.5 * ((state[0] - np.log(_LENS_BLUR_PX)) / _LENS_SPREAD) ** 2
        known += 0.5 * ((state[1] - _SLOPE) / _SLOPE_SPREAD) ** 2 + 0.5 * (state[2] / _BEND_SPREAD) ** 2
        scale = len(self.depth_mm)
        likelihood = (self.spectra.freedom * (np.log(model) + self.spectra.power / model)).sum()
        return float(likelihood + own.sum() + known * scale * _KNOWN_WEIGHT)
