"""The command `verify`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import BoardFile, Footage1, Footage2, JsonTo, OffsetFrames, Out, PairBy, RigFile, end

__all__ = ["verify"]


def verify(
    footage1: Footage1,
    footage2: Footage2 = None,
    *,
    calibration: Annotated[
        Path, typer.Option("--calibration", metavar="FILE", help="Calibration to hold the rig against.")
    ],
    board: BoardFile,
    out: Out,
    rig: RigFile = None,
    label: Annotated[
        str | None,
        typer.Option("--label", metavar="TEXT", help="How the rig is used, such as worn or stand."),
    ] = None,
    pair: PairBy = "auto",
    offset_frames: OffsetFrames = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace an earlier verification in DIR.")
    ] = False,
    json_to: JsonTo = None,
) -> None:
    """Tell from a few seconds of the board whether the rig moved.

    Says what it costs on the face to go on with the calibration, and what moved.
    """
    from rigcheck.jobs import verify as job
    from rigcheck.jobs.opening import PairingChoice, footage_paths
    from rigcheck.records import check_writable
    from rigcheck.report import progress

    files = [str(one) for one in (calibration, board, rig) if one is not None]
    inputs = [*footage_paths(footage1, footage2), *files]
    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=inputs)
    with progress() as sink:
        result = job.verify(
            footage1,
            footage2,
            calibration=calibration,
            board=board,
            rig=rig,
            pairing=PairingChoice(by=pair, offset_frames=offset_frames),
            label=label,
            progress=sink,
        )
    job.write_verification(result, out, replace_earlier=replace)
    end(result.report, out, job.OUTPUTS, json_to=json_to)
