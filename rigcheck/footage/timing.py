"""When each picture of a clip is shown: its index, its time, and what the times say about drops."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from rigcheck.model import Finding
from rigcheck.model._arrays import BoolArray, FloatArray, IntArray

__all__ = ["ON_GRID_FRAMES", "FrameTable", "count_table", "review_timing", "timed_table"]

ON_GRID_FRAMES = 0.25  # how far a time may lie from its place and still belong to it, in frames
_RATES = tuple(
    Fraction(base * (1000 if ntsc else 1), 1001 if ntsc else 1)
    for base in (24, 25, 30, 48, 50, 60, 72, 90, 96, 100, 120, 150, 180, 200, 240)
    for ntsc in ((False, True) if base % 6 == 0 else (False,))
)
_SAME_RATE = 2e-5  # relative: 60 and 59.94 differ by 1e-3; containers round by less than this
_VARIABLE_SHARE = 0.1  # of the intervals: more gaps than this is a varying rate, not single drops


@dataclass(frozen=True, kw_only=True, eq=False)
class FrameTable:
    """Every picture of a file in order of presentation.

    Parameters
    ----------
    ticks : (N,) int64
        Presentation times in units of `tick_s`, ascending; 0 to N-1 where the file has none.
    keys : (N,) bool
        True where decoding can start.
    tick_s : Fraction or None
        Length of a tick, s; None when the pictures have no time.
    timed : bool
        False where the indices were counted, because the file has no usable times.
    rate : Fraction or None
        Frames a second, as stated by the file or, failing that, as measured.
    """

    ticks: IntArray
    keys: BoolArray
    tick_s: Fraction | None
    timed: bool
    rate: Fraction | None

    def __len__(self) -> int:
        return len(self.ticks)

    @property
    def times_s(self) -> FloatArray | None:
        """Times from the first picture, s; None when there are none."""
        if self.tick_s is None:
            return None
        return np.asarray((self.ticks - self.ticks[0]) * float(self.tick_s), dtype=np.float64)

    @property
    def grid(self) -> FloatArray:
        """Times from the first picture counted in frame periods; the plain index without times."""
        times = self.times_s
        if times is None or self.rate is None:
            return np.arange(len(self), dtype=np.float64)
        return np.asarray(times * float(self.rate), dtype=np.float64)

    @property
    def all_keys(self) -> bool:
        """True when every picture can be decoded on its own."""
        return bool(self.keys.all())

    def entry_points(self) -> IntArray:
        """Find where decoding may start after a seek: keys whose time no other picture shares."""
        alone = np.ones(len(self), dtype=bool)
        same = self.ticks[1:] == self.ticks[:-1]
        alone[1:] &= ~same
        alone[:-1] &= ~same
        found = np.flatnonzero(self.keys & alone)
        return found if self.timed else found[found == 0]


def timed_table(
    ticks: IntArray, keys: BoolArray, *, tick_s: Fraction, stated: Sequence[Fraction | None]
) -> FrameTable:
    """Build the table of a file with presentation times, given in any order.

    Parameters
    ----------
    ticks, keys : (N,) int64, (N,) bool
    tick_s : Fraction
    stated : sequence of Fraction or None
        Frame rates that the file states, best first.
    """
    order = np.argsort(ticks, kind="stable")
    ticks, keys = ticks[order], keys[order]
    return FrameTable(ticks=ticks, keys=keys, tick_s=tick_s, timed=True, rate=_rate(ticks, tick_s, stated))


def count_table(n: int, keys: BoolArray, *, rate: Fraction | None) -> FrameTable:
    """Build the table of pictures that have no times of their own, in decoding order.

    With a frame rate the times follow from the count; without, there are none.
    """
    if not keys.all():
        # The order of presentation is unknown, so only the very first entry is sure to be a start.
        keys = np.arange(n) == 0
    tick_s = None if rate is None else 1 / rate
    return FrameTable(ticks=np.arange(n, dtype=np.int64), keys=keys, tick_s=tick_s, timed=False, rate=rate)


def _rate(ticks: IntArray, tick_s: Fraction, stated: Sequence[Fraction | None]) -> Fraction | None:
    """Frame rate: a stated one that the times bear out, else the measured one."""
    candidates = [_standard(rate) for rate in stated if rate]
    steps = np.diff(ticks)
    steps = steps[steps > 0]
    if not len(steps):
        return candidates[0] if candidates else None
    places = int(np.maximum(np.rint(steps / np.median(steps)), 1).sum())
    span = int(steps.sum())
    measured = Fraction(places, span) / tick_s
    slack = 1.5 / span  # relative: each end is rounded to a tick
    for rate in candidates:
        if abs(float(rate / measured) - 1) <= slack + _SAME_RATE:
            return rate
    return _standard(measured, slack)


def _standard(rate: Fraction, slack: float = 0.0) -> Fraction:
    """Snap to the usual rate next to this one where the difference is mere rounding."""
    nearest = min(_RATES, key=lambda usual: abs(float(rate / usual) - 1))
    if abs(float(rate / nearest) - 1) <= slack + _SAME_RATE:
        return nearest
    return rate.limit_denominator(100000)


def review_timing(table: FrameTable, *, first: int = 0, last: int | None = None) -> list[Finding]:
    """Look for dropped and repeated pictures and a varying rate in the times of a clip.

    Parameters
    ----------
    table : FrameTable
    first, last : int, optional
        Look only at the pictures from the one to the other, both included.

    Returns
    -------
    list of Finding

    Notes
    -----
    An interval within a quarter frame of a whole number of frame periods is even, and one of several periods
    a gap. Where more than a tenth of the intervals are gaps or uneven, the rate is said to vary. A camera
    that fills a drop by writing the picture before it again leaves no trace in the times: not detected.
    """
    steps = np.diff(table.grid[first : len(table) if last is None else last + 1])
    rate = table.rate
    if not table.timed or rate is None or not len(steps):
        return []
    slack = ON_GRID_FRAMES + float((table.tick_s or 0) * rate)
    periods = np.rint(steps)
    even = np.abs(steps - periods) <= slack
    repeats = np.flatnonzero(steps < ON_GRID_FRAMES)
    uneven = np.flatnonzero(~even & (steps >= ON_GRID_FRAMES))
    gaps = np.flatnonzero(even & (periods > 1))
    findings: list[Finding] = []
    if len(uneven) + len(gaps) > max(_VARIABLE_SHARE * len(steps), 2):
        findings.append(_variable(steps, rate, len(uneven) + len(gaps)))
    else:
        if len(gaps):
            findings.append(_dropped(gaps + first, int((periods[gaps] - 1).sum())))
        if len(uneven):
            findings.append(_uneven(uneven + first))
    if len(repeats):
        findings.append(_repeated(repeats + first))
    return findings


def _listed(indices: IntArray) -> str:
    """At most five frame numbers in words."""
    shown = ", ".join(str(int(k)) for k in indices[:5])
    return shown if len(indices) <= 5 else f"{shown} and {len(indices) - 5} more"


def _variable(steps: FloatArray, rate: Fraction, count: int) -> Finding:
    return Finding(
        code="variable_rate",
        sentence=(
            f"the frame rate varies: {count} of {len(steps)} intervals are not one period at "
            f"{float(rate):.3f} frames a second (they last {steps.min():.2f} to {steps.max():.2f})."
        ),
    )


def _dropped(gaps: IntArray, missing: int) -> Finding:
    what = "1 picture was" if missing == 1 else f"{missing} pictures were"
    return Finding(
        code="dropped_frames",
        sentence=f"{what} dropped: the times leave a gap after frame {_listed(gaps)}.",
    )


def _uneven(uneven: IntArray) -> Finding:
    return Finding(
        code="uneven_times",
        sentence=f"the interval after frame {_listed(uneven)} is not a whole number of frame periods.",
    )


def _repeated(repeats: IntArray) -> Finding:
    sentence = (
        f"{len(repeats)} times occur twice: the picture after frame {_listed(repeats)} shares its time."
    )
    return Finding(code="repeated_times", sentence=sentence)
