"""The command `handover`."""

from pathlib import Path
from typing import Annotated

import typer

from rigcheck.cli.shared import say

__all__ = ["handover"]

_CHECK_FAILED = 4


def handover(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The day's folder; with --check a received handover.")
    ],
    *,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder to write to, outside FOLDER.")
    ] = None,
    check: Annotated[
        bool,
        typer.Option("--check", help="Compare the received FOLDER with its manifest; write nothing."),
    ] = False,
    with_pictures: Annotated[
        bool, typer.Option("--with-pictures", help="Hand over pictures of the performer too.")
    ] = False,
    board_footage: Annotated[
        bool, typer.Option("--board-footage", help="Hand over the board footage itself, not its sums alone.")
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier handover in DIR.")] = False,
) -> None:
    """Make one folder for the next department, or check one.

    Results, calibrations in several formats, and a manifest with the SHA-256 of everything.
    """
    from rigcheck.jobs import handover as job

    if check == (out is not None):
        raise typer.BadParameter("give either --out DIR, to make a handover, or --check, to check one.")
    if out is None:
        count, findings = job.check_handover(folder)
        for sentence in findings:
            say(sentence)
        if findings:
            typer.echo(f"Fail: {len(findings)} of this folder's files are not as they were handed over.")
            raise typer.Exit(_CHECK_FAILED)
        typer.echo(f"Pass: all {count} files are as they were handed over.")
        return
    from rigcheck.report import progress

    choice = job.HandoverChoice(pictures=with_pictures, board_footage=board_footage)
    with progress() as sink:
        made = job.handover(folder, out, choice=choice, replace_earlier=replace, progress=sink)
    for one in made.left_out:
        say(f"Left out: {one.path}: {one.reason}")
    say(f"Written to {out}: {len(made.files)} files, {made.bytes / 1e6:.1f} MB, manifest.json, SHA256SUMS")
