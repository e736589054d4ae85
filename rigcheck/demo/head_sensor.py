"""From light to code values: noise of photons and of reading, gain, clipping, transfer curve."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["HeadSensor"]

Float32 = NDArray[np.float32]

_FULL = 255.0


@dataclass(frozen=True, kw_only=True)
class HeadSensor:
    """An 8-bit sensor.

    Parameters
    ----------
    read_noise_dn : float
        Standard deviation at gain 0, in code values of a linear picture.
    dn_per_electron : float
        Code values of a linear picture per electron at gain 0; the photon noise follows from it.
    gain_stops : float
        Log2 of the amplification: light and noise alike, so full scale is reached that much earlier.
    black_dn : float
        Code value of darkness; linear pictures only.
    transfer : {"linear", "srgb", "bt709"}
        Curve from light to code value.
    """

    read_noise_dn: float = 1.2
    dn_per_electron: float = 0.05
    gain_stops: float = 0.0
    black_dn: float = 4.0
    transfer: str = "linear"

    def __post_init__(self) -> None:
        """Refuse a curve that is not known."""
        if self.transfer not in ("linear", "srgb", "bt709"):
            raise ValueError(f"transfer: {self.transfer!r} found, linear, srgb or bt709 needed")

    def exposed(self, light: Float32, rng: np.random.Generator) -> NDArray[np.uint8]:
        """Turn light (H, W), full scale 1 at gain 0, into code values (H, W) uint8.

        Notes
        -----
        Noise of a linear picture: variance = read² + K (value − black), both times the gain squared for the
        read noise and the gain for the light's own; clipped at 255; then the transfer curve, rounded once.

        References
        ----------
        EMVA Standard 1288, the linear camera model. IEC 61966-2-1 (sRGB) and ITU-R BT.709 for the curves.
        """
        black = self.black_dn if self.transfer == "linear" else 0.0
        span = np.float32(_FULL - black)
        gain = np.float32(2.0**self.gain_stops)
        value = light * (span * gain)
        variance = value * np.float32(self.dn_per_electron * gain) + np.float32(
            (self.read_noise_dn * gain) ** 2
        )
        noisy = value + np.sqrt(np.maximum(variance, 0)) * rng.standard_normal(light.shape, dtype=np.float32)
        if self.transfer == "linear":
            return np.asarray(np.rint(np.clip(noisy + np.float32(black), 0, _FULL)), dtype=np.uint8)
        share = np.clip(noisy / span, 0, 1)
        return np.asarray(np.rint(_FULL * _curve(share, self.transfer)), dtype=np.uint8)


def _curve(share: Float32, transfer: str) -> Float32:
    if transfer == "srgb":
        return np.where(share <= 0.0031308, 12.92 * share, 1.055 * np.maximum(share, 0) ** (1 / 2.4) - 0.055)
    return np.where(share < 0.018, 4.5 * share, 1.099 * np.maximum(share, 0) ** 0.45 - 0.099)
