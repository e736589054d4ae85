"""Options that commands share, and how a command ends."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NoReturn

import typer

if TYPE_CHECKING:
    from rigcheck.model import CalibrationRun, Report

__all__ = ["BoardFile", "Footage1", "Footage2", "OffsetFrames", "Out", "PairBy", "RigFile", "end"]

Footage1 = Annotated[str, typer.Argument(metavar="FOOTAGE1", help="Footage of camera 1, or of both.")]
Footage2 = Annotated[str | None, typer.Argument(metavar="[FOOTAGE2]", help="Footage of camera 2.")]
BoardFile = Annotated[Path, typer.Option("--board", metavar="FILE", help="Board file.")]
RigFile = Annotated[Path | None, typer.Option("--rig", metavar="FILE", help="Rig file.")]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to write to.")]
PairBy = Annotated[
    Literal["auto", "index", "timecode"], typer.Option("--pair", help="What pictures are paired by.")
]
OffsetFrames = Annotated[
    int | None,
    typer.Option("--offset-frames", help="Picture i of camera 1 belongs to i + N of camera 2.", metavar="N"),
]


def end(
    report: "Report",
    out: Path,
    outputs: Sequence[str],
    *,
    run: "CalibrationRun | None" = None,
    numbers: Sequence[tuple[str, str]] | None = None,
) -> NoReturn:
    """Print a report's table and where its files are, and leave with its exit code.

    Parameters
    ----------
    report : Report
    out : Path
    outputs : sequence of str
        Files written to `out`.
    run, numbers : optional
        Key numbers, as :func:`rigcheck.report.terminal_table` takes them.
    """
    from rich.console import Console

    from rigcheck.checks import exit_code
    from rigcheck.report import terminal_table

    terminal_table(report, run, console=Console(), numbers=numbers)
    typer.echo(f"Written to {out}: {', '.join(outputs)}")
    raise typer.Exit(exit_code(report.verdict))
