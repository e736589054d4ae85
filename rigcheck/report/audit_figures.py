"""A day's takes as a small drawing: one mark a take, numbers only, so that a name never enters it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from rigcheck.model import Estimate
from rigcheck.report.figures import ACCENT, GREYS, INK

WIDTH, HEIGHT = 940, 150
_LEFT, _RIGHT, _TOP, _BOTTOM = 74, 12, 12, 26
_MOST_LABELS = 25

__all__ = ["DayLine", "day_chart"]


@dataclass(frozen=True, kw_only=True)
class DayLine:
    """One quantity, a number a take in the order of the day; `usual` is what it is when nothing changed."""

    title: str
    values: tuple[Estimate, ...]
    usual: float = 0.0


def day_chart(line: DayLine, statuses: Sequence[str]) -> Markup:
    """Draw a quantity over the takes with its sigma bars; takes that fail are filled in the accent.

    Parameters
    ----------
    line : DayLine
    statuses : sequence of str
        Of each take.

    Returns
    -------
    Markup
        An SVG element of numbers only.
    """
    known = [(k, one) for k, one in enumerate(line.values) if one.value is not None]
    low, high = _range([one for _, one in known], line.usual)
    step = (WIDTH - _LEFT - _RIGHT) / max(len(line.values), 1)

    def y(value: float) -> float:
        inside = min(max(value, low), high)
        return _TOP + (high - inside) / (high - low) * (HEIGHT - _TOP - _BOTTOM)

    parts = _axes(low, high, len(line.values), step, line.usual)
    for k, one in known:
        x, value, sigma = _LEFT + (k + 0.5) * step, one.value or 0.0, one.sigma or 0.0
        parts.append(
            f'<path d="M{x:.1f} {y(value - sigma):.1f}V{y(value + sigma):.1f}" stroke="{GREYS[1]}" stroke-width="1.5"/>'
        )
        bad = statuses[k] == "fail"
        fill, radius = (ACCENT, 4.0) if bad else ("#fff", 2.8)
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y(value):.1f}" r="{radius}" fill="{fill}" '
            f'stroke="{ACCENT if bad else INK}" stroke-width="1.2"/>'
        )
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" aria-hidden="true" focusable="false">{"".join(parts)}</svg>'
    )


def _range(known: Sequence[Estimate], usual: float) -> tuple[float, float]:
    """Least and largest value drawn, with two sigmas of most takes, and the usual value among them."""
    values = np.array([one.value for one in known], dtype=np.float64)
    reach = 2.0 * float(np.median([one.sigma or 0.0 for one in known]))
    low, high = min(float(values.min()) - reach, usual), max(float(values.max()) + reach, usual)
    room = 0.06 * max(high - low, 1e-6)
    return low - room, high + room


def _ticks(low: float, high: float) -> list[float]:
    """Round values between two others: 1, 2 or 5 times a power of ten apart, about four of them."""
    rough = (high - low) / 4
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(power * min((each for each in (1, 2, 5, 10) if each * power >= rough), default=10))
    first = int(np.ceil(low / step))
    return [k * step for k in range(first, int(np.floor(high / step)) + 1)]


def _axes(low: float, high: float, count: int, step: float, usual: float) -> list[str]:
    parts = [
        f'<path d="M{_LEFT} {_TOP}V{HEIGHT - _BOTTOM}H{WIDTH - _RIGHT}" fill="none" stroke="{GREYS[1]}"/>'
    ]
    for value in _ticks(low, high):
        at = _TOP + (high - value) / (high - low) * (HEIGHT - _TOP - _BOTTOM)
        label = f"{round(value, 12):g}".replace("-", "\N{MINUS SIGN}")
        parts.append(
            f'<text x="{_LEFT - 6}" y="{at + 4:.1f}" font-size="11" text-anchor="end" fill="{INK}">'
            f"{label}</text>"
        )
    zero = _TOP + (high - usual) / (high - low) * (HEIGHT - _TOP - _BOTTOM)
    parts.append(
        f'<path d="M{_LEFT} {zero:.1f}H{WIDTH - _RIGHT}" stroke="{GREYS[1]}" stroke-dasharray="2 3"/>'
    )
    every = max(1, -(-count // _MOST_LABELS))
    for k in range(0, count, every):
        x = _LEFT + (k + 0.5) * step
        parts.append(
            f'<text x="{x:.1f}" y="{HEIGHT - 8}" font-size="11" text-anchor="middle" fill="{INK}">{k + 1}</text>'
        )
    return parts
