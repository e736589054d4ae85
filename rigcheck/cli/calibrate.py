"""The command `calibrate`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import BoardFile, Footage1, Footage2, JsonTo, OffsetFrames, Out, PairBy, RigFile, end

__all__ = ["calibrate"]


def calibrate(
    footage1: Footage1,
    footage2: Footage2 = None,
    *,
    board: BoardFile,
    out: Out,
    rig: RigFile = None,
    pair: PairBy = "auto",
    offset_frames: OffsetFrames = None,
    lens: Annotated[
        str | None,
        typer.Option(
            "--lens",
            metavar="MODEL",
            help="brown2, brown4, brown5, brown8 or fisheye4; chosen when not given.",
        ),
    ] = None,
    prior: Annotated[
        Path | None,
        typer.Option("--prior", metavar="FILE", help="Workshop calibration whose intrinsics are refined."),
    ] = None,
    flat_board: Annotated[
        bool, typer.Option("--flat-board", help="Take the board as flat instead of solving for its shape.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace an earlier calibration in DIR.")
    ] = False,
    json_to: JsonTo = None,
) -> None:
    """Calibrate one camera or a pair from footage of a board.

    Says how well every number is known, and what that means in millimetres on the face.
    """
    from rigcheck.jobs import calibrate as job
    from rigcheck.records import check_writable
    from rigcheck.report import progress

    files = [str(one) for one in (board, rig, prior) if one is not None]
    inputs = [*job.footage_paths(footage1, footage2), *files]
    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=inputs)
    with progress() as sink:
        result = job.calibrate(
            footage1,
            footage2,
            board=board,
            rig=rig,
            pairing=job.PairingChoice(by=pair, offset_frames=offset_frames),
            lens=lens,
            flat_board=flat_board,
            prior=prior,
            progress=sink,
        )
    job.write_calibration(result, out, replace_earlier=replace)
    end(result.report, out, job.OUTPUTS, run=result.run, json_to=json_to)
