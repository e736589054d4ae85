"""Whether a series of measurements is steady, stepped, creeps, or warms up.

A knock is a step between two results; creep is a straight line in time; warming up is an exponential that starts
anew with every session. The sigmas are known, so each model's gain in chi-square over a constant is itself
chi-square with one degree of freedom when nothing changed. Trying every place for a step is trying often: a model
is believed only when its gain passes a threshold that a whole untouched history passes in at most the wanted share
of cases (Bonferroni over everything tried, hence at most, however the series hang together). Among those that
pass, BIC decides.

References
----------
Schwarz, "Estimating the dimension of a model", Annals of Statistics 6(2), 1978 (BIC).
Worsley, "The power of likelihood ratio and cumulative sum tests for a change in a binomial probability",
Biometrika 70(2), 1983 (the scan statistic over change points; from memory).
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from rigcheck.model._arrays import FloatArray

Kind = Literal["steady", "step", "ramp", "warm-up", "too few"]

# Time constants tried for warming up, hours: handbook of the field, 15 to 30 minutes are usual.
WARM_UP_H = (0.1, 0.2, 0.4, 0.8)
# A pause after which the cameras are taken to have cooled.
SESSION_GAP_H = 4.0
FALSE_ALARMS = 0.01
FEWEST = 3
_POWER = 0.95
# Gain that a neighbouring place may lack and still be a place of the step.
_PLACE_SLACK = 3.841458820694124  # 95 % quantile of a chi-square with one degree of freedom
_MAD = 0.6745
_FEWEST_FOR_SCATTER = 8
_MOST_STEPS = 12

__all__ = [
    "FALSE_ALARMS",
    "SESSION_GAP_H",
    "WARM_UP_H",
    "Behaviour",
    "Step",
    "behaviour",
    "n_tried",
    "threshold",
]


@dataclass(frozen=True, kw_only=True)
class Step:
    """A step between results `last_before` and `last_before` + 1; with 95 % between `earliest` and `latest` + 1."""

    last_before: int
    earliest: int
    latest: int
    size: float
    sigma: float
    gain: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Behaviour:
    """How a series behaves.

    `curve` (N,) is the model at each result. `steps` is filled for a step; `size` with `sigma` is the change from
    first to last result of a ramp, or how far a warm-up goes from cold to warm; `hours` its time constant.
    `scatter` is how much wider results lie than their sigmas say (1 when they do not), by which every test was
    widened. `seen_last`: the smallest step at the newest result that would be told, as a change of whatever kind, in
    95 of 100 cases; `seen_middle`: one half-way.
    """

    kind: Kind
    curve: FloatArray
    steps: tuple[Step, ...] = ()
    size: float = 0.0
    sigma: float = 0.0
    hours: float | None = None
    scatter: float = 1.0
    seen_last: float | None = None
    seen_middle: float | None = None


def n_tried(times_h: FloatArray) -> int:
    """How many alternatives to a constant are tried for a series: places of a step, a ramp, warm-ups."""
    if len(times_h) < FEWEST:
        return 0
    return len(times_h) - 1 + 1 + (len(WARM_UP_H) if _can_warm_up(times_h) else 0)


def threshold(tried: int, *, false_alarms: float = FALSE_ALARMS) -> float:
    """Gain in chi-square that untouched series pass with at most this probability in all `tried` trials together."""
    return float(scipy.special.chdtri(1, false_alarms / max(tried, 1)))


def behaviour(
    times_h: FloatArray, values: FloatArray, sigmas: FloatArray, *, needed: float | None = None
) -> Behaviour:
    """Tell how a series behaves.

    Parameters
    ----------
    times_h : (N,) float64, ascending, hours
    values, sigmas : (N,) float64
        Sigmas positive.
    needed : float, optional
        Gain in chi-square that a change must bring (see :func:`threshold`); for this series alone when not given.

    Returns
    -------
    Behaviour

    Notes
    -----
    Results that hang together by a common error (a stored calibration's) have sigmas that are too large for their
    scatter: tests are then on the safe side. Sigmas that are too small for the scatter are widened by the median
    step from result to result around the best model, from eight results on.
    """
    n = len(times_h)
    if n < FEWEST:
        return Behaviour(kind="too few", curve=np.asarray(values, dtype=np.float64).copy())
    needed = threshold(n_tried(times_h)) if needed is None else needed
    # A change makes wide steps of its own: the scatter is that around whichever model leaves least.
    curves = [np.zeros(n), *(one.curve for one in _models(times_h, values, sigmas))]
    scatter = min(_scatter(values - curve, sigmas) for curve in curves)
    wide = sigmas * scatter
    seen_last, seen_middle = _seen(wide, needed)
    steady = Behaviour(
        kind="steady",
        curve=np.full(n, _mean(values, wide)[0]),
        scatter=scatter,
        seen_last=seen_last,
        seen_middle=seen_middle,
    )
    passed = [one for one in _models(times_h, values, wide) if one.gain > needed]
    if not passed:
        return steady
    best = min(passed, key=lambda one: one.n_parameters * np.log(n) - one.gain)
    if best.kind == "step":
        steps, levels = _all_steps(values, wide, needed)
        return replace(steady, kind="step", curve=levels, steps=steps)
    size, sigma = _amplitude(best.shape, values, wide)
    return replace(steady, kind=best.kind, curve=best.curve, size=size, sigma=sigma, hours=best.hours)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Model:
    """One alternative to a constant; `shape` is what its amplitude multiplies."""

    kind: Kind
    gain: float
    curve: FloatArray
    shape: FloatArray
    n_parameters: int
    hours: float | None = None


def _models(times_h: FloatArray, values: FloatArray, sigmas: FloatArray) -> list[_Model]:
    gain, curve = _best_step(values, sigmas)
    out = [_Model(kind="step", gain=gain, curve=curve, shape=curve, n_parameters=3)]
    shape = (times_h - times_h[0]) / max(float(np.ptp(times_h)), 1e-9)
    gain, curve = _line(shape, values, sigmas)
    out.append(_Model(kind="ramp", gain=gain, curve=curve, shape=shape, n_parameters=2))
    if _can_warm_up(times_h):
        out.append(_warm_up(times_h, values, sigmas))
    return out


def _mean(values: FloatArray, sigmas: FloatArray) -> tuple[float, float]:
    """Weighted mean and its variance."""
    weight = 1.0 / sigmas**2
    return float((weight @ values) / weight.sum()), float(1.0 / weight.sum())


def _scatter(values: FloatArray, sigmas: FloatArray) -> float:
    """How much wider the steps from result to result are than sigmas say; 1 when not clearly so."""
    if len(values) < _FEWEST_FOR_SCATTER:
        return 1.0
    ratio = np.abs(np.diff(values)) / np.sqrt(sigmas[1:] ** 2 + sigmas[:-1] ** 2)
    found = float(np.median(ratio)) / _MAD
    # The median of dependent steps scatters by about 1.2 / sqrt(n).
    return found if found > 1.0 + 2.4 / np.sqrt(len(values)) else 1.0


def _gains(values: FloatArray, sigmas: FloatArray) -> FloatArray:
    """Gain of a step after each result but the last, (N - 1,)."""
    weight = 1.0 / sigmas**2
    before, total = np.cumsum(weight)[:-1], float(weight.sum())
    sums = np.cumsum(weight * values)[:-1]
    mean1, mean2 = sums / before, (float(weight @ values) - sums) / (total - before)
    return np.asarray((mean2 - mean1) ** 2 / (1.0 / before + 1.0 / (total - before)))


def _best_step(values: FloatArray, sigmas: FloatArray) -> tuple[float, FloatArray]:
    gains = _gains(values, sigmas)
    place = int(np.argmax(gains))
    curve = np.empty(len(values))
    curve[: place + 1] = _mean(values[: place + 1], sigmas[: place + 1])[0]
    curve[place + 1 :] = _mean(values[place + 1 :], sigmas[place + 1 :])[0]
    return float(gains[place]), curve


def _line(shape: FloatArray, values: FloatArray, sigmas: FloatArray) -> tuple[float, FloatArray]:
    """Gain and curve of constant plus amplitude times shape."""
    amplitude, sigma = _amplitude(shape, values, sigmas)
    if not np.isfinite(sigma):
        return 0.0, np.full(len(values), _mean(values, sigmas)[0])
    level = _mean(values - amplitude * shape, sigmas)[0]
    return (amplitude / sigma) ** 2, level + amplitude * shape


def _amplitude(shape: FloatArray, values: FloatArray, sigmas: FloatArray) -> tuple[float, float]:
    weight = 1.0 / sigmas**2
    centred = shape - (weight @ shape) / weight.sum()
    information = float(weight @ centred**2)
    if information <= 1e-12 * float(weight.sum()):
        return 0.0, np.inf
    return float(weight @ (centred * values)) / information, information**-0.5


def _since_start(times_h: FloatArray) -> FloatArray:
    """Hours since the first result of each session."""
    first = np.concatenate([[True], np.diff(times_h) > SESSION_GAP_H])
    return np.asarray(times_h - times_h[np.maximum.accumulate(np.where(first, np.arange(len(times_h)), 0))])


def _can_warm_up(times_h: FloatArray) -> bool:
    """Whether some session has results at different times."""
    return bool((_since_start(times_h) > 0.5 * WARM_UP_H[0]).any()) and len(times_h) > FEWEST


def _warm_up(times_h: FloatArray, values: FloatArray, sigmas: FloatArray) -> _Model:
    found = []
    for hours in WARM_UP_H:
        shape = 1.0 - np.exp(-_since_start(times_h) / hours)
        gain, curve = _line(shape, values, sigmas)
        found.append(_Model(kind="warm-up", gain=gain, curve=curve, shape=shape, n_parameters=3, hours=hours))
    return max(found, key=lambda one: one.gain)


def _all_steps(values: FloatArray, sigmas: FloatArray, needed: float) -> tuple[tuple[Step, ...], FloatArray]:
    """Split at the best step as long as a part has one that passes."""
    bounds, ends = [0, len(values)], set[int]()
    while len(ends) < _MOST_STEPS:
        best: tuple[float, int] = (needed, -1)
        for start, stop in pairwise(bounds):
            if stop - start < 2:
                continue
            gains = _gains(values[start:stop], sigmas[start:stop])
            place = int(np.argmax(gains))
            if gains[place] > best[0]:
                best = float(gains[place]), start + place + 1
        if best[1] < 0:
            break
        ends.add(best[1])
        bounds = sorted({0, len(values), *ends})
    curve, steps = np.empty(len(values)), []
    for start, stop in pairwise(bounds):
        curve[start:stop] = _mean(values[start:stop], sigmas[start:stop])[0]
    for number in range(1, len(bounds) - 1):
        steps.append(_step(values, sigmas, (bounds[number - 1], bounds[number], bounds[number + 1])))
    return tuple(steps), curve


def _step(values: FloatArray, sigmas: FloatArray, bounds: tuple[int, int, int]) -> Step:
    start, middle, stop = bounds
    gains = _gains(values[start:stop], sigmas[start:stop])
    place = int(np.argmax(gains))
    near = np.flatnonzero(gains > gains[place] - _PLACE_SLACK)
    mean1, var1 = _mean(values[start:middle], sigmas[start:middle])
    mean2, var2 = _mean(values[middle:stop], sigmas[middle:stop])
    return Step(
        last_before=middle - 1,
        earliest=start + int(near[0]),
        latest=start + int(near[-1]),
        size=mean2 - mean1,
        sigma=float(np.sqrt(var1 + var2)),
        gain=float(gains[place]),
    )


def _seen(sigmas: FloatArray, needed: float) -> tuple[float, float]:
    """Smallest steps told with 95 % probability: at the newest result, and half-way."""
    reach = float(np.sqrt(needed)) + float(scipy.special.ndtri(_POWER))
    variance: NDArray[np.float64] = sigmas**2
    rest, half = variance[:-1], len(sigmas) // 2

    def mean_variance(part: FloatArray) -> float:
        return float(1.0 / (1.0 / part).sum())

    last = reach * float(np.sqrt(variance[-1] + mean_variance(rest)))
    middle = reach * float(np.sqrt(mean_variance(variance[:half]) + mean_variance(variance[half:])))
    return last, middle
