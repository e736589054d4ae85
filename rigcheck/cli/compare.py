"""The command `compare`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import JsonTo, Out, end

__all__ = ["compare"]


def compare(
    first: Annotated[Path, typer.Argument(metavar="FIRST", help="Calibration file (calibration.yaml).")],
    second: Annotated[Path, typer.Argument(metavar="SECOND", help="Calibration file to compare with it.")],
    *,
    out: Out,
    rig: Annotated[
        Path | None,
        typer.Option("--rig", metavar="FILE", help="Rig file: working distance, mounting, limits."),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier comparison in DIR.")] = False,
    json_to: JsonTo = None,
) -> None:
    """Compare two calibrations: what differs, which to trust.

    Says what the difference does on the face.
    """
    from rigcheck.jobs import compare as job
    from rigcheck.records import check_writable
    from rigcheck.report.compare_page import key_differences

    inputs = [str(one) for one in (first, second, rig) if one is not None]
    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=inputs)
    result = job.compare(first, second, rig=rig)
    job.write_comparison(result, out, replace_earlier=replace)
    end(result.report, out, job.OUTPUTS, numbers=key_differences(result.comparison), json_to=json_to)
