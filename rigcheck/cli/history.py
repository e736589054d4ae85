"""The command `history`."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["history"]


def history(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder with results of calibrate and verify, at any depth.")
    ],
    *,
    out: Annotated[Path, typer.Option("--out", metavar="DIR2", help="Folder to write to.")],
    days: Annotated[
        float | None,
        typer.Option(
            "--days", metavar="N", help="Caution when a rig was not looked at for N days; 7 if not given."
        ),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier history in DIR2.")] = False,
) -> None:
    """Show how each rig behaved over weeks of results, and tell knocks from warming up."""
    from rich.console import Console

    from rigcheck.checks import exit_code
    from rigcheck.jobs import history as job
    from rigcheck.records import check_writable
    from rigcheck.report import progress, terminal_table
    from rigcheck.report.history_page import rig_lines

    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=[folder])
    with progress() as sink:
        result = job.history(folder, days=days, progress=sink)
    job.write_history(result, out, replace_earlier=replace)
    terminal_table(result.report, console=Console(), numbers=rig_lines(result.history))
    typer.echo(f"Written to {out}: {', '.join(job.OUTPUTS)}")
    raise typer.Exit(exit_code(result.report.verdict))
