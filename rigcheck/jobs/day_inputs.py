"""What the steps of a day read: where it lies, that it lies where the day may read, and what tells it from another."""

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rigcheck.errors import ConfigError, InputError, RigcheckError
from rigcheck.footage import parse_footage
from rigcheck.footage.hashing import sha256_of
from rigcheck.footage.request import exists
from rigcheck.jobs.audit_key import quick_print
from rigcheck.jobs.fitting_light import transfer_tables
from rigcheck.model.day import DayPlan, DayStep
from rigcheck.records import read_rig
from rigcheck.records.day_state import InputPrint
from rigcheck.records.takes_file import read_takes

__all__ = ["DayPlace", "input_prints", "rebased", "refuse_outside"]

# What a step that is named gives to another, by what it is to the other.
MADE = {
    "prior": "calibration.yaml",
    "calibration": "calibration.yaml",
    "end_calibration": "calibration.yaml",
    "approved": "result.json",
    "record": "performer.yaml",
}


@dataclass(frozen=True, kw_only=True)
class DayPlace:
    """Where a day's paths count from (`base`), which folders it may read (`roots`), where its steps write (`out`)."""

    base: Path
    roots: tuple[Path, ...]
    out: Path

    @classmethod
    def of(cls, day_file: Path, plan: DayPlan, out: Path) -> "DayPlace":
        """Place of a day file."""
        base = day_file.parent
        return cls(base=base, roots=tuple(base / folder for folder in plan.folders), out=out)

    def footage(self, step: DayStep) -> tuple[str, ...]:
        """FOOTAGE of a step as from where the program runs."""
        return tuple(rebased(text, self.base) for text in step.footage)

    def files(self, step: DayStep) -> dict[str, Path]:
        """Every file of a step by what it is to it, those that other steps make among them."""
        own = {what: self.base / written for what, written in step.files.items()}
        return own | {what: self.out / name / MADE[what] for what, name in step.from_steps.items()}

    def named(self, path: Path) -> str:
        """A path as from the day's file, where it lies below."""
        return path.relative_to(self.base).as_posix() if path.is_relative_to(self.base) else str(path)


def rebased(text: str, base: Path) -> str:
    """FOOTAGE written relative to a folder, as from where the program runs.

    A file whose name holds a comma must be the only part.
    """
    whole = str(base / text)
    if exists(whole):
        return whole
    return ",".join(str(base / part.strip()) if part.strip() else "" for part in text.split(","))


def refuse_outside(plan: DayPlan, place: DayPlace) -> None:
    """Refuse a day with a path that leads outside the folders it may read from.

    Raises
    ------
    ConfigError
        With file and line of the step; links are followed.
    InputError
        When FOOTAGE is not understood.
    """
    for step in plan.steps:
        for path in _own_paths(step, place):
            if not _is_inside(path, place):
                raise ConfigError(
                    f"{step.where}: step {step.name!r} reads {str(path)!r}, outside the folders of this day.",
                    hint="add its folder to reads_from: in the day file, or correct the path.",
                )


def _own_paths(step: DayStep, place: DayPlace) -> Iterator[Path]:
    for text in place.footage(step):
        yield from (part.path for part in parse_footage(text).parts)
    yield from (place.base / written for written in (*step.files.values(), *step.points))


def _is_inside(path: Path, place: DayPlace) -> bool:
    try:
        real = path.resolve()
        return any(real.is_relative_to(root.resolve()) for root in place.roots)
    except (OSError, ValueError, RuntimeError):  # a name that no system takes, links in a circle
        return False


def input_prints(
    step: DayStep, place: DayPlace, known: Mapping[str, InputPrint], *, with_steps: bool
) -> dict[str, InputPrint]:
    """What tells each input of a step from another.

    Parameters
    ----------
    step : DayStep
    place : DayPlace
    known : mapping
        As told before: content is not read again where names, sizes and times of change are the same.
    with_steps : bool
        Whether files that other steps make are told too.

    Raises
    ------
    RigcheckError
        When something is missing or cannot be read.

    Notes
    -----
    Takes are told by size, time of change and both ends of each file, as `audit` does: a day's hold terabytes.
    """
    out: dict[str, InputPrint] = {}
    own = [path for path in _own_paths(step, place) if path != place.base / step.files.get("takes", "\0")]
    for path in (*own, *_beside(step, place)):
        name = place.named(path)
        out[name] = _print_of(path, known.get(name))
    if "takes" in step.files:
        takes = place.base / step.files["takes"]
        out[place.named(takes)] = _takes_print(takes, place)
    if with_steps:
        for name, path in _from_steps(step, place):
            out[name] = _print_of(path, known.get(name))
    return out


def _from_steps(step: DayStep, place: DayPlace) -> Iterator[tuple[str, Path]]:
    for what, name in step.from_steps.items():
        folder = place.out / name
        yield f"step {name}: {MADE[what]}", folder / MADE[what]
        if what == "calibration" and step.command == "verify":
            yield f"step {name}: result.json", folder / "result.json"


def _beside(step: DayStep, place: DayPlace) -> list[Path]:
    """Files that the commands read beside those that are named."""
    found: list[Path] = []
    if "rig" in step.files:
        rig = place.base / step.files["rig"]
        found += transfer_tables(read_rig(rig), rig).values()
    if step.command == "verify" and "calibration" in step.files:
        beside = (place.base / step.files["calibration"]).with_name("result.json")
        found += [beside] if beside.is_file() else []
    return found


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    try:
        yield
    except RigcheckError:
        raise
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror or error}).",
            hint="check that it is there, that its disk is connected and that you may read it.",
        ) from error


def _print_of(path: Path, known: InputPrint | None) -> InputPrint:
    with _readable(path):
        files = _files_in(path)
        facts = _digest(f"{name}\0{one.stat().st_size}\0{one.stat().st_mtime_ns}" for name, one in files)
    if known is not None and known.facts == facts:
        return known
    if path.is_dir():
        return InputPrint(facts=facts, sha256=_digest(f"{name}\0{sha256_of(one)}" for name, one in files))
    return InputPrint(facts=facts, sha256=sha256_of(path))


def _files_in(path: Path) -> list[tuple[str, Path]]:
    """A file itself, or every file in a folder that is not hidden, with its name there."""
    if not path.is_dir():
        return [("", path)]
    found = []
    for place, folders, names in os.walk(path):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        found += [Path(place, name) for name in sorted(names) if not name.startswith(".")]
    return [(one.relative_to(path).as_posix(), one) for one in found]


def _takes_print(path: Path, place: DayPlace) -> InputPrint:
    lines = [sha256_of(path)] if path.is_file() else []
    for take in read_takes(path):
        outside = [one for one in take.footage if not _is_inside(Path(one), place)]
        if outside:
            raise InputError(
                f"{path}: take {take.name!r} reads {outside[0]!r}, which lies outside the folders of this day.",
                hint="add its folder to reads_from: in the day file.",
            )
        lines.append(f"{take.name}\0{take.fault}")
        with _readable(path):
            lines += [quick_print(one) for one in take.footage]
    digest = _digest(lines)
    return InputPrint(facts=digest, sha256=digest)


def _digest(lines: Iterable[str]) -> str:
    digest = hashlib.sha256()
    for line in lines:
        digest.update(f"{line}\n".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()
