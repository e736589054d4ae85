"""The harm on the face as a picture: depth change over the face's middle plane, drawn without a plotting library.

A verification must be quick; loading one would take as long as the measurement.
"""

import numpy as np
from markupsafe import Markup

from rigcheck.drift.face_harm import HarmMap
from rigcheck.geometry.face_volume import FACE_BOX_MM
from rigcheck.model._arrays import BoolArray
from rigcheck.report.figures import ACCENT, GREYS, INK
from rigcheck.report.numbers import format_number

_MARGIN_MM = 16.0
_LIGHTEST, _DARKEST = 247, 140
# Cells are labelled every so many, so that the numbers can be read.
_LABEL_EVERY = 4

__all__ = ["harm_map_figure"]


def harm_map_figure(found: HarmMap, *, caution_mm: float | None) -> Markup:
    """Draw the depth change on the middle plane of the face volume.

    Parameters
    ----------
    found : HarmMap
    caution_mm : float or None
        A line is drawn around places beyond it; None draws none.

    Returns
    -------
    Markup
        SVG in millimetres on the face: darker moves more, whichever way; some cells carry its number,
        positive farther from the cameras; a line in the accent parts places beyond the limit from the rest.
    """
    width, height, _ = FACE_BOX_MM
    rows, columns = found.depth_mm.shape
    cell_x, cell_y = width / columns, height / rows
    # Never darker than the limit deserves: noise on an untouched rig stays light.
    largest = max(float(abs(found.depth_mm).max()), caution_mm or 0.0, 1e-9)
    shades, words = [], []
    for row in range(rows):
        for column in range(columns):
            depth = float(found.depth_mm[row, column])
            x, y = found.x_mm[column] - cell_x / 2, found.y_mm[row] - cell_y / 2
            grey = round(_LIGHTEST - (_LIGHTEST - _DARKEST) * abs(depth) / largest)
            # A hair wider than a cell, so that no seams show.
            shades.append(
                f'<rect x="{x:.2f}" y="{y:.2f}" width="{cell_x + 0.1:.2f}" height="{cell_y + 0.1:.2f}" '
                f'fill="rgb({grey},{grey},{grey})"/>'
            )
            if row % _LABEL_EVERY == 1 and column % _LABEL_EVERY == 2:
                words.append(
                    f'<text x="{x + cell_x / 2:.1f}" y="{y + cell_y / 2 + 2:.1f}">{_signed(depth)}</text>'
                )
    beyond = np.zeros(found.depth_mm.shape, dtype=bool)
    if caution_mm is not None:
        beyond = np.abs(found.depth_mm) > caution_mm
    return Markup(_svg(shades, _border(beyond, cell_x, cell_y), words))


def _border(inside: BoolArray, cell_x: float, cell_y: float) -> list[str]:
    """Strokes between cells inside and cells outside; none along the box's own edge."""
    left, top = -FACE_BOX_MM[0] / 2, -FACE_BOX_MM[1] / 2
    strokes = []
    for row, column in np.argwhere(inside[:, 1:] != inside[:, :-1]):
        strokes.append(f"M{left + (column + 1) * cell_x:.2f} {top + row * cell_y:.2f}v{cell_y:.2f}")
    for row, column in np.argwhere(inside[1:] != inside[:-1]):
        strokes.append(f"M{left + column * cell_x:.2f} {top + (row + 1) * cell_y:.2f}h{cell_x:.2f}")
    return strokes


def _signed(depth_mm: float) -> str:
    text = f"{depth_mm:+.2f}".replace("-", "−")
    return "0" if float(f"{depth_mm:.2f}") == 0 else text


def _svg(shades: list[str], outlines: list[str], words: list[str]) -> str:
    width, height, _ = FACE_BOX_MM
    half_x, half_y = width / 2, height / 2
    ticks = []
    for x in (-60, -30, 0, 30, 60):
        ticks.append(f'<text x="{x}" y="{half_y + 7:.1f}">{format_number(x)}</text>')
    for y in (-80, -40, 0, 40, 80):
        ticks.append(f'<text x="{-half_x - 3:.1f}" y="{y + 2}" text-anchor="end">{format_number(y)}</text>')
    view = f"{-half_x - _MARGIN_MM:.1f} {-half_y - 4:.1f} {width + _MARGIN_MM + 4:.1f} {height + _MARGIN_MM + 6:.1f}"
    edge = f'<rect x="{-half_x}" y="{-half_y}" width="{width}" height="{height}" fill="none" stroke="{INK}"/>'
    path = (
        f'<path d="{"".join(outlines)}" fill="none" stroke="{ACCENT}" stroke-width="1"/>' if outlines else ""
    )
    return (
        f'<svg viewBox="{view}" aria-hidden="true" focusable="false">'
        f"<g>{''.join(shades)}</g>{path}{edge}"
        f'<g font-size="5" text-anchor="middle" fill="{INK}">{"".join(words)}</g>'
        f'<g font-size="5" text-anchor="middle" fill="{GREYS[4]}">{"".join(ticks)}'
        f'<text x="0" y="{half_y + 15:.1f}">across the face, from its centre (mm)</text></g></svg>'
    )
