"""Hostile names of files, folders, takes and cameras, and hostile words on the command line."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

from faults.commands import COMMANDS, Case, Command, Slot
from faults.damage import HOSTILE_TEXTS
from faults.stage import given_path, given_to, typed

# Words of FOOTAGE, of a shell, and bytes that are no text.
_MORE_NAMES = {
    "points": "a@1.0-2.0",
    "layout": "a#stacked",
    "commas": "a,b,,c",
    "percent": "%d%n%s",
    "dash": "-rf",
    "home": "~root",
    "bytes": b"\xff\xfe\x80".decode("utf-8", "surrogateescape"),
}
_OPTIONS = {
    "board": ("--paper",),
    "calibrate": ("--lens", "--offset-frames", "--pair"),
    "verify": ("--label", "--offset-frames", "--pair"),
    "history": ("--days",),
    "fitting": ("--code-name", "--looks=make_up_note", "--looks", "--helmet-on", "--helmet-off", "--knock"),
    "picks": ("--want", "--reference"),
    "audit": ("--workers",),
    "demo": ("--seconds", "--seed"),
    "live": (
        *("--code-name", "--helmet-on", "--mass-g", "--overhang-mm", "--rest-after-min", "--port"),
        "--calibration",
    ),
}
_NUMBERS = {"not a number": "nan", "endless": "inf", "huge": "1" + "0" * 40, "minus": "-1", "1e308": "1e308"}


def file_names() -> dict[str, str]:
    """Names that a file system takes."""
    names = {}
    for key, text in (HOSTILE_TEXTS | _MORE_NAMES).items():
        content = text.replace("/", "\u2215").replace("\0", "").encode("utf-8", "surrogateescape")[:200]
        name = content.decode("utf-8", "surrogateescape" if key == "bytes" else "ignore")
        if name.strip():
            names[key] = name
    return names


def hostile_words(stage: Path) -> Iterator[Case]:
    """Every command with every input and output under every hostile name, and with every hostile option."""
    for command in COMMANDS:
        for slot in {slot.argument: slot for slot in reversed(command.slots)}.values():
            for key, name in file_names().items():
                yield Case(
                    command=command,
                    subject=slot.argument,
                    kind="hostile input name",
                    how=key,
                    names=(),
                    prepare=_renamed(command, slot, stage, name),
                )
        if command.name == "audit":
            yield from _take_names(command, stage)
        if command.writes:
            for key, name in file_names().items():
                yield Case(
                    command=command,
                    subject="--out",
                    kind="hostile output name",
                    how=key,
                    names=(),
                    prepare=_as_typed(command, stage, out=name),
                )
        for option in _OPTIONS.get(command.name, ()):
            for key, text in (HOSTILE_TEXTS | _NUMBERS).items():
                if "\0" not in text:
                    yield Case(
                        command=command,
                        subject=option,
                        kind="hostile option",
                        how=key,
                        names=(),
                        prepare=_as_typed(command, stage, more=(f"{option}={text}",)),
                    )


def _as_typed(
    command: Command, stage: Path, *, out: str = "out", more: tuple[str, ...] = ()
) -> Callable[[Path], tuple[list[str], Path]]:
    def prepare(place: Path) -> tuple[list[str], Path]:
        folder = place / "results" / out
        return [*typed(command, given_to(stage), folder), *more], folder

    return prepare


def _renamed(
    command: Command, slot: Slot, stage: Path, name: str
) -> Callable[[Path], tuple[list[str], Path]]:
    def prepare(place: Path) -> tuple[list[str], Path]:
        source = stage / slot.root
        root = place / "in" / (name if source.is_dir() else name + source.suffix)
        if source.is_dir():
            shutil.copytree(source, root)
        else:
            shutil.copy(source, root)
        out = place / "results" / "out"
        return typed(command, given_to(stage) | {slot.argument: str(given_path(slot, root))}, out), out

    return prepare


def _take_names(command: Command, stage: Path) -> Iterator[Case]:
    """Folders of takes, and of the cameras in them, under hostile names; nothing else names the cameras."""
    for key, name in file_names().items():
        for what in ("take", "camera"):

            def prepare(place: Path, name: str = name, what: str = what) -> tuple[list[str], Path]:
                root = place / "in" / "takes"
                for number in (1, 2):
                    take = root / (name + str(number) if what == "take" else f"take {number}")
                    for camera in ("upper", "lower"):
                        inner = camera if what == "take" else name + camera
                        shutil.copytree(stage / "face" / camera, take / inner)
                out = place / "results" / "out"
                words = ["audit", str(root), "--workers", "1", "--performer", str(stage / "performer.yaml")]
                return [*words, "--out", str(out)], out

            yield Case(
                command=command,
                subject=f"name of a {what}",
                kind="hostile input name",
                how=key,
                names=(),
                prepare=prepare,
            )
