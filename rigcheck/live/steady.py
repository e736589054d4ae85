"""Steady readings: when the hand has moved something, and numbers that noise alone does not move.

References
----------
Page, "Continuous inspection schemes", Biometrika 41, 1954: a change shows in the newest values against those before.
von Neumann et al., "The mean square successive difference", Annals of Mathematical Statistics 12, 1941: noise from
differences of neighbours, which a change of level does not swell.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray

__all__ = ["SURELY_AFTER", "ChangeWatch", "steadied"]

# Moments whose middle is held against those before: a move shows after two or three, of which two are surely after it.
NEWEST, SURELY_AFTER = 3, 2
# Standard deviations of that difference: Gaussian noise of 4,000 moments crosses it nowhere (tests). Where words and
# breath do, a few moments' precision is lost, and no answer.
_MOVED = 5.5
# The noise expected of a signal counts as much as so many moments of it.
_EXPECTED = 4
_REMEMBERED = 45
# A number is held while the newest lies within this share of its sigma.
_PLAY = 1.0
_SAME_SIGMA = 0.25


class ChangeWatch:
    """Watches a few signals of one subject for a move larger than their noise."""

    def __init__(self) -> None:
        self._rows: deque[FloatArray] = deque(maxlen=_REMEMBERED)
        self._names: tuple[str, ...] = ()

    def moved(self, signals: Mapping[str, tuple[float, float]]) -> bool:
        """Take the newest moment.

        Parameters
        ----------
        signals : mapping
            Name to value and the noise expected from moment to moment (standard deviation).

        Returns
        -------
        bool
            Whether the newest three moments lie off those before by more than noise; what came before the newest two is
            then forgotten. Also true when there are other signals than before.
        """
        names = tuple(sorted(signals))
        row = np.array([signals[name][0] for name in names])
        if not names or not np.isfinite(row).all():
            return False
        expected = np.array([signals[name][1] for name in names])
        if names != self._names:
            changed = bool(self._names)
            self._names = names
            self._rows.clear()
            self._rows.append(row)
            return changed
        self._rows.append(row)
        if len(self._rows) <= NEWEST + 1 or not self._off(expected):
            return False
        kept = list(self._rows)[-SURELY_AFTER:]
        self._rows.clear()
        self._rows.extend(kept)
        return True

    def forget(self) -> None:
        """Start anew after a move seen by another watch: keep the newest moments."""
        kept = list(self._rows)[-SURELY_AFTER:]
        self._rows.clear()
        self._rows.extend(kept)

    def _off(self, expected: FloatArray) -> bool:
        rows = np.array(self._rows)
        newest, before = rows[-NEWEST:], rows[:-NEWEST]
        steps = np.diff(before, axis=0)
        known = (0.5 * steps**2).sum(0)
        noise = np.sqrt((_EXPECTED * expected**2 + known) / (_EXPECTED + len(steps)))
        # The middle of the newest three, so that one bad moment moves nothing.
        off = np.abs(np.median(newest, axis=0) - before.mean(0))
        # The median of three Gaussian values spreads by 0.67.
        sigma = noise * np.sqrt(0.67**2 + 1.0 / len(before))
        return bool((off > _MOVED * sigma).any())


def steadied(before: Mapping[str, Estimate], now: Mapping[str, Estimate]) -> dict[str, Estimate]:
    """Numbers that follow the newest only as far as they lie off by more than their sigma.

    Parameters
    ----------
    before : mapping
        What was shown; empty to start anew.
    now : mapping
        The newest, under the same names.

    Returns
    -------
    dict
        Each with the newest count. Noise within the sigma moves nothing, so that a status judged from these numbers
        does not flicker at a limit; a drift is followed, one sigma behind. A number without sigma, or one that was or
        is missing, is the newest.
    """
    return {name: _held(before.get(name), estimate) for name, estimate in now.items()}


def _held(before: Estimate | None, now: Estimate) -> Estimate:
    if before is None or before.value is None or now.value is None or not now.sigma or not before.sigma:
        return now
    reach = _PLAY * max(now.sigma, before.sigma)
    value = min(max(before.value, now.value - reach), now.value + reach)
    close = abs(now.sigma - before.sigma) <= _SAME_SIGMA * before.sigma
    return replace(now, value=value, sigma=before.sigma if close else now.sigma)
