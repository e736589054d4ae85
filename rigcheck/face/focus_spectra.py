"""Power spectra of skin patches, ring by ring, and the noise beneath them."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft2

from rigcheck.model._arrays import BoolArray, FloatArray

__all__ = ["PATCH_PX", "PatchSpectra", "patch_power", "patch_spectra"]

PATCH_PX = 32
# Rings of spatial frequency, cycles per pixel: below, lamps and the window rule; above, the corners of the square.
_RING_EDGES = np.linspace(0.047, 0.5, 16)


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
    window, _, _ = _window()
    half = PATCH_PX // 2
    corner = np.rint(places_px).astype(np.int64) - half
    height, width = picture.shape
    kept = np.all((corner >= 0) & (corner + PATCH_PX <= np.array([width, height])), axis=1)
    line = np.arange(PATCH_PX)
    x, y = corner[kept, 0, None] + line, corner[kept, 1, None] + line
    patch = picture[y[:, :, None], x[:, None, :]].astype(np.float32)
    level = patch.mean(axis=(1, 2), dtype=np.float64)
    ramp = (line - line.mean()).astype(np.float32)
    norm = (ramp**2).sum() * PATCH_PX
    down, across = np.einsum("nij,i->n", patch, ramp) / norm, np.einsum("nij,j->n", patch, ramp) / norm
    patch -= (
        level[:, None, None].astype(np.float32)
        + down[:, None, None] * ramp[:, None]
        + across[:, None, None] * ramp
    )
    power = np.abs(rfft2(patch * window.astype(np.float32))) ** 2 / PATCH_PX**2
    return power, level, kept


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
    power, level, kept = patch_power(picture, places_px)
    total = member.sum(axis=0)
    return PatchSpectra(
        power=power.reshape(len(power), power.shape[1] * power.shape[2]) @ member / total,
        frequency=frequency,
        freedom=total * _HANN_FREEDOM,
        level_dn=level,
        kept=kept,
    )


_HANN_FREEDOM = 0.51
