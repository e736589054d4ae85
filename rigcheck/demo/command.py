"""The `demo` command: a shoot day with known truth, and the job run on it."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["demo"]


def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New folder for the demo day.")],
    *,
    seconds: Annotated[
        float, typer.Option("--seconds", min=4.0, max=120.0, help="Length of the board clips.")
    ] = 12.0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another seed is another rig and day.")] = 1,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier demo in DIR.")] = False,
) -> None:
    """Render an invented shoot day with known truth and run the job on it."""
    from rigcheck.checks import exit_code
    from rigcheck.demo.day import run_demo
    from rigcheck.report import progress

    with progress() as sink:
        day = run_demo(folder, seconds=seconds, seed=seed, replace=replace, progress=sink)
    day.show()
    raise typer.Exit(exit_code(day.result.report.verdict))
