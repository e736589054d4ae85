"""The command `history`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import JsonTo, Out, end

__all__ = ["history"]


def history(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="Folder with results of calibrate and verify, at any depth."),
    ],
    *,
    out: Out,
    days: Annotated[
        float | None,
        typer.Option(
            "--days", metavar="N", help="Caution when a rig was not looked at for N days; 7 if not given."
        ),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier history in DIR.")] = False,
    json_to: JsonTo = None,
) -> None:
    """Show how each rig behaved over weeks of results.

    Tells knocks from warming up.
    """
    from rigcheck.jobs import history as job
    from rigcheck.records import check_writable
    from rigcheck.report import progress
    from rigcheck.report.history_page import rig_lines

    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=[folder])
    with progress() as sink:
        result = job.history(folder, days=days, progress=sink)
    job.write_history(result, out, replace_earlier=replace)
    end(result.report, out, job.OUTPUTS, numbers=rig_lines(result.history), json_to=json_to)
