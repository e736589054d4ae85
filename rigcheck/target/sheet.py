"""What is printed: a page with the board at true scale, crop marks, two rulers and what to do with it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import ConfigError, printable
from rigcheck.model import BoardSpec
from rigcheck.target.outline import board_outline

FloatArray = NDArray[np.float64]

__all__ = ["PAPERS_MM", "Sheet", "SheetText", "board_sheet"]

# Width and height upright, mm: ISO 216, and sizes A and B of ASME Y14.1; tried in this order.
PAPERS_MM = {
    "A5": (148.0, 210.0),
    "A4": (210.0, 297.0),
    "Letter": (215.9, 279.4),
    "A3": (297.0, 420.0),
    "Tabloid": (279.4, 431.8),
    "A2": (420.0, 594.0),
}
# What office printers leave blank at the edge is 4 to 6 mm (common practice).
MARGIN_MM = 6.0
CROP_GAP_MM, CROP_LENGTH_MM = 1.5, 4.5
CROP_MM = CROP_GAP_MM + CROP_LENGTH_MM
LABEL_MM = 8.0
RULER_MM = 14.0
NOTES_MM = 19.0
LONGEST_RULER_MM = 100
LINE_MM = 0.1
TEXT_MM = 2.6


@dataclass(frozen=True, kw_only=True)
class SheetText:
    """A line of text; `x_mm`, `y_mm` is the baseline's middle if `centred`, else its start."""

    x_mm: float
    y_mm: float
    size_mm: float
    text: str
    centred: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Sheet:
    """A page: everything in mm from the page's top-left corner, y down.

    Parameters
    ----------
    paper : str
    size_mm : (width, height)
        As turned for printing.
    board_origin_mm : (x, y)
        Where the board's frame has its origin.
    loops_mm : tuple of (K, 2) float64
        Black areas, even-odd.
    lines_mm : (N, 4) float64
        Thin lines x1, y1, x2, y2, `LINE_MM` wide: crop marks and rulers.
    ruler_mm : int
        Length of both rulers.
    texts : tuple of SheetText
    title : str
    """

    paper: str
    size_mm: tuple[float, float]
    board_origin_mm: tuple[float, float]
    loops_mm: tuple[FloatArray, ...]
    lines_mm: FloatArray
    ruler_mm: int
    texts: tuple[SheetText, ...]
    title: str


def board_sheet(spec: BoardSpec, *, paper: str | None = None) -> Sheet:
    """Lay a board out on a page.

    Parameters
    ----------
    spec : BoardSpec
    paper : str, optional
        A name of `PAPERS_MM`, upper or lower case; the first that holds the board when not given.

    Returns
    -------
    Sheet

    Raises
    ------
    ConfigError
        When the board does not fit the paper, or no paper known here; when the paper is unknown.

    Notes
    -----
    The trim box (crop marks) is the board with its quiet zone of one square, and a strip below it
    for the label. The rulers are outside it. Drawn at the described size, not at the measured one.
    """
    outline = board_outline(spec)
    trim = np.array(outline.size_mm) + 2 * outline.quiet_mm + [0.0, LABEL_MM]
    need = trim + 2 * (MARGIN_MM + CROP_MM) + [RULER_MM - CROP_MM, RULER_MM - CROP_MM + NOTES_MM]
    name, size = _choose_paper(spec, need, paper)
    # The spare room is shared evenly; the trim box starts after margin and crop marks.
    corner = (np.array(size) - need) / 2 + MARGIN_MM + CROP_MM
    origin = corner + outline.quiet_mm
    rulers, digits, length = _rulers(corner, trim, size)
    return Sheet(
        paper=name,
        size_mm=size,
        board_origin_mm=(float(origin[0]), float(origin[1])),
        loops_mm=tuple(loop + origin for loop in outline.loops_mm),
        lines_mm=np.concatenate([_crop_marks(corner, trim), rulers]),
        ruler_mm=length,
        texts=(*_label(spec, corner, trim), *digits, *_notes(spec, corner, trim, name, length)),
        title=_describe(spec),
    )


def _choose_paper(spec: BoardSpec, need_mm: FloatArray, paper: str | None) -> tuple[str, tuple[float, float]]:
    known = {name.lower(): name for name in PAPERS_MM}
    if paper is not None and paper.lower() not in known:
        raise ConfigError(
            f"paper: {paper!r} found, one of {', '.join(PAPERS_MM)} needed.",
            hint="leave the paper out to have it chosen.",
        )
    tried = list(PAPERS_MM) if paper is None else [known[paper.lower()]]
    for name in tried:
        width, height = PAPERS_MM[name]
        for size in ((width, height), (height, width)):
            if need_mm[0] <= size[0] and need_mm[1] <= size[1]:
                return name, size
    fits = "" if paper is None else _smallest(need_mm)
    raise ConfigError(
        f"{spec.name}: {need_mm[0]:.0f} x {need_mm[1]:.0f} mm of paper needed "
        "(board, quiet zone, rulers, margins); "
        f"{' and '.join(f'{n} is {w:g} x {h:g} mm' for n, (w, h) in PAPERS_MM.items() if n in tried[-1:])}.",
        hint=fits
        or "make the squares smaller or fewer, or have the board made by a print shop from its description.",
    )


def _smallest(need_mm: FloatArray) -> str:
    for name, (width, height) in PAPERS_MM.items():
        if sorted(need_mm)[0] <= width and sorted(need_mm)[1] <= height:
            return f"use {name}, or leave the paper out to have it chosen."
    return ""


def _crop_marks(corner: FloatArray, trim: FloatArray) -> FloatArray:
    (x0, y0), (x1, y1) = corner, corner + trim
    marks = []
    for x in (x0, x1):
        marks += [[x, y0 - CROP_GAP_MM, x, y0 - CROP_MM], [x, y1 + CROP_GAP_MM, x, y1 + CROP_MM]]
    for y in (y0, y1):
        marks += [[x0 - CROP_GAP_MM, y, x0 - CROP_MM, y], [x1 + CROP_GAP_MM, y, x1 + CROP_MM, y]]
    return np.array(marks)


def _rulers(
    corner: FloatArray, trim: FloatArray, size: tuple[float, float]
) -> tuple[FloatArray, list[SheetText], int]:
    """One ruler below and one to the right of the trim box, of the same length, with a tick a millimetre."""
    room = min(size[0] - corner[0] - MARGIN_MM - 3.0, size[1] - corner[1] - MARGIN_MM - 3.0)
    length = int(min(LONGEST_RULER_MM, 10 * (room // 10)))
    along = np.arange(length + 1, dtype=np.float64)
    ticks = np.where(along % 10 == 0, 4.5, np.where(along % 5 == 0, 3.5, 2.5))
    below, right = corner[1] + trim[1] + CROP_MM + 1.0, corner[0] + trim[0] + CROP_MM + 1.0
    level, upright = np.full_like(along, below), np.full_like(along, right)
    x, y = corner[0] + along, corner[1] + along
    lines = np.concatenate(
        [
            np.stack([x, level, x, level + ticks], axis=1),
            np.stack([upright, y, upright + ticks, y], axis=1),
            [[x[0], below, x[-1], below], [right, y[0], right, y[-1]]],
        ]
    )
    digits = []
    for mm in range(0, length + 1, 10):
        words = f"{mm} mm" if mm == length else str(mm)
        digits.append(
            SheetText(x_mm=x[0] + mm, y_mm=below + 7.0, size_mm=2.2, text=words, centred=mm < length)
        )
        digits.append(SheetText(x_mm=right + 5.0, y_mm=y[0] + mm + 0.8, size_mm=2.2, text=str(mm)))
    return lines, digits, length


def _describe(spec: BoardSpec) -> str:
    columns, rows = spec.squares
    name = printable(spec.name)
    words = f"{columns} x {rows} squares of {spec.square_mm:g} mm"
    if spec.kind == "checkerboard":
        return f"{name}: checkerboard, {words}"
    older = ", layout before_4_6" if spec.layout == "before_4_6" else ""
    return f"{name}: {words}, markers {spec.marker_mm:g} mm, {spec.dictionary}{older}"


def _label(spec: BoardSpec, corner: FloatArray, trim: FloatArray) -> list[SheetText]:
    text = _describe(spec)
    size = _fitting_size(text, float(trim[0]) - 4.0)
    return [SheetText(x_mm=corner[0] + 2.0, y_mm=corner[1] + trim[1] - 2.5, size_mm=size, text=text)]


def _notes(
    spec: BoardSpec, corner: FloatArray, trim: FloatArray, paper: str, ruler_mm: int
) -> list[SheetText]:
    columns, rows = spec.squares
    across, down = columns * spec.square_mm, rows * spec.square_mm
    lines = [
        f"measure this before use: printed on {paper} at 100 % (not fitted to the page), "
        f"both rulers are {ruler_mm} mm long.",
        f"As drawn, {columns} squares across are {across:g} mm and {rows} squares down {down:g} mm:",
        "measure them with calipers and write what you find into the board file (measured).",
        "Mount on a stiff plate, flat to 0.05 mm, matt. For near-infrared cameras print with carbon black: "
        "many inks vanish there.",
    ]
    top = corner[1] + trim[1] + CROP_MM + RULER_MM - 1.0
    width = float(trim[0]) + RULER_MM
    return [
        SheetText(x_mm=corner[0], y_mm=top + 4.2 * k, size_mm=_fitting_size(line, width), text=line)
        for k, line in enumerate(lines)
    ]


def _fitting_size(text: str, width_mm: float) -> float:
    """Text height that keeps the line within the width: a sans-serif letter is about half as wide as high."""
    return float(min(TEXT_MM, width_mm / (0.5 * max(len(text), 1))))
