"""The command `board`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import Out, say

__all__ = ["board"]


def board(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Board file (boards/*.yaml).")],
    out: Out,
    paper: Annotated[
        str | None,
        typer.Option("--paper", metavar="NAME", help="Paper, such as A4 or letter; chosen when not given."),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier drawing in DIR.")] = False,
) -> None:
    """Draw a board for printing at true scale, with a ruler."""
    from rigcheck.jobs.board import draw_board

    for line in draw_board(file, out, paper=paper, replace_earlier=replace):
        say(line)
