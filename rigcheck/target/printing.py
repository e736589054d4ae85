"""A board's page as PDF and as SVG, both made from the same sheet in millimetres."""

from datetime import UTC, datetime
from html import escape

from rigcheck.model import BoardSpec
from rigcheck.target.sheet import LINE_MM, Sheet, board_sheet

__all__ = ["board_pdf", "board_svg"]

_POINTS_PER_MM = 72.0 / 25.4
# A file is the same whenever it is made: the date in it is not that of the run.
_DATE = datetime(2000, 1, 1, tzinfo=UTC)


def board_pdf(spec: BoardSpec, *, paper: str | None = None) -> bytes:
    """Draw a board at true scale as a PDF page.

    Parameters
    ----------
    spec : BoardSpec
    paper : str, optional
        See :func:`rigcheck.target.board_sheet`.

    Returns
    -------
    bytes
        The same for the same board and paper. Black is the printer's black alone (grey space).

    Raises
    ------
    ConfigError
        When the board cannot be drawn, or does not fit the paper.
    """
    from fpdf import FPDF
    from fpdf.drawing import PaintedPath
    from fpdf.enums import PathPaintRule

    sheet = board_sheet(spec, paper=paper)
    pdf = FPDF(unit="mm", format=sheet.size_mm)
    pdf.set_creation_date(_DATE)
    pdf.set_title(_latin(sheet.title))
    pdf.set_auto_page_break(False)
    pdf.add_page()
    with pdf.drawing_context() as context:
        path = PaintedPath()
        path.style.fill_color, path.style.stroke_color = "#000", None
        path.style.paint_rule = PathPaintRule.FILL_EVENODD
        for loop in sheet.loops_mm:
            path.move_to(*map(float, loop[0]))
            for point in loop[1:]:
                path.line_to(*map(float, point))
            path.close()
        context.add_item(path)
    pdf.set_line_width(LINE_MM)
    for line in sheet.lines_mm:
        pdf.line(*map(float, line))
    for text in sheet.texts:
        pdf.set_font("Helvetica", size=text.size_mm * _POINTS_PER_MM)
        words = _latin(text.text)
        shift = pdf.get_string_width(words) / 2 if text.centred else 0.0
        pdf.text(text.x_mm - shift, text.y_mm, words)
    return bytes(pdf.output())


def _latin(text: str) -> str:
    """The built-in fonts know Latin-1 alone."""
    return text.encode("latin-1", "replace").decode("latin-1")


def board_svg(spec: BoardSpec, *, paper: str | None = None) -> str:
    """Draw a board at true scale as an SVG page.

    Parameters
    ----------
    spec : BoardSpec
    paper : str, optional
        See :func:`rigcheck.target.board_sheet`.

    Returns
    -------
    str
        One user unit is one millimetre, and width and height are given in mm.

    Raises
    ------
    ConfigError
        When the board cannot be drawn, or does not fit the paper.
    """
    sheet = board_sheet(spec, paper=paper)
    width, height = sheet.size_mm
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
            f'viewBox="0 0 {width:g} {height:g}">',
            f"<title>{escape(sheet.title)}</title>",
            f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>',
            f'<path fill="#000" fill-rule="evenodd" d="{_path(sheet)}"/>',
            f'<path fill="none" stroke="#000" stroke-width="{LINE_MM:g}" d="{_strokes(sheet)}"/>',
            *_svg_texts(sheet),
            "</svg>",
            "",
        ]
    )


def _path(sheet: Sheet) -> str:
    loops = (" ".join(f"{x:.4f},{y:.4f}" for x, y in loop) for loop in sheet.loops_mm)
    return " ".join(f"M{points}Z" for points in loops)


def _strokes(sheet: Sheet) -> str:
    return " ".join(f"M{x1:.4f},{y1:.4f}L{x2:.4f},{y2:.4f}" for x1, y1, x2, y2 in sheet.lines_mm)


def _svg_texts(sheet: Sheet) -> list[str]:
    return [
        f'<text x="{text.x_mm:.3f}" y="{text.y_mm:.3f}" font-family="Helvetica, Arial, sans-serif" '
        f'font-size="{text.size_mm:.3f}" text-anchor="{"middle" if text.centred else "start"}">'
        f"{escape(text.text)}</text>"
        for text in sheet.texts
    ]
