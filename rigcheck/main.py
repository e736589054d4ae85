"""Where the program starts: joins the commands with the demo, and maps errors to exit codes."""

import sys
from collections.abc import Sequence

import typer

from rigcheck.cli.app import app
from rigcheck.demo.command import demo
from rigcheck.errors import RigcheckError

__all__ = ["main", "run"]

CANNOT_MEASURE = 3
INTERRUPTED = 130

app.command()(demo)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process when not given.

    Returns
    -------
    int
        Exit code: 0 every check passed or cautioned, 2 usage, 3 could not measure, 4 a check failed, 5 none
        failed but a required one stayed inconclusive, 130 interrupted.
    """
    try:
        app(args=None if arguments is None else list(arguments))
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0
    except RigcheckError as error:
        typer.echo(f"Stopped: {error.message}", err=True)
        typer.echo(f"What to do: {error.hint}", err=True)
        return CANNOT_MEASURE
    except KeyboardInterrupt:
        typer.echo("Interrupted: nothing was written.", err=True)
        return INTERRUPTED
    return 0


def main() -> None:
    """Run the process's command line and leave with its exit code."""
    sys.exit(run())
