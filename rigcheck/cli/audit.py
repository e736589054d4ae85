"""The command `audit`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import Approved, JsonTo, Out, Pictures, RigFile, end, say
from rigcheck.errors import Ended

__all__ = ["audit"]


def audit(
    takes: Annotated[
        Path,
        typer.Argument(metavar="TAKES", help="Folder with a sub-folder a take, or a YAML list of takes."),
    ],
    *,
    out: Out,
    calibration: Annotated[
        Path | None,
        typer.Option("--calibration", metavar="FILE", help="Calibration at the start of the day."),
    ] = None,
    end_calibration: Annotated[
        Path | None,
        typer.Option("--end-calibration", metavar="FILE", help="Calibration at the end of the day."),
    ] = None,
    rig: RigFile = None,
    approved: Approved = None,
    performer: Annotated[
        Path | None, typer.Option("--performer", metavar="FILE", help="Performer record to go on with.")
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, metavar="N", help="Processes; one a core when not given."),
    ] = None,
    dask: Annotated[
        str | None,
        typer.Option(
            "--dask", metavar="ADDRESS", help="Hand the takes to a running Dask scheduler (same paths there)."
        ),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with an audit that was interrupted, or with takes added.")
    ] = False,
    pictures: Pictures = True,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier audit in DIR.")] = False,
    json_to: JsonTo = None,
) -> None:
    """Tell from which take on a rig had drifted, by faces alone.

    Says which calibration each take should use.
    """
    from rigcheck.jobs import audit as job
    from rigcheck.records import check_writable
    from rigcheck.report import progress
    from rigcheck.report.audit_page import take_lines

    given = job.AuditInputs(
        calibration=calibration,
        end_calibration=end_calibration,
        rig=rig,
        approved=approved,
        performer=performer,
        workers=workers,
        scheduler=dask,
        pictures=pictures,
    )
    again = replace or resume
    check_writable(out, replace=again, protects=job.OUTPUTS, inputs=[takes, *given.files])
    work = job.refuse_unfinished(out, resume=resume, replace=replace)
    try:
        with job.keeping(work, pictures=pictures):
            with progress() as sink:
                result = job.audit(takes, given=given, work=work, progress=sink)
            job.write_audit(result, out, replace_earlier=again)
    except KeyboardInterrupt:
        if not job.unfinished(work):
            raise
        say(f"Interrupted: {job.kept_words(work, pictures=pictures)}", err=True)
        raise Ended from None
    if kept := job.kept_words(work, pictures=pictures):
        say(kept, err=True)
    outputs = (*job.OUTPUTS, *(("performer.yaml",) if result.record is not None else ()))
    end(result.report, out, outputs, numbers=take_lines(result.run), json_to=json_to)
