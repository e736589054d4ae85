"""From light to code values: noise of photons and of reading, gain, clipping, transfer curve."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["HeadSensor"]

Float32 = NDArray[np.float32]

_FULL = 255.0
_VIDEO = (16.0, 235.0)


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
    value_range : {"full", "video"}
        Codes 0 to 255, or 16 to 235 (BT.709's for 8 bits; nothing is written beyond).
    colour : bool
        Three channels, each with its own noise: red, green, blue.
    channel_stops : (red, green, blue)
        Amplification of each channel of colour over the others, log2: a white balance that is off.
    """

    read_noise_dn: float = 1.2
    dn_per_electron: float = 0.05
    gain_stops: float = 0.0
    black_dn: float = 4.0
    transfer: str = "linear"
    value_range: str = "full"
    colour: bool = False
    channel_stops: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        """Refuse a curve that is not known."""
        if self.transfer not in ("linear", "srgb", "bt709"):
            raise ValueError(f"transfer: {self.transfer!r} found, linear, srgb or bt709 needed")
        if self.value_range not in ("full", "video"):
            raise ValueError(f"value_range: {self.value_range!r} found, full or video needed")

    @property
    def gain(self) -> Float32:
        """Amplification of the light: one number, or (3,) of each channel."""
        stops = self.gain_stops + (np.array(self.channel_stops) if self.colour else 0.0)
        return np.asarray(2.0**stops, dtype=np.float32)

    def clips(self, light: Float32) -> NDArray[np.bool_]:
        """Where light, noise apart, passes full scale; of the light's own shape."""
        return np.asarray(light * self.gain >= 1.0)

    def exposed(self, light: Float32, rng: np.random.Generator) -> NDArray[np.uint8]:
        """Turn light, full scale 1 at gain 0, into code values uint8 of the same shape.

        Parameters
        ----------
        light : (H, W) float32, or (H, W, 3) for a sensor of colours
        rng : numpy.random.Generator

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
        gain = self.gain
        value = light * (span * gain)
        variance = (
            value * (np.float32(self.dn_per_electron) * gain) + (np.float32(self.read_noise_dn) * gain) ** 2
        )
        noisy = value + np.sqrt(np.maximum(variance, 0)) * rng.standard_normal(light.shape, dtype=np.float32)
        if self.transfer == "linear":
            code = np.clip(noisy + np.float32(black), 0, _FULL)
        else:
            code = np.float32(_FULL) * _curve(np.clip(noisy / span, 0, 1), self.transfer)
        if self.value_range == "video":
            code = np.float32(_VIDEO[0]) + code * np.float32((_VIDEO[1] - _VIDEO[0]) / _FULL)
        return np.asarray(np.rint(code), dtype=np.uint8)


def _curve(share: Float32, transfer: str) -> Float32:
    if transfer == "srgb":
        return np.where(share <= 0.0031308, 12.92 * share, 1.055 * np.maximum(share, 0) ** (1 / 2.4) - 0.055)
    return np.where(share < 0.018, 4.5 * share, 1.099 * np.maximum(share, 0) ** 0.45 - 0.099)
