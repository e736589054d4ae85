"""From a board file to pages for printing."""

from pathlib import Path

from rigcheck.records import output_folder, read_board
from rigcheck.records.paths import safe_part
from rigcheck.target import board_pdf, board_sheet, board_svg

__all__ = ["draw_board"]


def draw_board(
    file: str | Path, out: str | Path, *, paper: str | None = None, replace_earlier: bool = False
) -> tuple[str, ...]:
    """Draw a board as PDF and SVG at true scale.

    Parameters
    ----------
    file : str or Path
        A board file.
    out : str or Path
        Folder to write to.
    paper : str, optional
        Such as A4 or letter; the smallest that fits when not given.
    replace_earlier : bool
        Whether an earlier drawing of the same name may be replaced.

    Returns
    -------
    tuple of str
        Sentences for the person at the printer.

    Raises
    ------
    ConfigError
        When the board file is wrong, or the board does not fit the paper.
    OutputError
        When the folder cannot be written, or holds an earlier drawing and `replace_earlier` is False.
    """
    spec = read_board(file)
    sheet = board_sheet(spec, paper=paper)
    name = safe_part(spec.name)
    names = f"{name}.pdf", f"{name}.svg"
    with output_folder(out, replace=replace_earlier, protects=names, inputs=[file]) as folder:
        folder.write_bytes(names[0], board_pdf(spec, paper=paper))
        folder.write_text(names[1], board_svg(spec, paper=paper))
    return (
        f"Written to {out}: {', '.join(names)} ({sheet.paper}).",
        "Print at 100 %, without fitting to the page; measure the printed ruler before use.",
        "Measure the board with calipers across many squares in both directions, and fill in `measured:` "
        f"in {file}: it sets the scale of every length.",
        "Mount it on a plate flat to 0.05 mm (glass, aluminium or ceramic, not card), matte, without glare.",
    )
