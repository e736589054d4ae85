"""Every case of the suite, chosen from evenly, run and judged."""

import itertools
import random
import shutil
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from faults.commands import COMMANDS, Case, Command, Slot
from faults.damage import Damage, byte_damages, field_damages, place_damages, text_damages, wrong_files
from faults.footage_damage import picture_damages, video_damages
from faults.hostile_names import hostile_words
from faults.judging import Told, complaints, escaped, left_beside, sums, told_by
from faults.stage import given_path, given_to, typed

SEEDS = range(3)
_OTHERS = {
    "a board file": "board.yaml",
    "a rig file": "rig/rig.yaml",
    "a calibration": "prior.yaml",
    "a result": "approved.json",
    "a performer record": "performer.yaml",
    "marked points": "points1.yaml",
    "a list of takes": "day-of-takes/takes.yaml",
    "a transfer curve": "rig/curve.yaml",
    "a manifest": "received/manifest.json",
    "a picture": "shoot/upper/0000.png",
    "a video": "shoot/lower.mp4",
    "a page": "received/conventions.html",
}
RESULTS = {
    2: "refused, usage",
    3: "refused",
    0: "passed",
    4: "failed a check",
    5: "not decided",
    130: "ended",
}


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """How a case went."""

    case: str
    command: str
    kind: str
    result: str
    complaints: tuple[str, ...]
    said: str = ""


def all_cases(stage: Path) -> list[Case]:
    """Every damage to every input of every command, and every hostile word, in a fixed order."""
    return [*_damaged(stage), *hostile_words(stage)]


def _damaged(stage: Path) -> Iterator[Case]:
    for command in COMMANDS:
        for slot in command.slots:
            path = stage / slot.root / slot.inner if slot.inner else stage / slot.root
            for damage in _damages(slot, path, stage):
                yield Case(
                    command=command,
                    subject=slot.name,
                    kind=damage.kind,
                    how=damage.name,
                    names=(path.name, *slot.also),
                    prepare=_with(command, slot, damage, stage),
                )


def _damages(slot: Slot, path: Path, stage: Path) -> Iterator[Damage]:
    yield from byte_damages(SEEDS)
    yield from place_damages()
    yield from wrong_files({name: stage / other for name, other in _OTHERS.items() if stage / other != path})
    if slot.kind in ("yaml", "json"):
        yield from text_damages(slot.kind)
        yield from field_damages(path)
    if slot.kind == "picture":
        yield from picture_damages()
    if slot.kind == "video":
        yield from video_damages()


def _with(
    command: Command, slot: Slot, damage: Damage, stage: Path
) -> Callable[[Path], tuple[list[str], Path]]:
    def prepare(place: Path) -> tuple[list[str], Path]:
        source, root = stage / slot.root, place / "in" / Path(slot.root).name
        if source.is_dir():
            shutil.copytree(source, root, symlinks=True)
        else:
            shutil.copy(source, root)
        damage.apply(root / slot.inner if slot.inner else root)
        out = place / "results" / "out"
        return typed(command, given_to(stage) | {slot.argument: str(given_path(slot, root))}, out), out

    return prepare


def chosen(cases: Sequence[Case], count: int, seed: int) -> list[Case]:
    """So many cases, spread evenly over inputs and kinds of damage, the same for the same seed."""
    rng = random.Random(seed)
    groups: dict[tuple[str, str, str], list[Case]] = defaultdict(list)
    for case in cases:
        groups[case.command.name, case.subject, case.kind].append(case)
    for group in groups.values():
        rng.shuffle(group)
    names = sorted(groups)
    rng.shuffle(names)
    rounds = itertools.zip_longest(*(groups[name] for name in names))
    return [case for one in rounds for case in one if case is not None][:count]


def fresh(place: Path) -> Path:
    """An empty folder with room for inputs and results."""
    shutil.rmtree(place, ignore_errors=True)
    for folder in ("in", "results"):
        (place / folder).mkdir(parents=True)
    return place


def undamaged(command: Command, stage: Path, place: Path, *, limit_s: float) -> Told:
    """What a command says of the inputs as they are."""
    words = typed(command, given_to(stage), fresh(place) / "results" / "out")
    return told_by(words, limit_s=limit_s, session=command.session)


def outcome_of(case: Case, stage: Path, place: Path, *, right: Told, limit_s: float) -> Outcome:
    """Do what the case does, and judge how the command took it; `right` is what it says of undamaged inputs."""
    command = case.command
    words, out = case.prepare(fresh(place))
    before = sums(stage, place / "in")
    told = told_by(words, limit_s=limit_s, session=command.session)
    folder = out if command.writes else None
    found = complaints(told, folder, command.outputs, case.names, right, keeps=command.keeps)
    found += left_beside(place / "results", (out.name,) if command.writes else ()) + escaped(place)
    if sums(stage, place / "in") != before:
        found.append("an input was changed")
    return Outcome(
        case=case.name,
        command=case.command.name,
        kind=case.kind,
        result="fault" if found or told.code is None else RESULTS[told.code],
        complaints=tuple(found),
        said=told.err.strip()[:400],
    )
