"""Commands and their options. Heavy libraries are loaded inside the command that needs them."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.audit import audit
from rigcheck.cli.compare import compare
from rigcheck.cli.day import day
from rigcheck.cli.fitting import fitting
from rigcheck.cli.formats import formats
from rigcheck.cli.handover import handover
from rigcheck.cli.history import history
from rigcheck.cli.picks import picks
from rigcheck.cli.shared import (
    BoardFile,
    Footage1,
    Footage2,
    JsonTo,
    OffsetFrames,
    Out,
    PairBy,
    RigFile,
    end,
    say,
)
from rigcheck.cli.verify import verify

app = typer.Typer(
    name="rigcheck",
    help="Calibrate and check a stereo head rig for facial capture, in millimetres on the face.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

__all__ = ["app"]


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        typer.echo(f"rigcheck {version('rigcheck')}")
        raise typer.Exit


@app.callback()
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    """Calibrate and check a stereo head rig for facial capture, in millimetres on the face."""


@app.command()
def board(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Board file (boards/*.yaml).")],
    out: Out,
    paper: Annotated[
        str | None, typer.Option("--paper", help="Paper, such as A4 or letter; chosen when not given.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier drawing.")] = False,
) -> None:
    """Draw a board for printing at true scale, with a ruler to check the print."""
    from rigcheck.jobs.board import draw_board

    for line in draw_board(file, out, paper=paper, replace_earlier=replace):
        say(line)


@app.command()
def calibrate(
    footage1: Footage1,
    footage2: Footage2 = None,
    *,
    board: BoardFile,
    out: Out,
    rig: RigFile = None,
    pair: PairBy = "auto",
    offset_frames: OffsetFrames = None,
    lens: Annotated[
        str | None,
        typer.Option("--lens", help="brown2, brown4, brown5, brown8 or fisheye4; chosen when not given."),
    ] = None,
    prior: Annotated[
        Path | None,
        typer.Option(
            "--prior", metavar="CALIBRATION", help="Workshop calibration whose intrinsics are refined."
        ),
    ] = None,
    flat_board: Annotated[
        bool, typer.Option("--flat-board", help="Take the board as flat instead of solving for its shape.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace an earlier calibration in DIR.")
    ] = False,
    json_to: JsonTo = None,
) -> None:
    """Calibrate one camera or a pair from footage of a board, and say how well it is known."""
    from rigcheck.jobs import calibrate as job
    from rigcheck.records import check_writable
    from rigcheck.report import progress

    files = [str(one) for one in (board, rig, prior) if one is not None]
    inputs = [*job.footage_paths(footage1, footage2), *files]
    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=inputs)
    with progress() as sink:
        result = job.calibrate(
            footage1,
            footage2,
            board=board,
            rig=rig,
            pairing=job.PairingChoice(by=pair, offset_frames=offset_frames),
            lens=lens,
            flat_board=flat_board,
            prior=prior,
            progress=sink,
        )
    job.write_calibration(result, out, replace_earlier=replace)
    end(result.report, out, job.OUTPUTS, run=result.run, json_to=json_to)


@app.command()
def limits(
    rig: Annotated[Path | None, typer.Option("--rig", metavar="FILE", help="Rig file with limits.")] = None,
) -> None:
    """List every threshold: value, unit, where the number comes from, who set it."""
    from rigcheck.jobs.limits import limit_lines

    for line in limit_lines(rig):
        say(line)


app.command()(audit)
app.command()(compare)
app.command()(day)
app.command()(fitting)
app.command()(formats)
app.command()(handover)
app.command()(history)
app.command()(picks)
app.command()(verify)
