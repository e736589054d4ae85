"""Planes of focus of both cameras, from the spectra of skin patches that both of them see.

`focus_fit` holds the fit; here is what may be told of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.face.focus_fit import SCALE_MM, SkinSpectra, solve_planes
from rigcheck.face.focus_pair import FocusPair
from rigcheck.geometry.optics import USABLE_DISC_PX
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray

__all__ = ["SLOWEST_GROWTH_PX_MM", "FocusPlane", "focus_planes"]

# Slower growth of the disc leaves the depth of the plane unknown to several mm: no number is given.
SLOWEST_GROWTH_PX_MM = 0.05
_LEAST_PATCHES = 60
_LEAST_OVER_NOISE = 0.4
_LARGEST_SIGMA_MM = 15.0
_BEYOND = 0.3  # how far outside the patches' depths a plane is still told, as a share of the depth
# Against the truth of rendered heads: this much blur is not told from the skin.
_LEAST_BLUR_PX = 0.3


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
    seen = SkinSpectra.of(pairs, reach)
    middle = np.median(seen.depth_mm, axis=1)
    growth = tuple(float(reach[k] / middle[k] ** 2) for k in range(2))
    if max(growth) < SLOWEST_GROWTH_PX_MM:
        return _slow(growth[0], count), _slow(growth[1], count)
    if seen.over_noise < _LEAST_OVER_NOISE:
        missing = _none("too little fine detail over the noise: far out of focus, or plain skin", n=count)
        return missing, missing
    state, covariance = solve_planes(seen)
    first, second = (
        _plane(seen, k, state=state, covariance=covariance * len(pairs), growth=growth[k])
        if growth[k] >= SLOWEST_GROWTH_PX_MM
        else _slow(growth[k], count)
        for k in range(2)
    )
    return first, second


def _plane(
    seen: SkinSpectra, camera: int, *, state: FloatArray, covariance: FloatArray, growth: float
) -> FocusPlane:
    plane = float(SCALE_MM / max(state[camera], 1e-3))
    n = seen.depth_mm.shape[1]
    formal = float(np.sqrt(covariance[camera, camera])) * plane**2 / SCALE_MM
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
