"""Light that beats over time, and what it beats with: mains against the frame rate, or a lamp's own driver."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray

__all__ = [
    "MAINS_LIGHT_HZ",
    "Flicker",
    "LightSeries",
    "beat_hz",
    "flicker_of",
    "lamp_modulation",
    "surviving_share",
]

# Lamps on the mains pulse at twice its frequency: 50 and 60 Hz.
MAINS_LIGHT_HZ = (100.0, 120.0)
_FEWEST = 24
_FEWEST_TURNS = 1.5
# A line counts when its power is so many times that of its surroundings: by chance once in e^15 frequencies.
_LINE = 15.0
_AROUND = 24  # frequencies on either side that are its surroundings
_FINER = 4  # frequencies looked at per 1 / duration
_MAINS_STRAYS = 0.002  # of its frequency


@dataclass(frozen=True, kw_only=True, eq=False)
class LightSeries:
    """Mean light of the skin, (N,), at times (N,) s of neighbouring pictures."""

    times_s: FloatArray
    light: FloatArray

    def __post_init__(self) -> None:
        """Refuse series that do not fit each other."""
        if self.times_s.shape != self.light.shape or self.times_s.ndim != 1:
            raise ValueError(f"LightSeries: {self.times_s.shape} times, {self.light.shape} levels found")


@dataclass(frozen=True, kw_only=True)
class Flicker:
    """A beat in the light.

    `stops` is its swing from trough to crest; `found` says whether it is a line that stands out, at `beat` Hz.
    `mains` are the mains (50, 60 Hz) whose light beats there; empty when none does. `modulation` is the lamp's own
    half swing over its mean that this beat means, by the shutter. `hidden` are mains whose light would not show at this
    frame rate or in so short a clip. `turns` is how often a slow beat, found in moments far apart, turned in the clip.
    """

    stops: Estimate
    beat: Estimate
    found: bool
    mains: tuple[int, ...] = ()
    modulation: Estimate | None = None
    hidden: tuple[int, ...] = ()
    frame_rate: float | None = None
    shutter_s: float | None = None
    turns: float | None = None


def beat_hz(light_hz: float, frame_rate: float) -> float:
    """Frequency at which light that pulses at `light_hz` is seen: its distance to the nearest multiple of the rate."""
    return abs(light_hz - round(light_hz / frame_rate) * frame_rate)


def surviving_share(light_hz: float, shutter_s: float) -> float:
    """Share of the light's modulation that an exposure of this length leaves: the size of sinc(f t), 0 to 1."""
    return float(abs(np.sinc(light_hz * shutter_s)))


def flicker_of(
    series: LightSeries | None, *, frame_rate: float | None = None, shutter_s: float | None = None
) -> Flicker | Estimate:
    """Look for a beat.

    Parameters
    ----------
    series : LightSeries or None
        Of neighbouring pictures, a second or more.
    frame_rate : float, optional
        Frames a second; else from the times.
    shutter_s : float, optional
        Exposure time, for the lamp's own modulation.

    Returns
    -------
    Flicker, or an Estimate without value that says why there is none

    Notes
    -----
    Least squares of a sine in the logarithm of light, frequency by frequency (Lomb's periodogram, so that dropped
    frames do no harm), beside a mean and a slope. Light changes as the face moves, slowly and over a band; a beat is a
    narrow line, so each is held against its surroundings and against white noise with a random walk. A beat slower than
    one and a half turns in the clip is not told from a change.

    References
    ----------
    N. R. Lomb, Least-squares frequency analysis of unequally spaced data, Astrophysics and Space Science 39, 1976.
    """
    if series is None:
        return Estimate(value=None, unit="stops", reason="no run of neighbouring pictures was looked at")
    good = np.isfinite(series.light) & (series.light > 0) & np.isfinite(series.times_s)
    times, stops = series.times_s[good], np.log2(np.where(good, series.light, 1.0))[good]
    if len(times) < _FEWEST or np.ptp(times) <= 0:
        reason = f"{len(times)} neighbouring pictures with known light and time, {_FEWEST} needed"
        return Estimate(value=None, unit="stops", reason=reason)
    rate = frame_rate or 1.0 / float(np.median(np.diff(times)))
    duration = float(np.ptp(times)) + 1.0 / rate
    frequencies, amplitudes, powers = _spectrum(times, stops, rate, duration)
    if not len(frequencies):
        return Estimate(
            value=None, unit="stops", reason=f"a run of {duration:.1f} s is too short for any beat"
        )
    ground = _surroundings(frequencies, powers)
    best = int(np.argmax(powers / ground))
    found = bool(powers[best] > _LINE * ground[best])
    best = best if found else int(np.argmax(amplitudes))
    swing = 2.0 * float(amplitudes[best])
    # A sine's squared amplitude is 4 / N of its power; the ground's is that of noise alone.
    sigma = 2.0 * float(np.sqrt(2.0 * ground[best] / len(times)))
    beat = float(frequencies[best])
    mains = _mains(beat, rate, duration) if found else ()
    hidden = tuple(int(hz / 2) for hz in MAINS_LIGHT_HZ if beat_hz(hz, rate) < _FEWEST_TURNS / duration)
    return Flicker(
        stops=Estimate(value=swing, sigma=sigma, unit="stops", n=len(times)),
        beat=Estimate(value=beat, sigma=0.25 / duration, unit="Hz", n=len(times)),
        found=found,
        mains=mains,
        modulation=lamp_modulation(swing, sigma, mains, shutter_s, len(times)),
        hidden=hidden,
        frame_rate=rate,
        shutter_s=shutter_s,
    )


def _spectrum(
    times: FloatArray, stops: FloatArray, rate: float, duration: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Frequencies, amplitude and power (drop of the sum of squares) of the sine that fits best at each."""
    count = int(np.floor((rate / 2.0) * _FINER * duration + 1e-9))
    frequencies = np.arange(1, count + 1) / (_FINER * duration)
    frequencies = np.append(frequencies[frequencies < rate / 2.0 - 1e-9], rate / 2.0)
    frequencies = frequencies[frequencies * duration >= _FEWEST_TURNS]
    if not len(frequencies):
        return frequencies, frequencies, frequencies
    centred = (times - times.mean()) / max(float(np.ptp(times)), 1e-9)
    trend, _ = np.linalg.qr(np.stack([np.ones_like(centred), centred], axis=1))
    rest = stops - trend @ (trend.T @ stops)
    phase = 2.0 * np.pi * frequencies[:, None] * (times - times[0])
    cosine, sine = np.cos(phase), np.sin(phase)
    for wave in (cosine, sine):
        wave -= (wave @ trend) @ trend.T
    cc, ss, cs = (cosine**2).sum(axis=1), (sine**2).sum(axis=1), (cosine * sine).sum(axis=1)
    cy, sy = cosine @ rest, sine @ rest
    # At half the frame rate only one phase is seen: the other wave is zero at every picture.
    lone = np.minimum(cc, ss) < 1e-6 * len(times)
    determinant = np.where(lone, 1.0, cc * ss - cs**2)
    a = np.where(lone, np.where(cc > ss, cy / np.maximum(cc, 1e-12), 0.0), (ss * cy - cs * sy) / determinant)
    b = np.where(lone, np.where(cc > ss, 0.0, sy / np.maximum(ss, 1e-12)), (cc * sy - cs * cy) / determinant)
    return frequencies, np.hypot(a, b), np.maximum(a * cy + b * sy, 1e-30)


def _surroundings(frequencies: FloatArray, powers: FloatArray) -> FloatArray:
    """Mean power of what is no line at each frequency: of its neighbours, and of slow wandering as a whole."""
    # Power of noise is chi-squared with two degrees of freedom: its median is 0.693 of its mean.
    near = np.zeros_like(powers)
    for k in range(len(powers)):
        low, high = max(k - _AROUND, 0), min(k + _AROUND + 1, len(powers))
        around = np.concatenate(
            [powers[low : max(k - _FINER, low)], powers[min(k + _FINER + 1, high) : high]]
        )
        near[k] = np.median(around) / 0.693 if len(around) >= 4 else np.inf
    near = np.maximum(near, 1e-12)
    return np.maximum(near, _wandering(frequencies, np.minimum(powers, 5.0 * near)))


def _wandering(frequencies: FloatArray, powers: FloatArray) -> FloatArray:
    """Spectrum of white noise and a random walk, w + b / f², by Whittle's likelihood."""
    slow = float(np.median(powers * frequencies**2))
    white = float(np.median(powers))

    def spectrum(logs: FloatArray) -> FloatArray:
        return np.asarray(np.exp(logs[0]) + np.exp(logs[1]) / frequencies**2)

    def cost(logs: FloatArray) -> float:
        model = spectrum(logs)
        return float(np.sum(np.log(model) + powers / model))

    start = np.log(np.maximum([white, 0.1 * slow], 1e-15))
    found = scipy.optimize.minimize(
        cost, start, method="Nelder-Mead", options={"xatol": 0.02, "fatol": 0.02, "maxiter": 200}
    )
    return spectrum(np.clip(found.x, -60.0, 60.0))


def _mains(beat: float, rate: float, duration: float) -> tuple[int, ...]:
    def meets(light_hz: float) -> bool:
        expected = beat_hz(light_hz, rate)
        return (
            expected * duration >= _FEWEST_TURNS
            and abs(beat - expected) <= 0.5 / duration + _MAINS_STRAYS * light_hz
        )

    return tuple(int(hz / 2) for hz in MAINS_LIGHT_HZ if meets(hz))


def lamp_modulation(
    swing: float, sigma: float, mains: Sequence[int], shutter_s: float | None, n: int
) -> Estimate | None:
    """Half swing over mean of the lamp's own light; None where mains or shutter are not known, or all is averaged."""
    if len(mains) != 1 or shutter_s is None:
        return None
    left = surviving_share(2.0 * mains[0], shutter_s)
    if left < 0.05:
        return None
    ratio = 2.0**swing
    seen = (ratio - 1.0) / (ratio + 1.0)
    return Estimate(value=seen / left, sigma=0.35 * sigma / left, n=n)
