"""The command `verify`."""

from pathlib import Path
from typing import Annotated, Literal

import typer

__all__ = ["verify"]


def verify(
    footage1: Annotated[str, typer.Argument(metavar="FOOTAGE1", help="Footage of camera 1, or of both.")],
    footage2: Annotated[str | None, typer.Argument(metavar="[FOOTAGE2]", help="Footage of camera 2.")] = None,
    *,
    calibration: Annotated[
        Path, typer.Option("--calibration", metavar="FILE", help="Calibration to hold the rig against.")
    ],
    board: Annotated[Path, typer.Option("--board", metavar="FILE", help="Board file.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to write to.")],
    rig: Annotated[Path | None, typer.Option("--rig", metavar="FILE", help="Rig file.")] = None,
    label: Annotated[
        str | None,
        typer.Option("--label", metavar="TEXT", help="How the rig is used, such as worn or stand."),
    ] = None,
    pair: Annotated[
        Literal["auto", "index", "timecode"], typer.Option("--pair", help="What pictures are paired by.")
    ] = "auto",
    offset_frames: Annotated[
        int | None,
        typer.Option(
            "--offset-frames", help="Picture i of camera 1 belongs to i + N of camera 2.", metavar="N"
        ),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace an earlier verification in DIR.")
    ] = False,
) -> None:
    """Tell from a few seconds of the board whether the rig still is as calibrated, and what it costs if not."""
    from rich.console import Console

    from rigcheck.checks import exit_code
    from rigcheck.jobs import verify as job
    from rigcheck.jobs.opening import PairingChoice, footage_paths
    from rigcheck.records import check_writable
    from rigcheck.report import progress, terminal_table

    files = [str(one) for one in (calibration, board, rig) if one is not None]
    inputs = [*footage_paths(footage1, footage2), *files]
    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=inputs)
    with progress() as sink:
        result = job.verify(
            footage1,
            footage2,
            calibration=calibration,
            board=board,
            rig=rig,
            pairing=PairingChoice(by=pair, offset_frames=offset_frames),
            label=label,
            progress=sink,
        )
    job.write_verification(result, out, replace_earlier=replace)
    terminal_table(result.report, console=Console())
    typer.echo(f"Written to {out}: {', '.join(job.OUTPUTS)}")
    raise typer.Exit(exit_code(result.report.verdict))
