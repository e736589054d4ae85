"""Planes of focus of both cameras, from the spectra of skin patches that both of them see.

The two cameras see a patch from different distances. The ratio of its two spectra does not know the skin: only the
two blur discs, the two lenses' own blur, and by how much the picture of one is larger. Beside it, the mean of the two
tells where detail falls off altogether, each patch having a contrast and a slope of its own.

References
----------
Whittle, "Estimation and information in stationary time series", Arkiv för Matematik 2, 1953 (spread of spectra).
Born & Wolf, Principles of Optics, ch. 8 (transfer function of a disc).
Huber, "Robust estimation of a location parameter", Annals of Mathematical Statistics 35, 1964.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import j1

from rigcheck.face.focus_pair import FocusPair
from rigcheck.geometry.optics import USABLE_DISC_PX
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray

__all__ = ["SLOWEST_GROWTH_PX_MM", "FocusPlane", "focus_planes"]

# Slower growth of the disc leaves the depth of the plane unknown to several mm: no number is given.
SLOWEST_GROWTH_PX_MM = 0.05
_LEAST_PATCHES = 60
_FINE, _LEAST_OVER_NOISE = 0.2, 0.4
_MOST_PATCHES = 900
_LARGEST_SIGMA_MM = 15.0
_STARTS = (0.85, 1.0, 1.18)  # of the middle of the patches' depths
_BEYOND = 0.3  # how far outside the patches' depths a plane is still told, as a share of the depth
# Cycles per pixel. Below, light and shade rule; above, aliasing and noise do.
_LOWEST, _HIGHEST = 0.06, 0.30
_PIVOT = 0.15
_LEAST_SIGNAL = 0.15  # of a ring's power, once noise is taken off
_LEAST_PASSED = 1e-4
_HUBER = 2.5
# Spread, natural log of power, that the same skin has in two pictures beyond noise (highlights, slant), and that
# skin's spectrum has about a straight line.
_PAIR_SPREAD, _SKIN_SPREAD = 0.25, 0.3
# Known beforehand, weakly: the Gaussian sigma that small lenses leave at best focus.
_LENS_BLUR_PX, _LENS_SPREAD = 0.6, 0.35
_SLOPE_SPREAD = 0.3  # of the spectrum's slope from patch to patch
_BEND_SPREAD, _STRETCH_SPREAD = 0.5, 1.0
_SCALE_MM = 200.0  # planes are sought as this over their depth
# Against the truth of rendered heads: this much blur is not told from the skin.
_LEAST_BLUR_PX = 0.2


@dataclass(frozen=True, kw_only=True)
class FocusPlane:
    """Plane of focus along one camera's axis.

    `plane_depth_mm`; `growth_px_mm`, how fast the disc's diameter grows at the face; `lens_blur_px`, Gaussian sigma
    left at best focus; `near_mm`, `far_mm`, where the disc reaches 2 px.
    """

    plane_depth_mm: Estimate
    growth_px_mm: Estimate
    lens_blur_px: Estimate
    near_mm: Estimate
    far_mm: Estimate


def focus_planes(
    pairs: Sequence[FocusPair],
    *,
    focal_px: tuple[float, float],
    aperture_mm: tuple[float | None, float | None],
) -> tuple[FocusPlane, FocusPlane]:
    """Find both planes of focus.

    Parameters
    ----------
    pairs : sequence of FocusPair
        Moments of a clip during which nobody refocused.
    focal_px : two floats
        Principal distances.
    aperture_mm : two floats or None
        Diameters of the pupils, focal length over f-number.

    Returns
    -------
    two FocusPlane
        Numbers that cannot be told have a reason: fewer than 60 patches, no lens data, a disc that grows slower than
        0.05 px/mm, or a plane far outside the face.

    Notes
    -----
    Disc in px = focal_px · aperture · abs(1/depth - 1/plane). Patches of several moments show the same skin, so that
    sigma does not fall with the number of moments.
    """
    count = sum(pair.depth_mm.shape[1] for pair in pairs)
    if count < _LEAST_PATCHES:
        missing = _none(f"{count} patches of skin matched, {_LEAST_PATCHES} needed")
        return missing, missing
    if aperture_mm[0] is None or aperture_mm[1] is None:
        missing = _none("the rig file does not give focal length and f-number of both cameras")
        return missing, missing
    reach = (focal_px[0] * aperture_mm[0], focal_px[1] * aperture_mm[1])
    seen = _Seen.of(pairs, reach)
    middle = np.median(seen.depth_mm, axis=1)
    growth = tuple(float(reach[k] / middle[k] ** 2) for k in range(2))
    if max(growth) < SLOWEST_GROWTH_PX_MM:
        return _slow(growth[0], count), _slow(growth[1], count)
    if seen.over_noise < _LEAST_OVER_NOISE:
        missing = _none("too little fine detail over the noise: far out of focus, or plain skin", n=count)
        return missing, missing
    state, covariance = _solved(seen)
    first, second = (
        _plane(seen, k, state=state, covariance=covariance * len(pairs), growth=growth[k])
        if growth[k] >= SLOWEST_GROWTH_PX_MM
        else _slow(growth[k], count)
        for k in range(2)
    )
    return first, second


@dataclass(frozen=True, kw_only=True, eq=False)
class _Seen:
    """Logs of the patches' spectra: `ratio` picture 1 over 2, `mean` of both (N, R), with weights; noise taken off."""

    log_frequency: FloatArray
    frequency: FloatArray
    ratio: FloatArray
    ratio_weight: FloatArray
    mean: FloatArray
    mean_weight: FloatArray
    depth_mm: FloatArray
    stretch: FloatArray
    reach: tuple[float, float]
    over_noise: float

    @classmethod
    def of(cls, pairs: Sequence[FocusPair], reach: tuple[float, float]) -> "_Seen":
        used = (pairs[0].frequency > _LOWEST) & (pairs[0].frequency < _HIGHEST)
        total = sum(pair.depth_mm.shape[1] for pair in pairs)
        step = -(-total // _MOST_PATCHES)
        power = np.concatenate([pair.power for pair in pairs], axis=1)[:, ::step][:, :, used]
        noise = np.concatenate([pair.noise for pair in pairs], axis=1)[:, ::step, None]
        freedom, frequency = pairs[0].freedom[used], pairs[0].frequency[used]
        signal = np.maximum(power - noise, _LEAST_SIGNAL * power)
        logs = np.log(signal)
        # The skin is the same in both pictures, its chance cancels in the ratio: noise alone is left.
        variance = (2 * noise / signal + (noise / signal) ** 2) / freedom
        both = variance.sum(axis=0)
        return cls(
            log_frequency=np.log(frequency / _PIVOT),
            frequency=frequency,
            ratio=logs[0] - logs[1],
            ratio_weight=1 / (both + _PAIR_SPREAD**2),
            mean=0.5 * (logs[0] + logs[1]),
            mean_weight=1 / (both / 4 + 1 / freedom + _SKIN_SPREAD**2),
            depth_mm=np.concatenate([pair.depth_mm for pair in pairs], axis=1)[:, ::step],
            stretch=np.concatenate([pair.stretch for pair in pairs])[::step, None],
            reach=reach,
            over_noise=float(np.median(((power - noise) / noise)[:, :, frequency > _FINE])),
        )

    def passed(self, camera: int, state: FloatArray) -> FloatArray:
        """Log of the share of power that a camera's lens lets through, (N, R)."""
        disc = self.reach[camera] * np.abs(1 / self.depth_mm[camera] - state[camera] / _SCALE_MM)
        x = np.maximum(np.pi * disc[:, None] * self.frequency, 1e-6)
        airy = np.log(np.maximum((2 * j1(x) / x) ** 2, _LEAST_PASSED))
        return np.asarray(airy - 4 * (np.pi * np.exp(state[2 + camera]) * self.frequency) ** 2)

    def residuals(self, state: FloatArray) -> FloatArray:
        """Everything over its sigma; state = 200 mm over planes, log lens blurs, stretch, slope and bend of skin."""
        first, second = self.passed(0, state), self.passed(1, state)
        line = self.log_frequency
        ratio = self.ratio - (first - second) - state[4] * self.stretch * line
        weight = self.ratio_weight
        ratio = ratio - (weight * ratio).sum(1, keepdims=True) / weight.sum(1, keepdims=True)
        mean = self.mean - 0.5 * (first + second) + state[5] * line + state[6] * line**2
        mean, own = _without_line(mean, self.mean_weight, line)
        known = [
            (state[2] - np.log(_LENS_BLUR_PX)) / _LENS_SPREAD,
            (state[3] - np.log(_LENS_BLUR_PX)) / _LENS_SPREAD,
            state[4] / _STRETCH_SPREAD,
            state[6] / _BEND_SPREAD,
        ]
        parts = (_limited(ratio * np.sqrt(weight)), _limited(mean * np.sqrt(self.mean_weight)), own)
        return np.concatenate([*(part.ravel() for part in parts), known])


def _without_line(values: FloatArray, weight: FloatArray, line: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Take each patch's contrast and slope out of its rings; and the slopes over their spread, (N,)."""
    by_0, by_1 = weight.sum(1), (weight * line).sum(1)
    by_2 = (weight * line**2).sum(1) + 1 / _SLOPE_SPREAD**2
    sum_0, sum_1 = (weight * values).sum(1), (weight * values * line).sum(1)
    det = by_0 * by_2 - by_1**2
    offset, slope = (by_2 * sum_0 - by_1 * sum_1) / det, (by_0 * sum_1 - by_1 * sum_0) / det
    return values - offset[:, None] - slope[:, None] * line, slope / _SLOPE_SPREAD


def _limited(values: FloatArray) -> FloatArray:
    """Residuals whose squares are Huber's loss."""
    size = np.abs(values)
    beyond = np.sqrt(np.maximum(2 * _HUBER * size - _HUBER**2, 0))
    return np.asarray(np.where(size <= _HUBER, values, np.sign(values) * beyond))


def _solved(seen: _Seen) -> tuple[FloatArray, FloatArray]:
    """The best of a few starts, and its covariance."""
    middle = _SCALE_MM / np.median(seen.depth_mm, axis=1)
    blur = np.log(_LENS_BLUR_PX)
    best = None
    for start in _STARTS:
        state = np.array([middle[0] / start, middle[1] / start, blur, blur, 0.0, 2.5, 0.0])
        found = least_squares(
            seen.residuals, state, method="trf", max_nfev=20, x_scale=[0.05, 0.05, *[0.3] * 5]
        )
        if best is None or found.cost < best.cost:
            best = found
    normal = best.jac.T @ best.jac if best is not None else np.eye(7)
    return np.asarray(best.x if best is not None else state), np.linalg.inv(
        normal + 1e-9 * np.eye(len(normal))
    )


def _plane(
    seen: _Seen, camera: int, *, state: FloatArray, covariance: FloatArray, growth: float
) -> FocusPlane:
    plane = float(_SCALE_MM / max(state[camera], 1e-3))
    n = seen.depth_mm.shape[1]
    formal = float(np.sqrt(covariance[camera, camera])) * plane**2 / _SCALE_MM
    sigma = float(np.hypot(formal, _LEAST_BLUR_PX / growth))
    low, high = np.percentile(seen.depth_mm[camera], [2, 98])
    known = Estimate(value=growth, unit="px/mm", n=n)
    if not low * (1 - _BEYOND) < plane < high * (1 + _BEYOND) or sigma > _LARGEST_SIGMA_MM:
        side = "before" if plane < 0.5 * (low + high) else "behind"
        return _none(
            f"it lies {side} the face or cannot be told better than ± {min(sigma, 999):.0f} mm", known, n=n
        )
    found = Estimate(value=plane, sigma=sigma, unit="mm", n=n)
    usable = USABLE_DISC_PX / seen.reach[camera]
    return FocusPlane(
        plane_depth_mm=found,
        growth_px_mm=known,
        lens_blur_px=Estimate(
            value=float(np.exp(state[2 + camera])),
            sigma=float(np.exp(state[2 + camera]) * np.sqrt(covariance[2 + camera, 2 + camera])),
            unit="px",
            n=n,
        ),
        near_mm=_end(1 / plane + usable, found),
        far_mm=_end(1 / plane - usable, found),
    )


def _end(inverse: float, plane: Estimate) -> Estimate:
    if inverse <= 0:
        return Estimate(value=None, unit="mm", reason="everything beyond the plane of focus is usable")
    return Estimate(value=1 / inverse, sigma=plane.sigma, unit="mm", n=plane.n)


def _slow(growth: float, n: int) -> FocusPlane:
    reason = (
        f"the blur disc grows by {growth:.3f} px/mm only (small aperture), {SLOWEST_GROWTH_PX_MM:g} needed to "
        "tell the plane of focus"
    )
    return _none(reason, Estimate(value=growth, unit="px/mm", n=n), n=n)


def _none(reason: str, growth: Estimate | None = None, *, n: int = 0) -> FocusPlane:
    missing = Estimate(value=None, unit="mm", reason=reason, n=n)
    return FocusPlane(
        plane_depth_mm=missing,
        growth_px_mm=growth or Estimate(value=None, unit="px/mm", reason=reason),
        lens_blur_px=Estimate(value=None, unit="px", reason=reason),
        near_mm=missing,
        far_mm=missing,
    )
