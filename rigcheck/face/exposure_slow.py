"""Beats too slow for a run of neighbouring pictures: light of few moments spread over the clip."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from rigcheck.face.exposure_flicker import Flicker, beat_hz, lamp_modulation
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray

__all__ = ["MOST_SLOW_S", "SparseLight", "with_slow_beat"]

# Mains drift: over longer times their beat loses its step (from memory: some hundredths of a hertz in minutes).
MOST_SLOW_S = 40.0
_FEWEST, _FEWEST_TURNS, _FEWEST_PLACES = 16, 1.5, 4
# How far the light of mains strays in normal operation of a grid, in its frequency (from memory: 50 mHz of 50 Hz).
_STRAYS = 0.001
_FINER = 8  # frequencies looked at per 1 / duration
_LEAST_BIN_S = 0.33
# A beat is told when a sine beside wandering light is so many times (natural logarithm) likelier than wandering alone,
# and leaves no more than a share of all that changes. Few turns look alike more easily: the first is for one turn and
# falls with their number, the second, also for one, rises with it; neither beyond what follows.
_LIKELIER, _LEAST_LIKELIER, _LEFT, _MOST_LEFT = 30.0, 10.0, 0.05, 0.2
# A quick beat shows in moments far apart too, as a slower one of its swing: a slow one must be so many times larger.
_PAST_QUICK = 1.5
# No place of the face runs against it by more than this share of it; and swings smaller than this harm nothing.
_MOST_AGAINST, _LEAST_STOPS = 0.25, 0.02
# Wandering light: variances against that of noise, of a random walk for a second and of smooth changes; their lengths.
_WALKS = (0.0, 0.1, 1.0, 10.0, 100.0)
_SMOOTHS = (0.0, 1.0, 10.0, 100.0, 1000.0)
_LENGTHS_S = (0.7, 1.5, 3.0, 6.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class SparseLight:
    """Light of places of the skin at moments that may lie far apart.

    `times_s` (N,); `light` (N, P), NaN where a place is not seen; `moves` (N, M) how the face lies in the picture, in
    any units, empty (N, 0) when that is not known.
    """

    times_s: FloatArray
    light: FloatArray
    moves: FloatArray

    def __post_init__(self) -> None:
        """Refuse arrays that do not fit each other."""
        n = len(self.times_s)
        if self.light.ndim != 2 or self.moves.ndim != 2 or len(self.light) != n or len(self.moves) != n:
            raise ValueError(
                f"SparseLight: {n} times, {self.light.shape} levels, {self.moves.shape} moves found"
            )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fits:
    """Log-likelihoods without a sine and with each; the sines' (F, 2) coefficients and the sigma of their size."""

    without: float
    with_each: FloatArray
    found: FloatArray
    sigma: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class _Line:
    """A sine in the light: frequency, amplitude and its sigma in stops, log of how much likelier, share left over."""

    hz: float
    amplitude: float
    sigma: float
    likelier: float
    left: float
    phase: tuple[float, float]


def with_slow_beat(
    flicker: Flicker | Estimate, sparse: SparseLight | None, *, shutter_s: float | None = None
) -> Flicker | Estimate:
    """Look over the whole clip for the beats that a short run of neighbouring pictures hides.

    Parameters
    ----------
    flicker : Flicker or Estimate
        What `flicker_of` made of neighbouring pictures.
    sparse : SparseLight or None
    shutter_s : float, optional

    Returns
    -------
    Flicker or Estimate
        As given, but with a slow beat where one is found and no quick one of its size; mains whose beat would have
        shown are no longer `hidden`.

    Notes
    -----
    Only where mains are expected to beat is anything looked for. Speech, a moving head and lamps that are changed alter
    the light too: what goes with the place and size of the face in the picture is taken off first, then a sine is held
    against light that wanders (a random walk, smooth changes of any length and noise, by likelihood), it must make
    most of what changes, and all places of the face must follow it. A performer who moves through uneven light as
    evenly as a clock would pass for a beat.

    References
    ----------
    C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, equation 5.8 (likelihood) and
    4.17 (smooth changes).
    """
    if sparse is None or not isinstance(flicker, Flicker) or flicker.frame_rate is None or not flicker.hidden:
        return flicker
    series = _binned(sparse)
    if series is None:
        return flicker
    rate, duration = flicker.frame_rate, float(np.ptp(series.times_s))
    bands = {hz: _band(2.0 * hz, rate, duration) for hz in flicker.hidden}
    told = {hz for hz in bands if beat_hz(2.0 * hz, rate) * duration >= _FEWEST_TURNS}
    seen = replace(flicker, hidden=tuple(hz for hz in flicker.hidden if hz not in told))
    frequencies = np.unique(np.concatenate(list(bands.values())))
    line = _line(series, frequencies) if len(frequencies) else None
    if line is None or (flicker.found and 2.0 * line.amplitude < _PAST_QUICK * (flicker.stops.value or 0.0)):
        return seen
    mains = tuple(hz for hz, band in bands.items() if len(band) and band[0] <= line.hz <= band[-1])
    swing, sigma = 2.0 * line.amplitude, 2.0 * line.sigma
    return replace(
        seen,
        stops=Estimate(value=swing, sigma=sigma, unit="stops", n=len(series.times_s)),
        beat=Estimate(value=line.hz, sigma=0.25 / duration, unit="Hz", n=len(series.times_s)),
        found=True,
        mains=mains,
        modulation=lamp_modulation(swing, sigma, mains, shutter_s, len(series.times_s)),
        turns=line.hz * duration,
    )


def _band(light_hz: float, rate: float, duration: float) -> FloatArray:
    """Frequencies at which this light may beat, and which turn often enough in this time."""
    middle, reach = beat_hz(light_hz, rate), _STRAYS * light_hz
    frequencies = np.arange(1, int(_FINER * duration * (middle + reach)) + 1) / (_FINER * duration)
    return frequencies[(frequencies >= middle - reach) & (frequencies * duration >= _FEWEST_TURNS - 1e-9)]


def _binned(sparse: SparseLight) -> SparseLight | None:
    """Neighbours joined, light in stops about each place's own middle; None when there is too little of it."""
    dark = ~(sparse.light > 0)
    stops = np.log2(np.where(dark, 1.0, sparse.light))
    stops[dark] = np.nan
    stops = stops[:, np.isfinite(stops).mean(axis=0) > 0.9] if len(stops) else stops
    good = (
        np.isfinite(stops).all(axis=1) & np.isfinite(sparse.times_s) & np.isfinite(sparse.moves).all(axis=1)
    )
    if good.sum() < _FEWEST or stops.shape[1] < _FEWEST_PLACES:
        return None
    order = np.argsort(sparse.times_s[good])
    times, stops, moves = sparse.times_s[good][order], stops[good][order], sparse.moves[good][order]
    numbers = np.unique(np.floor((times - times[0]) / _LEAST_BIN_S), return_inverse=True)[1]
    counts = np.bincount(numbers).astype(np.float64)
    if len(counts) < _FEWEST:
        return None

    def mean(columns: FloatArray) -> FloatArray:
        return np.stack([np.bincount(numbers, weights=each) / counts for each in columns.T], axis=1)

    stops = mean(stops)
    return SparseLight(
        times_s=np.bincount(numbers, weights=times) / counts,
        light=stops - np.median(stops, axis=0),
        moves=mean(moves) if moves.shape[1] else np.zeros((len(counts), 0)),
    )


def _line(series: SparseLight, frequencies: FloatArray) -> _Line | None:
    """The sine that light over the whole face follows; None where wandering light does as well."""
    times = series.times_s - series.times_s.mean()
    level = np.median(series.light, axis=1)
    beside = _beside(times, series.moves)
    line = _likeliest(times, level, beside, frequencies)
    turns = line.hz * float(np.ptp(times))
    if (
        2.0 * line.amplitude < _LEAST_STOPS
        or line.likelier < max(_LIKELIER / turns, _LEAST_LIKELIER)
        or line.left > min(_LEFT * turns, _MOST_LEFT)
    ):
        return None
    phase = 2.0 * np.pi * line.hz * times
    wave = (line.phase[0] * np.cos(phase) + line.phase[1] * np.sin(phase)) / line.amplitude
    design = np.column_stack([beside, wave])
    by_place = np.linalg.lstsq(design, series.light, rcond=None)[0][-1] / line.amplitude
    return line if by_place.min() > -_MOST_AGAINST and _lasts(times, level, beside, wave) else None


def _lasts(times: FloatArray, level: FloatArray, beside: FloatArray, wave: FloatArray) -> bool:
    """Whether both halves of the time show the wave, the weaker with half the strength of the stronger."""
    halves = [np.where(side, wave, 0.0) for side in (times < 0, times >= 0)]
    found = np.linalg.lstsq(np.column_stack([beside, *halves]), level, rcond=None)[0][-2:]
    return bool(found.min() > 0.5 * found.max() > 0)


def _beside(times: FloatArray, moves: FloatArray) -> FloatArray:
    """What may change the light beside a beat: a mean, a slope, and how the face lies in the picture."""
    columns = [np.ones_like(times), times / max(float(np.ptp(times)), 1e-9)]
    for move in (moves - moves.mean(axis=0)).T if moves.shape[1] else ():
        spread = float(move.std())
        columns += [move / spread] if spread > 1e-9 else []
    basis, upper = np.linalg.qr(np.stack(columns, axis=1))
    return np.asarray(basis[:, np.abs(np.diag(upper)) > 1e-3 * np.sqrt(len(times))])


def _likeliest(times: FloatArray, level: FloatArray, beside: FloatArray, frequencies: FloatArray) -> _Line:
    """Best sine over all kinds of wandering light, and by how much it is likelier than wandering alone."""
    phase = 2.0 * np.pi * frequencies[:, None] * times
    waves = np.stack([np.cos(phase), np.sin(phase)], axis=1)
    apart = np.abs(times[:, None] - times)
    from_start = np.minimum.outer(times, times) - times[0]
    fits = []
    for walk in _WALKS:
        for smooth, length in _kinds():
            scaled = np.sqrt(5.0) * apart / length
            covariance = walk * from_start + smooth * (1 + scaled + scaled**2 / 3) * np.exp(-scaled)
            fits.append(_fitted(covariance + np.eye(len(times)), level, beside, waves))
    best = max(fits, key=lambda each: float(each.with_each.max()))
    k = int(np.argmax(best.with_each))
    a, b = (float(n) for n in best.found[k])
    amplitude = float(np.hypot(a, b))
    wave = a * waves[k, 0] + b * waves[k, 1]
    rest = level - beside @ (beside.T @ level)
    left = level - wave
    left = left - beside @ (beside.T @ left)
    return _Line(
        hz=float(frequencies[k]),
        amplitude=amplitude,
        sigma=float(best.sigma[k]),
        likelier=float(best.with_each[k]) - max(each.without for each in fits),
        left=float(left @ left) / max(float(rest @ rest), 1e-30),
        phase=(a, b),
    )


def _kinds() -> Sequence[tuple[float, float]]:
    return [(0.0, 1.0), *((smooth, length) for smooth in _SMOOTHS[1:] for length in _LENGTHS_S)]


def _fitted(covariance: FloatArray, level: FloatArray, beside: FloatArray, waves: FloatArray) -> _Fits:
    """Generalised least squares without and with each sine, under one kind of wandering light."""
    n = len(level)
    lower = scipy.linalg.cholesky(covariance, lower=True, check_finite=False)
    columns = np.column_stack([level, beside, waves.reshape(-1, n).T])
    white = scipy.linalg.solve_triangular(lower, columns, lower=True, check_finite=False)
    basis, _ = np.linalg.qr(white[:, 1 : 1 + beside.shape[1]])
    free = white - basis @ (basis.T @ white)
    y, waved = free[:, 0], free[:, 1 + beside.shape[1] :].T.reshape(-1, 2, n)
    gram, both = waved @ waved.transpose(0, 2, 1), waved @ y
    gram = gram + 1e-12 * np.trace(gram, axis1=1, axis2=2)[:, None, None] * np.eye(2)
    inverse = np.linalg.inv(gram)
    found = np.einsum("fij,fj->fi", inverse, both)
    total = float(y @ y) + 1e-12
    rests = np.maximum(total - np.einsum("fi,fi->f", found, both), 1e-12)
    constant = -float(np.log(np.diag(lower)).sum())
    degrees = max(n - beside.shape[1] - 2, 1)
    sigma = np.sqrt(rests / degrees * np.trace(inverse, axis1=1, axis2=2) / 2.0)
    return _Fits(
        without=constant - 0.5 * n * float(np.log(total)),
        with_each=constant - 0.5 * n * np.log(rests),
        found=found,
        sigma=sigma,
    )
