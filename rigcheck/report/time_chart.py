"""Numbers over time as a small drawing, written by hand: thousands of points stay a few kilobytes.

Only numbers and dates made here enter a drawing; names stand in the page around it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from markupsafe import Markup

from rigcheck.model._arrays import FloatArray
from rigcheck.report.figures import ACCENT, GREYS, INK, step_below
from rigcheck.report.numbers import format_number

_Scale = Callable[[float], float]
WIDTH, HEIGHT = 940, 190
_LEFT, _RIGHT, _TOP, _BOTTOM = 74, 12, 14, 26
_MOST_MARKS = 400
_MOST_BARS = 150
_TICKS = 4
_LEAST_S = 120.0
_STEPS_DAYS = (
    1 / 1440,
    5 / 1440,
    15 / 1440,
    1 / 24,
    3 / 24,
    6 / 24,
    12 / 24,
    1,
    2,
    7,
    14,
    30,
    90,
    180,
    365,
    730,
)

__all__ = ["Line", "TimeSpan", "mark_sample", "time_chart", "verdict_strip"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """One series: `mark` picks its shape (0 plus, 1 ring, 2 square, 3 cross, and so on in turn).

    `curve` is what the model says at each result, drawn in the accent where `told` (something happened), and lifted
    from the paper over pauses longer than `pause_s`.
    """

    moments: tuple[datetime, ...]
    values: FloatArray
    sigmas: FloatArray
    mark: int
    curve: FloatArray | None = None
    told: bool = False
    pause_s: float = float("inf")


@dataclass(frozen=True, kw_only=True)
class TimeSpan:
    """First and last moment of all charts of a rig, so that they stand below each other; and its recalibrations."""

    first: datetime
    last: datetime
    recalibrations: tuple[datetime, ...]

    @property
    def width_s(self) -> float:
        """Length, at least two minutes."""
        return max((self.last - self.first).total_seconds(), _LEAST_S)

    def x(self, moment: datetime) -> float:
        """Place in the drawing."""
        share = (moment - self.first).total_seconds() / self.width_s
        return _LEFT + share * (WIDTH - _LEFT - _RIGHT)


def time_chart(lines: Sequence[Line], span: TimeSpan) -> Markup:
    """Draw series over time with sigma bars, models and recalibrations.

    Parameters
    ----------
    lines : sequence of Line
    span : TimeSpan

    Returns
    -------
    Markup
        An SVG element of numbers only. With more than 400 results, each piece of the time is drawn as one stroke a
        series, from its least to its largest value.
    """
    low, high = _range(lines)

    def y(value: float) -> float:
        return _TOP + (high - value) / (high - low) * (HEIGHT - _TOP - _BOTTOM)

    parts = [_frame(), *_value_ticks(low, high, y), *_time_ticks(span, HEIGHT), _recalibrations(span, HEIGHT)]
    crowded = sum(len(line.values) for line in lines) > _MOST_MARKS
    for line in lines:
        parts += _line_parts(line, span, y, crowded=crowded)
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" aria-hidden="true" focusable="false">{"".join(parts)}</svg>'
    )


def verdict_strip(moments: Sequence[datetime], marks: Sequence[str], span: TimeSpan) -> Markup:
    """Draw a row of verdict marks over time; where they would overlap the worst of each place is kept.

    Parameters
    ----------
    moments : sequence of datetime, ascending
    marks : sequence of str
        Marks of :data:`rigcheck.report.verdict.MARKS`.
    span : TimeSpan
    """
    worst = {"✓": 0, "–": 1, "!": 2, "?": 3, "✗": 4}
    places: dict[int, str] = {}
    for moment, mark in zip(moments, marks, strict=True):
        place = round(span.x(moment) / 12.0)
        if worst.get(mark, 1) >= worst.get(places.get(place, ""), -1):
            places[place] = mark
    texts = []
    for place, mark in sorted(places.items()):
        bad = mark in ("✗", "?", "!")
        colour, weight = (ACCENT, "700") if bad else (INK, "400")
        texts.append(
            f'<text x="{12 * place}" y="19" font-size="14" text-anchor="middle" fill="{colour}" font-weight="{weight}">'
            f"{mark}</text>"
        )
    height = 48
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {height}" aria-hidden="true" focusable="false">'
        f"{_recalibrations(span, height)}{''.join(texts)}{''.join(_time_ticks(span, height))}</svg>"
    )


def mark_sample(mark: int) -> Markup:
    """One mark, for the legend in the page."""
    shape = _marks([(7.0, 7.0)], mark)
    return Markup(
        f'<svg class="mark-sample" viewBox="0 0 14 14" aria-hidden="true" focusable="false">{shape}</svg>'
    )


def _range(lines: Sequence[Line]) -> tuple[float, float]:
    ends = []
    for line in lines:
        spread = np.nan_to_num(line.sigmas) if len(line.values) <= _MOST_BARS else np.zeros(len(line.values))
        ends += [float((line.values - spread).min()), float((line.values + spread).max())]
    low, high = min(ends), max(ends)
    room = 0.08 * (high - low) or 0.01 * max(abs(high), 1e-6)
    return low - room, high + room


def _frame() -> str:
    path = f"M{_LEFT} {_TOP}V{HEIGHT - _BOTTOM}H{WIDTH - _RIGHT}"
    return f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="1"/>'


def _value_ticks(low: float, high: float, y: _Scale) -> list[str]:
    step = step_below((high - low) / _TICKS)
    while (high - low) / step > _TICKS + 2:
        step *= 2 if round(step / 10 ** np.floor(np.log10(step))) != 2 else 2.5
    decimals = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    out = []
    for k in range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1):
        value = k * step
        place = y(value)
        text = f"{value:.{decimals}f}" if decimals <= 6 else format_number(value)
        out.append(
            f'<path d="M{_LEFT} {place:.1f}H{WIDTH - _RIGHT}" stroke="{GREYS[1]}" stroke-width="0.8"/>'
            f'<text x="{_LEFT - 6}" y="{place + 4:.1f}" font-size="11.5" text-anchor="end" fill="{INK}">'
            f"{text.replace('-', '−')}</text>"
        )
    return out


def _time_ticks(span: TimeSpan, height: int) -> list[str]:
    days = span.width_s / 86400.0
    step = next((one for one in _STEPS_DAYS if days / one <= 8), _STEPS_DAYS[-1] * np.ceil(days / 8 / 730))
    form = "%Y-%m-%d" if step >= 1 else "%d %H:%M"
    start = span.first.replace(hour=0, minute=0, second=0, microsecond=0)
    if step < 1 / 24:
        start = start.replace(hour=span.first.hour)
    out: list[str] = []
    k = 0
    while True:
        moment = start + timedelta(days=float(step) * k)
        k += 1
        if moment > span.first + timedelta(seconds=span.width_s):
            return out
        if moment < span.first - timedelta(seconds=0.02 * span.width_s):
            continue
        x = max(span.x(moment), float(_LEFT))
        anchor = "start" if x < _LEFT + 30 else "end" if x > WIDTH - 45 else "middle"
        out.append(
            f'<path d="M{x:.1f} {height - _BOTTOM}v4" stroke="{INK}" stroke-width="1"/>'
            f'<text x="{x:.1f}" y="{height - 8}" font-size="11.5" text-anchor="{anchor}" fill="{INK}">'
            f"{moment.strftime(form)}</text>"
        )


def _recalibrations(span: TimeSpan, height: int) -> str:
    path = "".join(f"M{span.x(one):.1f} {4}V{height - _BOTTOM}" for one in span.recalibrations)
    return f'<path d="{path}" stroke="{INK}" stroke-width="1.1" stroke-dasharray="5 4"/>' if path else ""


def _line_parts(line: Line, span: TimeSpan, y: _Scale, *, crowded: bool) -> list[str]:
    xs = [span.x(moment) for moment in line.moments]
    parts = []
    if crowded:
        parts.append(_binned(xs, line.values, y))
    else:
        if len(xs) <= _MOST_BARS:
            bars = "".join(
                f"M{x:.1f} {y(value - sigma):.1f}V{y(value + sigma):.1f}"
                for x, value, sigma in zip(xs, line.values, line.sigmas, strict=True)
                if np.isfinite(sigma)
            )
            if bars:
                parts.append(f'<path d="{bars}" stroke="{GREYS[3]}" stroke-width="1.1"/>')
        points = [(x, y(value)) for x, value in zip(xs, line.values, strict=True)]
        parts.append(_marks(points, line.mark))
    if line.curve is not None:
        curve = _curve(line, xs, y)
        colour, width = (ACCENT, 2.2) if line.told else (GREYS[4], 1.0)
        parts.append(f'<path d="{curve}" fill="none" stroke="{colour}" stroke-width="{width}"/>')
    return parts


def _curve(line: Line, xs: list[float], y: _Scale) -> str:
    """Path of the model, with no more points than a drawing needs."""
    curve = np.asarray(line.curve)
    times = [moment.timestamp() for moment in line.moments]
    path, last = "", -1
    for k in _kept(curve):
        lifted = last < 0 or times[k] - times[last] > line.pause_s
        path += f"{'M' if lifted else 'L'}{xs[k]:.1f} {y(float(curve[k])):.1f}"
        last = k
    return path


def _kept(curve: FloatArray) -> list[int]:
    """Ends, every so many, and both sides of each jump where there are few."""
    n = len(curve)
    kept = {0, n - 1, *range(0, n, max(1, n // 500))}
    jumps = np.flatnonzero(np.abs(np.diff(curve)) > 0)
    if len(jumps) < 50:
        kept |= {int(k) for k in jumps} | {int(k) + 1 for k in jumps}
    return sorted(kept)


def _binned(xs: list[float], values: FloatArray, y: _Scale) -> str:
    bins: dict[int, list[float]] = {}
    for x, value in zip(xs, values, strict=True):
        bins.setdefault(round(x / 4), []).append(float(value))
    path = "".join(
        f"M{4 * place} {y(min(found)) + 0.6:.1f}V{y(max(found)) - 0.6:.1f}"
        for place, found in sorted(bins.items())
    )
    return f'<path d="{path}" stroke="{INK}" stroke-width="2.4"/>'


def _marks(points: Sequence[tuple[float, float]], mark: int) -> str:
    shapes = (
        "M{x0} {y}H{x1}M{x} {y0}V{y1}",
        "M{x0} {y}a3.5 3.5 0 1 0 7 0a3.5 3.5 0 1 0 -7 0",
        "M{x0} {y0}H{x1}V{y1}H{x0}Z",
        "M{x0} {y0}L{x1} {y1}M{x0} {y1}L{x1} {y0}",
        "M{x0} {y1}H{x1}L{x} {y0}Z",
    )
    shape = shapes[mark % len(shapes)]
    path = "".join(
        shape.format(
            x=f"{x:.1f}",
            y=f"{y:.1f}",
            x0=f"{x - 3.5:.1f}",
            x1=f"{x + 3.5:.1f}",
            y0=f"{y - 3.5:.1f}",
            y1=f"{y + 3.5:.1f}",
        )
        for x, y in points
    )
    return f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="1.2"/>'
