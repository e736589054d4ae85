"""The command `fitting`."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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

if TYPE_CHECKING:
    from rigcheck.model import PerformerLooks

__all__ = ["fitting"]

_YES, _NO = ("yes", "y", "true"), ("no", "n", "false")
_QUESTIONS = {
    "glasses": "Does the performer wear glasses",
    "accessories": "Any accessories on the face (jewellery, prosthetics)",
    "heavy_make_up": "Heavy make-up",
    "hair_over_brows": "Hair over the brows",
    "facial_hair": "Facial hair",
}


def fitting(
    footage1: Footage1,
    footage2: Footage2 = None,
    *,
    out: Out,
    rig: RigFile = None,
    calibration: Annotated[
        Path | None,
        typer.Option("--calibration", metavar="FILE", help="Calibration: advice in millimetres and degrees."),
    ] = None,
    points: Annotated[
        list[Path] | None,
        typer.Option("--points", metavar="FILE", help="Points marked by hand; one file a camera."),
    ] = None,
    approved: Approved = None,
    performer: Annotated[
        Path | None, typer.Option("--performer", metavar="FILE", help="Performer record to go on with.")
    ] = None,
    code_name: Annotated[
        str | None, typer.Option("--code-name", metavar="NAME", help="Code name, never a real one.")
    ] = None,
    looks: Annotated[
        list[str] | None,
        typer.Option(
            "--looks",
            metavar="KEY=VALUE",
            help="glasses, accessories, heavy_make_up, hair_over_brows, facial_hair = yes or no; make_up_note, "
            "hair_note = text.",
        ),
    ] = None,
    helmet_on: Annotated[
        str | None,
        typer.Option("--helmet-on", metavar="TIME", help="When the helmet went on: now, 14:05, or ISO 8601."),
    ] = None,
    helmet_off: Annotated[
        str | None, typer.Option("--helmet-off", metavar="TIME", help="When it came off.")
    ] = None,
    knock: Annotated[
        str | None, typer.Option("--knock", metavar="TEXT", help="What knocked the rig just now, in words.")
    ] = None,
    pair: PairBy = "auto",
    offset_frames: OffsetFrames = None,
    pictures: Pictures = True,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an earlier fitting in DIR.")] = False,
    json_to: JsonTo = None,
) -> None:
    """Judge how the face sits in frame, focus and light.

    Says what to move or turn, and by how much.
    """
    from rigcheck.errors import InputError
    from rigcheck.jobs import fitting as job
    from rigcheck.records import check_writable
    from rigcheck.report import progress

    said = read_looks(looks or [])
    given = job.FittingInputs(
        rig=rig,
        calibration=calibration,
        points=tuple(points or ()),
        approved=approved,
        performer=performer,
        code_name=code_name,
        looks=said,
        worn=job.WornSaid(on=helmet_on, off=helmet_off, knock=knock),
        pairing=job.PairingChoice(by=pair, offset_frames=offset_frames),
    )
    inputs = [*job.footage_paths(footage1, footage2), *given.files]
    check_writable(out, replace=replace, protects=job.OUTPUTS, inputs=inputs)
    given = job.asked(given, _ask) if sys.stdin.isatty() else given
    try:
        with progress() as sink:
            result = job.fitting(footage1, footage2, given=given, progress=sink)
    except job.FaceNotFound as error:
        if error.marking is None:
            raise
        job.write_marking(error.marking, out, inputs=inputs, replace_earlier=replace)
        picture, template = job.marking_names(error.marking)
        raise InputError(
            error.message,
            hint=f"{error.hint} The picture is {out / picture}, the file to fill in {out / template}; then run again "
            f"with --points {out / template}.",
        ) from error
    job.write_fitting(result, out, pictures=pictures, replace_earlier=replace)
    end(result.report, out, job.OUTPUTS, json_to=json_to)


def read_looks(entries: list[str]) -> "PerformerLooks":
    """Read ``key=value`` entries of the looks.

    Raises
    ------
    ConfigError
        For an unknown key, and a value that is neither yes nor no where one is needed.
    """
    from rigcheck.errors import ConfigError
    from rigcheck.model import PerformerLooks

    known: dict[str, bool] = {}
    notes: dict[str, str] = {}
    for entry in entries:
        key, _, value = (each.strip() for each in entry.partition("="))
        if key in ("make_up_note", "hair_note"):
            notes[key] = value
        elif key in _QUESTIONS and value.casefold() in (*_YES, *_NO):
            known[key] = value.casefold() in _YES
        else:
            names = ", ".join((*_QUESTIONS, "make_up_note", "hair_note"))
            raise ConfigError(
                f"--looks {entry!r}: not understood, KEY=yes or KEY=no needed.", hint=f"keys: {names}."
            )
    return PerformerLooks(
        glasses=known.get("glasses"),
        accessories=known.get("accessories"),
        heavy_make_up=known.get("heavy_make_up"),
        hair_over_brows=known.get("hair_over_brows"),
        facial_hair=known.get("facial_hair"),
        make_up_note=notes.get("make_up_note", ""),
        hair_note=notes.get("hair_note", ""),
    )


def _ask(name: str) -> bool:
    """Ask about one look; only where a person sits at the terminal."""
    return typer.confirm(f"{_QUESTIONS[name]}?", default=False, err=True)
