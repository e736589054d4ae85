"""Power spectra of skin patches, ring by ring, and the noise beneath them."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rigcheck.model._arrays import BoolArray, FloatArray

__all__ = ["PATCH_PX", "PatchSpectra", "patch_power", "patch_spectra"]

PATCH_PX = 32
# Rings of spatial frequency, cycles per pixel: below, lamps and the window rule; above, the corners of the square.
_RING_EDGES = np.linspace(0.047, 0.5, 16)
_AT_ONCE = 96  # patches that stay in the processor's own memory while they are worked on


@dataclass(frozen=True, kw_only=True, eq=False)
class PatchSpectra:
    """Mean power in rings for N patches.

    `power` (N, R) in DN² per frequency bin, white noise of variance s² gives s² in each; `frequency` (R,) cycles per
    pixel; `freedom` (R,) independent values in each ring; `level_dn` (N,) mean code value; `kept` (P,) which of the
    places asked for lie wholly in the picture.
    """

    power: FloatArray
    frequency: FloatArray
    freedom: FloatArray
    level_dn: FloatArray
    kept: BoolArray


@lru_cache(maxsize=1)
def _window() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hann window of unit power (P, P), ring sums (bins, R), and frequencies (R,)."""
    line = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(PATCH_PX) + 0.5) / PATCH_PX)
    window = np.outer(line, line)
    window /= np.sqrt((window**2).mean())
    frequency = np.hypot(np.fft.fftfreq(PATCH_PX)[:, None], np.fft.rfftfreq(PATCH_PX)[None, :])
    ring = np.digitize(frequency.ravel(), _RING_EDGES) - 1
    rings = len(_RING_EDGES) - 1
    member = np.zeros((ring.size, rings))
    inside = (ring >= 0) & (ring < rings)
    member[np.flatnonzero(inside), ring[inside]] = 1.0
    member[:: PATCH_PX // 2 + 1] *= (
        0.5  # the first and last columns stand for themselves and not for their mirror
    )
    member[PATCH_PX // 2 :: PATCH_PX // 2 + 1] *= 0.5
    return window, member, (frequency.ravel() @ member) / member.sum(axis=0)


def patch_power(
    picture: NDArray[np.uint8] | NDArray[np.uint16], places_px: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Power of patches frequency by frequency.

    Parameters
    ----------
    picture : (H, W)
    places_px : (N, 2) float64, px

    Returns
    -------
    power (K, P, P/2 + 1) DN², laid out as `numpy.fft.rfft2` does; level (K,) DN; kept (N,)
        Of the K places whose patch lies wholly in the picture.
    """
    plain, windowed = _planes()
    corner = np.rint(places_px).astype(np.int64) - PATCH_PX // 2
    height, width = picture.shape
    kept = np.all((corner >= 0) & (corner + PATCH_PX <= np.array([width, height])), axis=1)
    shape = (int(kept.sum()), PATCH_PX, PATCH_PX)
    if not kept.any():
        return np.zeros((0, PATCH_PX, PATCH_PX // 2 + 1), dtype=np.float32), np.zeros(0), kept
    x, y = corner[kept].T
    patch = sliding_window_view(picture, (PATCH_PX, PATCH_PX))[y, x].reshape(len(x), -1).astype(np.float32)
    found = patch @ plain.T
    patch *= windowed[0]
    patch -= found @ windowed
    spectrum = scipy.fft.rfft2(patch.reshape(shape))
    power = (spectrum.real**2 + spectrum.imag**2) / np.float32(PATCH_PX**2)
    return power, found[:, 0].astype(np.float64), kept


@lru_cache(maxsize=1)
def _planes() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What a patch's level and slopes are read with (3, P²), and the planes they stand for, windowed (3, P²)."""
    window, _, _ = _window()
    ramp = np.arange(PATCH_PX) - (PATCH_PX - 1) / 2
    flat = np.ones((PATCH_PX, PATCH_PX))
    planes = np.stack([flat, flat * ramp[:, None], flat * ramp]).reshape(3, -1)
    plain = planes / (planes**2).sum(axis=1, keepdims=True)
    return plain.astype(np.float32), (planes * window.ravel()).astype(np.float32)


def patch_spectra(picture: NDArray[np.uint8] | NDArray[np.uint16], places_px: FloatArray) -> PatchSpectra:
    """Spectra of the patches around places.

    Parameters
    ----------
    picture : (H, W)
    places_px : (N, 2) float64, px

    Notes
    -----
    A plane is taken out of each patch, then a Hann window laid over it; the window makes neighbouring frequencies
    depend on each other, so that each ring holds fewer independent values than frequencies (a factor 0.51 for Hann in
    two dimensions, (2/3.0)² × 1.15, found on white noise).
    """
    _, member, frequency = _window()
    total = member.sum(axis=0)
    rings = member.astype(np.float32)
    parts = []
    for first in range(0, max(len(places_px), 1), _AT_ONCE):
        power, level, kept = patch_power(picture, places_px[first : first + _AT_ONCE])
        parts.append((power.reshape(len(power), len(member)) @ rings, level, kept))
    return PatchSpectra(
        power=np.concatenate([part[0] for part in parts]).astype(np.float64) / total,
        frequency=frequency,
        freedom=total * _HANN_FREEDOM,
        level_dn=np.concatenate([part[1] for part in parts]),
        kept=np.concatenate([part[2] for part in parts]),
    )


_HANN_FREEDOM = 0.51
