"""The program and its commands. Heavy libraries are loaded inside the command that needs them."""

from typing import Annotated

import typer

from rigcheck.cli.audit import audit
from rigcheck.cli.board import board
from rigcheck.cli.calibrate import calibrate
from rigcheck.cli.compare import compare
from rigcheck.cli.day import day
from rigcheck.cli.fitting import fitting
from rigcheck.cli.formats import formats
from rigcheck.cli.handover import handover
from rigcheck.cli.history import history
from rigcheck.cli.limits import limits
from rigcheck.cli.picks import picks
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


# In the order of the job, as the help lists them.
for each in (
    board,
    calibrate,
    fitting,
    verify,
    compare,
    history,
    picks,
    audit,
    handover,
    day,
    limits,
    formats,
):
    app.command()(each)
