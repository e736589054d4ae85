"""How much fine detail a region keeps for the coarse detail it has, its noise taken off."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.focus_spectra import PATCH_PX, PatchSpectra, patch_spectra
from rigcheck.geometry.spread import evenly
from rigcheck.model import Estimate
from rigcheck.model._arrays import BoolArray, FloatArray

__all__ = ["noise_variance", "region_sharpness"]

_STRIDE = PATCH_PX // 2
# Bands of spatial frequency, cycles per pixel.
_COARSE, _FINE, _FINEST = (0.05, 0.13), (0.18, 0.32), 0.43
_LEAST_PATCHES = 6
_LEAST_OVER_NOISE = 4.0  # coarse detail over noise, in power
_OVERLAP = (
    2.0  # patches at half their width share so much that their mean is this much less sure, in variance
)
_LOW_QUANTILE = 0.25
_BINS = 6


def noise_variance(spectra: PatchSpectra) -> FloatArray:
    """Noise of each patch, DN², from the finest detail of the plainest patches of about the same brightness.

    Notes
    -----
    Variance = constant + share of the brightness, fitted to a low quantile in bins of brightness and corrected for the
    quantile by the spread a white patch has. What texture every patch has at the finest frequencies is counted as
    noise: sharpness is then a little too low, in every region alike.
    """
    finest = spectra.frequency > _FINEST
    share = spectra.freedom[finest] / spectra.freedom[finest].sum()
    power = spectra.power[:, finest] @ share
    order = np.argsort(spectra.level_dn)
    low = 1 - 0.674 / np.sqrt(max(spectra.freedom[finest].sum(), 4.0))
    bins = [part for part in np.array_split(order, min(_BINS, max(len(order) // 8, 1))) if len(part)]
    level = np.array([spectra.level_dn[part].mean() for part in bins])
    seen = np.array([np.quantile(power[part], _LOW_QUANTILE) / low for part in bins])
    slope = 0.0
    if len(bins) > 2 and np.ptp(level) > 5:
        slope = max(float(np.polyfit(level, seen, 1)[0]), 0.0)
    constant = max(float(np.median(seen - slope * level)), 1 / 12)
    return np.asarray(constant + slope * spectra.level_dn)


def region_sharpness(
    picture: NDArray[np.uint8] | NDArray[np.uint16], masks: dict[str, BoolArray], *, most: int | None = None
) -> dict[str, Estimate]:
    """Sharpness of each region.

    Parameters
    ----------
    picture : (H, W)
        Not blown in the regions.
    masks : dict of str to (H, W) bool
    most : int, optional
        Patches looked at in a region, spread over it; all when left out.

    Returns
    -------
    dict of str to Estimate
        Amplitude of fine detail (0.18–0.32 cycles per pixel) over that of coarse detail (0.05–0.13), noise taken off
        both, without unit. No value where coarse detail hardly rises above the noise: soft and plain look alike there.

    Notes
    -----
    Contrast and exposure cancel; the skin's own fineness does not, so that a number compares with the same region of
    another picture of the same performer, not with another region. Sigma is from the spread over the patches.
    """
    places = {name: _some(_places(mask), most) for name, mask in masks.items()}
    spectra = _spectra(picture, np.concatenate([*places.values(), np.zeros((0, 2))]))
    if len(spectra.power) == 0:
        return {name: Estimate(value=None, reason="the region lies outside the picture") for name in masks}
    owner = np.repeat(np.arange(len(masks)), [len(found) for found in places.values()])[spectra.kept]
    noise = noise_variance(spectra)
    coarse, fine = (_band(spectra, low, high) - noise for low, high in (_COARSE, _FINE))
    return {
        name: _sharpness(coarse[owner == k], fine[owner == k], noise[owner == k])
        for k, name in enumerate(masks)
    }


def _spectra(picture: NDArray[np.uint8] | NDArray[np.uint16], places_px: FloatArray) -> PatchSpectra:
    """Spectra of the patches around places; where regions overlap a place stands twice and is transformed once."""
    _, first, again = np.unique(places_px @ [1.0, picture.shape[1]], return_index=True, return_inverse=True)
    once = patch_spectra(picture, places_px[first])
    kept = once.kept[again]
    row = (np.cumsum(once.kept) - 1)[again[kept]]
    return replace(once, power=once.power[row], level_dn=once.level_dn[row], kept=kept)


def _places(mask: BoolArray) -> FloatArray:
    half = PATCH_PX // 2
    inside = np.argwhere(mask[half::_STRIDE, half::_STRIDE])
    return half + _STRIDE * inside[:, ::-1].astype(np.float64)


def _some(places: FloatArray, most: int | None) -> FloatArray:
    return places if most is None else places[evenly(range(len(places)), most)]


def _band(spectra: PatchSpectra, low: float, high: float) -> FloatArray:
    used = (spectra.frequency >= low) & (spectra.frequency < high)
    return np.asarray(spectra.power[:, used] @ spectra.freedom[used] / spectra.freedom[used].sum())


def _sharpness(coarse: FloatArray, fine: FloatArray, noise: FloatArray) -> Estimate:
    count = len(coarse)
    if count < _LEAST_PATCHES:
        return Estimate(
            value=None, n=count, reason=f"{count} patches in the picture, {_LEAST_PATCHES} needed"
        )
    if coarse.mean() < _LEAST_OVER_NOISE * noise.mean():
        return Estimate(value=None, n=count, reason="too little contrast to tell soft from plain")
    ratio = fine.mean() / coarse.mean()
    left_out = (fine.sum() - fine) / (coarse.sum() - coarse)  # jackknife
    sigma = float(np.sqrt(_OVERLAP * (count - 1) / count * ((left_out - left_out.mean()) ** 2).sum()))
    value = float(np.sqrt(max(ratio, 0.0)))
    return Estimate(value=value, sigma=sigma / (2 * max(value, np.sqrt(sigma) / 2, 1e-6)), n=count)
