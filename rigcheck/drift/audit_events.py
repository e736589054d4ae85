"""Steps and slow drifts in a day of estimates with known covariances, several unknowns each.

An event carries the pair from one state to another: at once, before a take (a step), or in a straight line over
several takes (a drift). Events are added one at a time as long as one explains more than a whole untouched day would,
and then each is tried at every other place while the others stay, so that an early wrong choice does not last.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy

from rigcheck.drift.audit_scan import alikeness, scan_threshold, step_shapes
from rigcheck.model._arrays import FloatArray

FALSE_ALARMS = 0.01
# A drift takes at least so many takes; what is over sooner is a step, or a knock in the middle of a take.
SHORTEST_DRIFT = 3
# A knock is commoner than a creep that is over within hours: a drift must explain so much more than the best step
# (chi-square; D-028 counts causes within 6 as explaining as well).
_DRIFT_MARGIN = 6.0
_MOST_EVENTS = 8
_ROUNDS = 4
_MOST_DRIFTS = 1500
_SURE = 0.95

__all__ = [
    "FALSE_ALARMS",
    "SHORTEST_DRIFT",
    "Found",
    "Shape",
    "find_events",
    "level_threshold",
    "needed_gains",
    "sure_range",
]


@dataclass(frozen=True)
class Shape:
    """Nothing up to take `start`, all from take `end` on, a straight line in time between."""

    start: int
    end: int

    @property
    def drifts(self) -> bool:
        """Whether it is a drift."""
        return self.end - self.start >= SHORTEST_DRIFT

    def over(self, times: FloatArray) -> FloatArray:
        """Share of the change that has come at each take, (N,)."""
        return np.asarray(
            np.clip((times - times[self.start]) / (times[self.end] - times[self.start]), 0.0, 1.0)
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """Events found: `changes` (E, D) with `covariance` (E·D, E·D), the level before them, and what each explains.

    `curve` (N, D) with `curve_covariance` (N, D, D). `places` gives for each event (takes it may begin with,
    their probabilities); `needed` are the gains that a step and a drift had to bring.
    """

    shapes: tuple[Shape, ...]
    gains: tuple[float, ...]
    changes: FloatArray
    covariance: FloatArray
    curve: FloatArray
    curve_covariance: FloatArray
    places: tuple[tuple[FloatArray, FloatArray], ...]
    times: FloatArray
    needed: tuple[float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Series:
    """Values (N, D), their information (N, D, D), and times."""

    values: FloatArray
    information: FloatArray
    times: FloatArray

    @property
    def dims(self) -> int:
        return int(self.values.shape[1])


def find_events(
    values: FloatArray,
    covariances: FloatArray,
    times: FloatArray,
    *,
    false_alarms: float | None = FALSE_ALARMS,
) -> Found:
    """Find what happened.

    Parameters
    ----------
    values : (N, D) float64
    covariances : (N, D, D) float64
        Of each take's own error; errors common to the day do not matter.
    times : (N,) float64, ascending
        In any unit: a drift is straight in it.
    false_alarms : float
        Share of untouched days on which something may be found; None to look for nothing.
    """
    series = _Series(values=values, information=np.asarray(np.linalg.inv(covariances)), times=times)
    needed = (np.inf, np.inf)
    if false_alarms is not None:
        needed = needed_gains(series.information, times, false_alarms=false_alarms)
    tried = _tried(len(values))
    chosen: list[Shape] = []
    while np.isfinite(needed[0]) and len(chosen) < min(_MOST_EVENTS, len(values) - 1):
        best = _best(series, chosen, tried, needed)
        if best is None:
            break
        chosen = _settled(series, [*chosen, best], tried, needed)
    chosen = sorted(set(chosen), key=lambda one: (one.start, one.end))
    return _told(series, tuple(chosen), tried, needed)


def needed_gains(
    information: FloatArray, times: FloatArray, *, false_alarms: float = FALSE_ALARMS
) -> tuple[float, float]:
    """Gains that a step and a drift must bring, each passed by an untouched day with half the allowed probability."""
    weights = np.trace(information / information.mean(axis=0), axis1=1, axis2=2)
    n, dims = len(times), information.shape[1]
    if n < 2:
        return np.inf, np.inf
    # Coarse, so that days alike share one computation.
    weights = np.exp(np.round(np.log(weights / weights.mean()) * 4.0) / 4.0)
    step = scan_threshold(alikeness(step_shapes(n), weights), unknowns=dims, false_alarms=0.5 * false_alarms)
    drifts = [shape for shape in _tried(n) if shape.drifts]
    if not drifts:
        return step, np.inf
    shapes = np.stack([shape.over(times) for shape in drifts])
    drift = scan_threshold(alikeness(shapes, weights), unknowns=dims, false_alarms=0.5 * false_alarms)
    return step, drift


@lru_cache(maxsize=16)
def _tried(n: int) -> tuple[Shape, ...]:
    """Steps before each take but the first, and drifts row by row, each row the other way round than the one before."""
    steps = [Shape(k, k + 1) for k in range(n - 1)]
    every = max(int(np.ceil(n * n / 2 / _MOST_DRIFTS)), 1)
    drifts: list[Shape] = []
    for start in range(n - SHORTEST_DRIFT):
        ends = list(range(n - 1, start + SHORTEST_DRIFT - 1, -every))
        drifts += [Shape(start, end) for end in (ends if start % 2 == 0 else ends[::-1])]
    return (*steps, *drifts)


def _explained(series: _Series, designs: FloatArray) -> FloatArray:
    """Chi-square explained by each of M designs (M, N, E) with free amplitudes in every dimension, (M,)."""
    m, n, e = designs.shape
    d = series.dims
    pairs = (designs[:, :, :, None] * designs[:, :, None, :]).transpose(0, 2, 3, 1).reshape(m * e * e, n)
    normal = (pairs @ series.information.reshape(n, d * d)).reshape(m, e, e, d, d)
    pulled = np.einsum("kij,kj->ki", series.information, series.values)
    right = np.einsum("mke,ki->mei", designs, pulled).reshape(m, e * d)
    system = normal.transpose(0, 1, 3, 2, 4).reshape(m, e * d, e * d)
    solved = np.linalg.solve(system, right[..., None])[..., 0]
    return np.asarray((right * solved).sum(axis=1))


def _with(series: _Series, chosen: list[Shape], tried: list[Shape]) -> FloatArray:
    """Designs (M, N, E + 2): level, chosen events, and each tried one."""
    base = [np.ones(len(series.values)), *(shape.over(series.times) for shape in chosen)]
    base_columns = np.stack(base, axis=1)
    last = np.stack([shape.over(series.times) for shape in tried])
    return np.concatenate([np.tile(base_columns, (len(tried), 1, 1)), last[:, :, None]], axis=2)


def _base(series: _Series, chosen: list[Shape]) -> float:
    columns = [np.ones(len(series.values)), *(shape.over(series.times) for shape in chosen)]
    return float(_explained(series, np.stack(columns, axis=1)[None])[0])


def _usable(series: _Series, chosen: list[Shape], tried: tuple[Shape, ...]) -> list[Shape]:
    """Tried events that the chosen ones do not make indistinguishable."""
    taken = set(chosen)
    return [shape for shape in tried if shape not in taken and not _redundant(shape, chosen)]


def _redundant(shape: Shape, chosen: list[Shape]) -> bool:
    """Whether it is a drift on whose way another is on, or that steps at every take already span.

    Two drifts over nearly the same takes would cancel but for a bump, at any size.
    """
    if not shape.drifts:
        return False
    if any(one.drifts and one.start < shape.end and shape.start < one.end for one in chosen):
        return True
    steps = {one.start for one in chosen if not one.drifts}
    return all(k in steps for k in range(shape.start, shape.end))


def _scores(
    series: _Series, others: list[Shape], tried: tuple[Shape, ...], needed: tuple[float, float]
) -> tuple[list[Shape], FloatArray, FloatArray]:
    """Usable events, what each explains besides the others, and how far that is above what is needed.

    A drift counts the less by the margin, so that it is chosen before a step only when it explains clearly more.
    """
    usable = _usable(series, others, tried)
    if not usable:
        return [], np.zeros(0), np.zeros(0)
    gains = _explained(series, _with(series, others, usable)) - _base(series, others)
    drift_asks = max(needed[1], needed[0] + _DRIFT_MARGIN)
    asked = np.array([drift_asks if shape.drifts else needed[0] for shape in usable])
    return usable, gains, gains - asked


def _best(
    series: _Series, others: list[Shape], tried: tuple[Shape, ...], needed: tuple[float, float]
) -> Shape | None:
    usable, _, above = _scores(series, others, tried, needed)
    if not usable:
        return None
    place = int(np.argmax(above))
    return usable[place] if above[place] > 0 else None


def _settled(
    series: _Series, chosen: list[Shape], tried: tuple[Shape, ...], needed: tuple[float, float]
) -> list[Shape]:
    """Move each event to where it explains most while the others stay; drop those no longer needed."""
    for _ in range(_ROUNDS):
        before = list(chosen)
        for shape in before:
            others = [one for one in chosen if one != shape]
            best = _best(series, others, tried, needed)
            chosen = others if best is None else [*others, best]
        if set(chosen) == set(before):
            break
    return chosen


def _fit_events(series: _Series, shapes: tuple[Shape, ...]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Amplitudes ((E + 1)·D,), level first, their covariance, and the design (N, E + 1)."""
    n, d, e = len(series.values), series.dims, len(shapes) + 1
    design = np.stack([np.ones(n), *(shape.over(series.times) for shape in shapes)], axis=1)
    system = np.einsum("ke,kf,kij->eifj", design, design, series.information).reshape(e * d, e * d)
    pulled = np.einsum("kij,kj->ki", series.information, series.values)
    covariance = np.linalg.inv(system)
    return covariance @ (design.T @ pulled).reshape(-1), covariance, design


def _told(
    series: _Series, shapes: tuple[Shape, ...], tried: tuple[Shape, ...], needed: tuple[float, float]
) -> Found:
    amplitudes, covariance, design = _fit_events(series, shapes)
    d, e = series.dims, len(shapes) + 1
    blocks = covariance.reshape(e, d, e, d)
    gains, places = [], []
    for shape in shapes:
        others = [one for one in shapes if one != shape]
        alternatives = tuple(one for one in tried if one.drifts == shape.drifts)
        usable, explained, _ = _scores(series, others, alternatives, needed)
        gains.append(float(explained[usable.index(shape)]))
        places.append(_places(usable, explained))
    return Found(
        shapes=shapes,
        gains=tuple(gains),
        changes=amplitudes.reshape(e, d)[1:],
        covariance=covariance[d:, d:],
        curve=design @ amplitudes.reshape(e, d),
        curve_covariance=np.einsum("ke,eifj,kf->kij", design, blocks, design),
        places=tuple(places),
        times=series.times,
        needed=needed,
    )


def _places(usable: list[Shape], gains: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Takes an event may begin with and their probabilities, every place as likely beforehand."""
    likely = np.exp(0.5 * (gains - gains.max()))
    begins = np.array([shape.start + 1 for shape in usable])
    takes = np.unique(begins)
    share = np.array([likely[begins == take].sum() for take in takes])
    return takes.astype(np.float64), np.asarray(share / share.sum())


def sure_range(takes: FloatArray, share: FloatArray) -> tuple[int, int]:
    """Shortest run of takes that holds the event's beginning with 95 % probability."""
    best = (int(takes[0]), int(takes[-1]))
    for first in range(len(takes)):
        total = np.cumsum(share[first:])
        enough = np.flatnonzero(total >= _SURE - 1e-12)
        if len(enough) and takes[first + enough[0]] - takes[first] < best[1] - best[0]:
            best = (int(takes[first]), int(takes[first + enough[0]]))
    return best


def level_threshold(dims: int, *, false_alarms: float) -> float:
    """Chi-square that a level passes by chance with this probability."""
    return float(scipy.special.chdtri(dims, false_alarms))
