"""Options that commands share, and how a command ends."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NoReturn

import typer

from rigcheck.errors import printable

if TYPE_CHECKING:
    from rigcheck.model import CalibrationRun, Report

__all__ = [
    "Approved",
    "BoardFile",
    "Footage1",
    "Footage2",
    "JsonTo",
    "OffsetFrames",
    "Out",
    "PairBy",
    "Pictures",
    "RigFile",
    "end",
    "say",
]


def _standard_output(text: str | None) -> str | None:
    """Refuse anything but the sign for standard output: the file itself lies in the folder."""
    if text not in (None, "-"):
        raise typer.BadParameter("give - for standard output; the file is in the folder of --out anyway.")
    return text


Footage1 = Annotated[str, typer.Argument(metavar="FOOTAGE1", help="Footage of camera 1, or of both.")]
Footage2 = Annotated[str | None, typer.Argument(metavar="FOOTAGE2", help="Footage of camera 2.")]
BoardFile = Annotated[Path, typer.Option("--board", metavar="FILE", help="Board file.")]
RigFile = Annotated[Path | None, typer.Option("--rig", metavar="FILE", help="Rig file.")]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to write to.")]
Approved = Annotated[
    Path | None,
    typer.Option("--approved", metavar="RESULT", help="result.json of an approved fitting to compare with."),
]
Pictures = Annotated[bool, typer.Option("--pictures/--no-pictures", help="Show the performer in the report.")]
PairBy = Annotated[
    Literal["auto", "index", "timecode"], typer.Option("--pair", help="What pictures are paired by.")
]
OffsetFrames = Annotated[
    int | None,
    typer.Option("--offset-frames", help="Picture i of camera 1 belongs to i + N of camera 2.", metavar="N"),
]
JsonTo = Annotated[
    str | None,
    typer.Option(
        "--json",
        metavar="-",
        callback=_standard_output,
        help="Print result.json to standard output; the table then goes to the error stream.",
    ),
]


def say(line: str, *, err: bool = False) -> None:
    """Print one line in which names of files or texts of theirs may stand."""
    typer.echo(printable(line), err=err)


def end(
    report: "Report",
    out: Path,
    outputs: Sequence[str],
    *,
    run: "CalibrationRun | None" = None,
    numbers: Sequence[tuple[str, str]] | None = None,
    json_to: str | None = None,
    code: int | None = None,
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
    json_to : str, optional
        "-" prints the result's JSON, the same as in the file, and nothing else on standard output.
    code : int, optional
        Exit code where the verdict alone does not say it.
    """
    from rich.console import Console

    from rigcheck.checks import exit_code
    from rigcheck.records import result_text
    from rigcheck.report import terminal_table

    piped = json_to is not None
    terminal_table(report, run, console=Console(stderr=piped), numbers=numbers)
    say(f"Written to {out}: {', '.join(outputs)}", err=piped)
    if piped:
        # As bytes: what a terminal's encoding cannot show must not change the file's content.
        typer.echo(result_text(report).encode("utf-8"), nl=False)
    raise typer.Exit(exit_code(report.verdict) if code is None else code)
