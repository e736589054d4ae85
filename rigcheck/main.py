"""Where the program starts: joins the commands with the demo, and maps errors to exit codes."""

import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from rigcheck.cli.app import app
from rigcheck.errors import INTERRUPTED, Ended, RigcheckError, printable
from rigcheck.live.command import live

__all__ = ["main", "run"]

CANNOT_MEASURE = 3
CHECK_FAILED = 4

app.command()(live)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New folder for the demo day.")],
    *,
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="N", min=4.0, max=120.0, help="Length of the board clips.")
    ] = 10.0,
    seed: Annotated[
        int, typer.Option("--seed", metavar="N", min=0, help="Another seed is another rig and day.")
    ] = 1,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier demo in DIR.")] = False,
) -> None:
    """Render an invented shoot day and run the whole job on it.

    Its truth is known: each step says what was planted and whether it was told.
    """
    from rigcheck.demo.day import PAGE, run_demo
    from rigcheck.demo.day_steps import DayStep
    from rigcheck.report import STATUS_WORDS, progress

    def told(step: DayStep) -> None:
        verdict = "" if step.report is None else f": {STATUS_WORDS[step.report.verdict]}"
        typer.echo(f"{step.title}{verdict}")
        for plant in step.planted:
            typer.echo(f"  planted: {plant.what}\n  {'told' if plant.right else 'NOT TOLD'}: {plant.found}")

    try:
        with progress() as sink:
            day = run_demo(folder, seconds=seconds, seed=seed, replace=replace, progress=sink, on_step=told)
    except KeyboardInterrupt:
        kept = f"Interrupted: what was done so far is kept in {folder}; --replace begins anew."
        typer.echo(printable(kept), err=True)
        raise Ended from None
    typer.echo(f"\n{day.sentence}")
    typer.echo(printable(f"Open in a browser: {folder / PAGE}"))
    raise typer.Exit(0 if day.right else CHECK_FAILED)


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
    except Ended:
        return INTERRUPTED
    except SystemExit as end:
        # The command-line library turns an interrupt into this code without a word.
        if end.code == INTERRUPTED:
            typer.echo("Interrupted: nothing was written.", err=True)
        return end.code if isinstance(end.code, int) else 0
    except RigcheckError as error:
        typer.echo(f"Stopped: {printable(error.message)}", err=True)
        typer.echo(f"What to do: {printable(error.hint)}", err=True)
        return CANNOT_MEASURE
    except KeyboardInterrupt:
        typer.echo("Interrupted: nothing was written.", err=True)
        return INTERRUPTED
    return 0


def main() -> None:
    """Run the process's command line and leave with its exit code.

    The signals of a shut-down and of a closed terminal end it as an interrupt does: nothing half-written stays.
    """
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)  # not every system has both
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, _interrupt)
    sys.exit(run())


def _interrupt(number: int, frame: object) -> NoReturn:
    raise KeyboardInterrupt
