"""Day files: what is calibrated, verified, fitted, picked and audited on a shoot day, and what needs what."""

from collections.abc import Iterator, Mapping, Sequence
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import Field, StringConstraints

from rigcheck.model import PerformerLooks
from rigcheck.model.day import DayPlan, DayStep
from rigcheck.model.picking import PickPose
from rigcheck.records.document import Document, Location
from rigcheck.records.headers import require_kind
from rigcheck.records.performer_file import LooksFormat
from rigcheck.records.validation import Format, Text, nearest, validated
from rigcheck.records.yaml_reading import read_yaml

__all__ = ["DayFormat", "read_day"]

MOST_STEPS = 500

# A step's name is its folder's: no dot, so that none hides or is taken for a file of the day.
_Name = Annotated[str, StringConstraints(pattern=r"^\w(?:[\w -]{0,38}[\w-])?$")]
_Path = Annotated[str, StringConstraints(min_length=1, max_length=400)]
_Footage = Annotated[str, StringConstraints(min_length=1, max_length=4000)]


class FileFormat(Format):
    """A file that no step of the day makes."""

    file: _Path


_From = _Name | FileFormat
_EntryT = TypeVar("_EntryT")


class DayRigFormat(Format):
    """A rig of the day: its rig file, and the board it is filmed with."""

    rig: _Path | None = None
    board: _Path | None = None


class DayPerformerFormat(Format):
    """A performer of the day, by code name: the record to go on with, and looks as they are today."""

    record: _Path | None = None
    looks: LooksFormat = LooksFormat()


class _StepFormat(Format):
    name: _Name
    rig: Text | None = None
    even_if_failed: bool = False
    mends: _Name | None = None


class _FootageFormat(_StepFormat):
    footage: Annotated[list[_Footage], Field(min_length=1, max_length=2)]
    pair: Literal["auto", "index", "timecode"] = "auto"
    offset_frames: int | None = None


class CalibrateFormat(_FootageFormat):
    """A step that calibrates."""

    run: Literal["calibrate"]
    board: _Path | None = None
    prior: _From | None = None
    lens: Text | None = None
    flat_board: bool = False


class VerifyFormat(_FootageFormat):
    """A step that verifies."""

    run: Literal["verify"]
    calibration: _From
    board: _Path | None = None
    label: Text | None = None


class FittingFormat(_FootageFormat):
    """A step that judges a fitting."""

    run: Literal["fitting"]
    performer: Text | None = None
    calibration: _From | None = None
    approved: _From | None = None
    record: _From | None = None
    points: Annotated[list[_Path], Field(max_length=2)] = Field(default_factory=list)
    pictures: bool = True


def _usual() -> list[PickPose]:
    return ["neutral", "bite"]


class PicksStepFormat(_FootageFormat):
    """A step that picks frames."""

    run: Literal["picks"]
    performer: Text | None = None
    calibration: _From | None = None
    approved: _From | None = None
    record: _From | None = None
    want: Annotated[list[PickPose], Field(min_length=1, max_length=12)] = Field(default_factory=_usual)
    reference: Annotated[int, Field(ge=0)] | None = None
    pictures: bool = True


class AuditStepFormat(_StepFormat):
    """A step that audits takes."""

    run: Literal["audit"]
    takes: _Path
    performer: Text | None = None
    calibration: _From | None = None
    end_calibration: _From | None = None
    approved: _From | None = None
    record: _From | None = None
    workers: Annotated[int, Field(ge=1)] | None = None
    pictures: bool = True


_Step = Annotated[
    CalibrateFormat | VerifyFormat | FittingFormat | PicksStepFormat | AuditStepFormat,
    Field(discriminator="run"),
]


class DayFormat(Format):
    """A shoot day. Paths count from the file's folder and must lie in one of the folders of `reads_from`.

    What a step uses of another is named: ``calibration: morning`` is the calibration that the step `morning` makes;
    ``calibration: {file: workshop/calibration.yaml}`` is a file.
    """

    format: Literal["rigcheck-day"]
    version: Literal[1]
    title: Text = "Shoot day"
    reads_from: Annotated[list[_Path], Field(min_length=1, max_length=50)] = Field(
        default_factory=lambda: ["."]
    )
    rigs: dict[_Name, DayRigFormat] = Field(default_factory=dict)
    performers: dict[_Name, DayPerformerFormat] = Field(default_factory=dict)
    steps: Annotated[list[_Step], Field(min_length=1, max_length=MOST_STEPS)]


# What may be taken from another step, and the command that makes it.
_MADE_BY = {
    "prior": "calibrate",
    "calibration": "calibrate",
    "end_calibration": "calibrate",
    "approved": "fitting",
    "record": "fitting",
}
_OPTIONS = (
    *("pair", "offset_frames", "lens", "flat_board", "label"),
    *("want", "reference", "workers", "pictures"),
)


def read_day(path: str | Path) -> DayPlan:
    """Read a day file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    DayPlan
        Its steps in the order in which they run: as listed, but none before one that it needs.

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When it breaks the format, names two steps alike, or a step, rig or performer that is not there; when steps
        need each other in a circle, or a step needs a file that the other does not make.
    """
    document = read_yaml(Path(path), "a day file")
    require_kind(document, "day")
    content = validated(document, DayFormat)
    places = _places(document, content)
    steps = [_step(document, content, number, places) for number in range(len(content.steps))]
    order = _in_order(document, steps, places)
    return DayPlan(
        title=content.title, steps=tuple(steps[number] for number in order), folders=tuple(content.reads_from)
    )


def _places(document: Document, content: DayFormat) -> dict[str, int]:
    """Where each step stands, by its name; names alike but for capitals share a folder on some systems."""
    places: dict[str, int] = {}
    folded: dict[str, int] = {}
    for number, step in enumerate(content.steps):
        if step.name.casefold() in folded:
            raise document.error(
                ("steps", number, "name"),
                f"the name {step.name!r} found a second time, each step needs its own",
                hint=f"the first is step {folded[step.name.casefold()] + 1} of the list.",
            )
        folded[step.name.casefold()] = places[step.name] = number
    return places


def _step(document: Document, content: DayFormat, number: int, places: Mapping[str, int]) -> DayStep:
    said, here = content.steps[number], ("steps", number)
    files: dict[str, str] = {}
    from_steps: dict[str, str] = {}
    rig = None if said.rig is None else _named(document, (*here, "rig"), said.rig, content.rigs, "rig")
    if rig is not None and rig.rig is not None:
        files["rig"] = rig.rig
    if isinstance(said, CalibrateFormat | VerifyFormat):
        files["board"] = _board(document, here, said.board, rig)
    if isinstance(said, AuditStepFormat):
        files["takes"] = said.takes
    for what, given in _given(said):
        if isinstance(given, FileFormat):
            files[what] = given.file
        else:
            _check_made(document, (*here, what), given, _MADE_BY[what], content, places)
            from_steps[what] = given
    name = getattr(said, "performer", None)
    performer = _performer(document, (*here, "performer"), name, content)
    _add_record(performer, files, from_steps)
    if said.mends is not None:
        _check_made(document, (*here, "mends"), said.mends, said.run, content, places)
    return DayStep(
        name=said.name,
        command=said.run,
        rig=said.rig,
        performer=name,
        footage=tuple(getattr(said, "footage", ())),
        files=files,
        from_steps=from_steps,
        points=tuple(getattr(said, "points", ())),
        options={key: getattr(said, key) for key in _OPTIONS if hasattr(said, key)},
        looks=PerformerLooks() if performer is None else PerformerLooks(**performer.looks.model_dump()),
        even_if_failed=said.even_if_failed,
        mends=said.mends,
        where=document.where((*here, "name")),
    )


def _performer(
    document: Document, here: Location, name: str | None, content: DayFormat
) -> DayPerformerFormat | None:
    return None if name is None else _named(document, here, name, content.performers, "performer")


def _given(said: Format) -> Iterator[tuple[str, str | FileFormat]]:
    for what in _MADE_BY:
        given = getattr(said, what, None)
        if given is not None:
            yield what, given


def _add_record(
    performer: DayPerformerFormat | None, files: dict[str, str], from_steps: dict[str, str]
) -> None:
    """The record goes on from the approved fitting where it is a step's, else from the performer's file."""
    if "record" in files or "record" in from_steps:
        return
    if "approved" in from_steps:
        from_steps["record"] = from_steps["approved"]
    elif performer is not None and performer.record is not None:
        files["record"] = performer.record


def _board(document: Document, here: Location, own: str | None, rig: DayRigFormat | None) -> str:
    board = own or (None if rig is None else rig.board)
    if board is None:
        raise document.error(
            here,
            "no board found, one is needed here",
            hint="add 'board: FILE' to the step, or to its rig under rigs:.",
        )
    return board


def _named(document: Document, here: Location, name: str, known: Mapping[str, _EntryT], what: str) -> _EntryT:
    if name in known:
        return known[name]
    raise document.error(
        here, f"the {what} {name!r} found, which is not under {what}s:", hint=_near(name, known)
    )


def _near(name: str, known: Mapping[str, object]) -> str:
    near = nearest(name, known)
    return f"did you mean {near!r}?" if near else f"known: {', '.join(known) or 'none'}."


def _check_made(
    document: Document, here: Location, name: str, needed: str, content: DayFormat, places: Mapping[str, int]
) -> None:
    """The step named must exist and run the command that is needed."""
    if name not in places:
        raise document.error(
            here,
            f"the step {name!r} found, which is not in the list",
            hint=f"{_near(name, places)} A file is written {{file: …}}.",
        )
    made_by = content.steps[places[name]].run
    if made_by != needed:
        raise document.error(
            here,
            f"the step {name!r} found, which runs {made_by}; one that runs {needed} needed",
            hint="name that one.",
        )


def _in_order(document: Document, steps: Sequence[DayStep], places: Mapping[str, int]) -> list[int]:
    """Places of the steps, as listed but for what must come first."""
    needs = {
        number: {places[name] for name in (*step.from_steps.values(), *filter(None, [step.mends]))}
        for number, step in enumerate(steps)
    }
    sorter = TopologicalSorter(needs)
    try:
        sorter.prepare()
    except CycleError as error:
        circle = [steps[number].name for number in reversed(error.args[1])]
        raise document.error(
            ("steps", places[circle[0]]),
            f"steps need each other in a circle: {' needs '.join(circle)}",
            hint="let one of them use a file, or a step before it.",
        ) from error
    order: list[int] = []
    ready: set[int] = set()
    while sorter.is_active():
        ready |= set(sorter.get_ready())
        first = min(ready)
        ready.remove(first)
        sorter.done(first)
        order.append(first)
    return order
