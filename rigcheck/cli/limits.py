"""The command `limits`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import say

__all__ = ["limits"]


def limits(
    rig: Annotated[
        Path | None, typer.Option("--rig", metavar="FILE", help="Rig file: limits of its own.")
    ] = None,
) -> None:
    """List every threshold: its value and where it comes from."""
    from rigcheck.jobs.limits import limit_lines

    for line in limit_lines(rig):
        say(line)
