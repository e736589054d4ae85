"""The takes of a day: a folder with one sub-folder a take, or a YAML list of them."""

import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import Field, StringConstraints

from rigcheck.errors import InputError
from rigcheck.model.take import Take
from rigcheck.records.document import Document, read_text
from rigcheck.records.validation import Format, Text, validated
from rigcheck.records.yaml_reading import LARGEST_YAML_BYTES, parse_yaml_list

__all__ = ["MOST_TAKES", "TakesFormat", "camera_names_of", "read_takes"]

# More than any day holds: a folder of something else is refused before it is walked through.
MOST_TAKES = 2000
_TakeName = Annotated[str, StringConstraints(pattern=r"^\w[\w .+-]{0,79}$")]
_CodeName = Annotated[str, StringConstraints(pattern=r"^\w[\w -]{0,39}$")]
_NOT_FOOTAGE = frozenset({".txt", ".md", ".json", ".yaml", ".yml", ".csv", ".log", ".xml", ".wav", ".pdf"})
_LAYOUT = "one sub-folder a take, holding a video or a picture folder a camera, named after the cameras"


class TakeFormat(Format):
    """One take of a list."""

    name: _TakeName
    footage: Annotated[list[Text], Field(min_length=1, max_length=2)]
    recorded: str | None = None
    performer: _CodeName | None = None


class TakesFormat(Format):
    """The list as a whole."""

    takes: Annotated[list[TakeFormat], Field(min_length=1, max_length=MOST_TAKES)]


def read_takes(path: str | Path, *, cameras: Sequence[str] = ()) -> tuple[Take, ...]:
    """Read the takes of a day.

    Parameters
    ----------
    path : str or Path
        A folder, or a YAML file; footage in the file is relative to the file's folder.
    cameras : sequence of str
        Names of the cameras in order, as rig file or calibration have them; without, those of the files themselves.

    Returns
    -------
    tuple of Take
        In the order of recording where every take says when it was recorded, else in natural order of their names.
        A sub-folder that is no take of these cameras is a take with a fault.

    Raises
    ------
    InputError
        When nothing is there, or not one take.
    SchemaError
        When the list breaks its format.
    """
    path = Path(path)
    takes = _listed(path) if path.is_file() else _in_folder(path, tuple(cameras))
    if all(take.recorded for take in takes):
        return tuple(sorted(takes, key=lambda take: datetime.fromisoformat(take.recorded or "")))
    return tuple(sorted(takes, key=lambda take: _natural(take.name)))


def camera_names_of(takes: Sequence[Take]) -> tuple[str, ...]:
    """Names of the cameras by the files of the first take that can be read, where nothing else names them."""
    for take in takes:
        if take.footage:
            return tuple(_stem(Path(one)) for one in take.footage)
    return ()


def _natural(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key: numbers in a name by their value, so that take 10 follows take 9."""
    parts = re.findall(r"\d+|\D+", name.casefold())
    return tuple((0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts)


def _stem(path: Path) -> str:
    return path.name if path.is_dir() else path.stem


def _listed(path: Path) -> list[Take]:
    what = "a list of takes"
    document = parse_yaml_list(
        read_text(path, largest_bytes=LARGEST_YAML_BYTES, what=what), str(path), what, key="takes"
    )
    content = validated(document, TakesFormat)
    names: dict[str, int] = {}
    takes = []
    for number, entry in enumerate(content.takes):
        here = ("takes", number)
        if entry.name.casefold() in names:
            raise document.error(
                (*here, "name"),
                f"the name {entry.name!r} found a second time, each take needs its own",
                hint=f"the first is entry {names[entry.name.casefold()] + 1} of the list.",
            )
        names[entry.name.casefold()] = number
        if len(entry.footage) != len(content.takes[0].footage):
            raise document.error(
                (*here, "footage"),
                f"footage of {len(entry.footage)} camera(s) found, of {len(content.takes[0].footage)} needed as in "
                "the first take",
                hint="every take of a list is of the same cameras.",
            )
        takes.append(_take(document, number, entry, path.parent))
    _check_times(document, content)
    return takes


def _take(document: Document, number: int, entry: TakeFormat, folder: Path) -> Take:
    if entry.recorded is not None:
        _moment(document, number, entry.recorded)
    return Take(
        name=entry.name,
        footage=tuple(str(folder / one) for one in entry.footage),
        recorded=entry.recorded,
        performer=entry.performer,
    )


def _moment(document: Document, number: int, text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        raise document.error(
            ("takes", number, "recorded"),
            f"{text[:40]!r} found, a date and time needed such as 2026-03-02T09:30:00+01:00",
            hint="write it as ISO 8601 has it.",
        ) from error


def _check_times(document: Document, content: TakesFormat) -> None:
    """All takes give a time or none does, and all with a zone or none."""
    for what, kinds in (
        ("a recorded time", [entry.recorded is not None for entry in content.takes]),
        (
            "a time with its zone",
            [
                datetime.fromisoformat(entry.recorded).tzinfo is not None
                for entry in content.takes
                if entry.recorded
            ],
        ),
    ):
        if len(set(kinds)) > 1:
            odd = kinds.index(not kinds[0])
            raise document.error(
                ("takes", odd),
                f"some takes have {what} and some have not; the order would be a guess",
                hint="give it for all takes, or for none.",
            )


def _in_folder(path: Path, cameras: tuple[str, ...]) -> list[Take]:
    try:
        if not path.is_dir():
            raise InputError(
                f"{path}: no such folder or list; takes are needed.", hint=f"give a folder with {_LAYOUT}."
            )
        folders = [one for one in path.iterdir() if one.is_dir() and not one.name.startswith(".")]
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror or error}), takes are needed.", hint="check the folder."
        ) from error
    if not folders or len(folders) > MOST_TAKES:
        raise InputError(
            f"{path}: {len(folders)} sub-folders found, 1 to {MOST_TAKES} needed: {_LAYOUT}.",
            hint="give the folder that holds the takes, not one take; or a YAML list of them.",
        )
    folders.sort(key=lambda one: _natural(one.name))
    takes = []
    for folder in folders:
        take = _folder_take(folder, cameras)
        if not cameras and take.footage:
            cameras = camera_names_of([take])
        takes.append(take)
    return takes


def _folder_take(folder: Path, cameras: tuple[str, ...]) -> Take:
    try:
        inside = sorted(
            (
                one
                for one in folder.iterdir()
                if not one.name.startswith(".") and (one.is_dir() or one.suffix.lower() not in _NOT_FOOTAGE)
            ),
            key=lambda one: _natural(one.name),
        )
    except OSError as error:
        return _faulty(folder, f"cannot be read ({error.strerror or error})", "check the folder.")
    wanted = len(cameras) or 2
    names = ", ".join(one.name for one in inside[:5]) + (" and more" if len(inside) > 5 else "")
    if not inside:
        return _faulty(folder, "the folder is empty", "copy the take again, or remove its folder.")
    if len(inside) != wanted and not (not cameras and len(inside) == 1):
        needed = f"one for each of {', '.join(cameras)}" if cameras else "one a camera, so one or two,"
        return _faulty(
            folder,
            f"{len(inside)} files or folders found ({names}), {needed} needed",
            "leave in it one video or one picture folder a camera, nothing else.",
        )
    if not cameras:
        return Take(name=folder.name, footage=tuple(str(one) for one in inside))
    by_camera = [_of_camera(inside, camera) for camera in cameras]
    if any(one is None for one in by_camera) or len(set(by_camera)) != len(cameras):
        return _faulty(
            folder,
            f"{names} found, names of the cameras needed ({', '.join(cameras)})",
            "name each file or folder after its camera, as in rig file and calibration.",
        )
    return Take(name=folder.name, footage=tuple(str(one) for one in by_camera))


def _of_camera(inside: Sequence[Path], camera: str) -> Path | None:
    """The one file or folder named after a camera: its very name, else its name as a word of the file's."""
    name = camera.casefold()
    exact = [one for one in inside if _stem(one).casefold() == name]
    words = [one for one in inside if name in re.split(r"[\s._-]+", _stem(one).casefold())]
    found = exact or words
    return found[0] if len(found) == 1 else None


def _faulty(folder: Path, fault: str, hint: str) -> Take:
    return Take(name=folder.name, footage=(), fault=f"{folder}: {fault}.", hint=hint)
