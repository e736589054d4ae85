"""The command `picks`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import (
    Approved,
    Footage1,
    Footage2,
    JsonTo,
    OffsetFrames,
    Out,
    PairBy,
    Pictures,
    RigFile,
    end,
)

__all__ = ["picks"]


def picks(
    footage1: Footage1,
    footage2: Footage2 = None,
    *,
    out: Out,
    rig: RigFile = None,
    calibration: Annotated[
        Path | None,
        typer.Option("--calibration", metavar="FILE", help="Calibration: gaze and teeth in depth."),
    ] = None,
    want: Annotated[
        str, typer.Option("--want", metavar="POSES", help="neutral, bite, side; as often as wanted.")
    ] = "neutral,bite",
    reference: Annotated[
        int | None,
        typer.Option(
            "--reference", metavar="FRAME", min=0, help="Picture of camera 1 that is a right neutral."
        ),
    ] = None,
    approved: Approved = None,
    performer: Annotated[
        Path | None, typer.Option("--performer", metavar="FILE", help="Performer record to compare with.")
    ] = None,
    pair: PairBy = "auto",
    offset_frames: OffsetFrames = None,
    pictures: Pictures = True,
    replace: Annotated[bool, typer.Option("--replace", help="Replace earlier picks in DIR.")] = False,
    json_to: JsonTo = None,
) -> None:
    """Find the frames that the digital face is calibrated from.

    Ranks neutral and bite, explains each rank, and saves stills.
    """
    from rigcheck.jobs import picks as job
    from rigcheck.records import check_writable
    from rigcheck.report import progress

    given = job.PicksInputs(
        rig=rig,
        calibration=calibration,
        approved=approved,
        performer=performer,
        want=job.read_want(want),
        reference=reference,
        pairing=job.PairingChoice(by=pair, offset_frames=offset_frames),
    )
    inputs = [*job.footage_paths(footage1, footage2), *given.for_reading.files]
    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=inputs)
    with progress() as sink:
        result = job.picks(footage1, footage2, given=given, progress=sink)
    job.write_picks(result, out, pictures=pictures, replace_earlier=replace)
    end(result.report, out, job.written(result), numbers=job.pick_lines(result.run), json_to=json_to)
