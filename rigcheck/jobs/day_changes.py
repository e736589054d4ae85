"""Which steps of a day must run: those never done, those that changed, and those that use one that runs."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from rigcheck.errors import OutputError, RigcheckError
from rigcheck.jobs.day_inputs import DayPlace, input_prints
from rigcheck.jobs.day_steps import OUTPUTS
from rigcheck.model.day import DayPlan, DayStep
from rigcheck.records import file_sha256, make_provenance
from rigcheck.records.day_state import InputPrint, StepMade

__all__ = ["Decision", "decide", "files_made", "options_of", "program_version", "refuse_to_replace"]

# They say how a step is run, not what comes of it.
_NOT_MEASURED_BY = ("workers",)
_MOST_NAMED = 4
_STILLS = "stills"


@dataclass(frozen=True, kw_only=True)
class Decision:
    """Whether a step runs and why; `fault` where what it reads is missing or cannot be read."""

    step: DayStep
    runs: bool
    why: str
    inputs: Mapping[str, InputPrint]
    fault: RigcheckError | None = None


def decide(
    plan: DayPlan,
    place: DayPlace,
    known: Mapping[str, StepMade],
    on_progress: Callable[[int, int], None],
) -> dict[str, Decision]:
    """Decide about each step, in the order in which they run; nothing is written."""
    out: dict[str, Decision] = {}
    for number, step in enumerate(plan.steps):
        on_progress(number, len(plan.steps))
        moved = [name for name in step.from_steps.values() if out[name].runs or out[name].fault is not None]
        made = known.get(step.name)
        try:
            inputs = input_prints(step, place, {} if made is None else made.inputs, with_steps=not moved)
        except RigcheckError as fault:
            out[step.name] = Decision(step=step, runs=False, why="", inputs={}, fault=fault)
            continue
        why = _why(step, made, inputs, moved, place)
        out[step.name] = Decision(step=step, runs=bool(why), why=why, inputs=inputs)
    on_progress(len(plan.steps), len(plan.steps))
    return out


def _why(
    step: DayStep,
    made: StepMade | None,
    inputs: Mapping[str, InputPrint],
    moved: list[str],
    place: DayPlace,
) -> str:
    """Why a step must run; empty when it need not."""
    if made is None:
        return "not run before"
    if not made.done:
        return "not finished before"
    if made.command != step.command:
        return f"was {made.command} before"
    if made.program != program_version():
        return f"made by rigcheck {made.program} before"
    options = options_of(step)
    changed = [name for name in options | dict(made.options) if options.get(name) != made.options.get(name)]
    if changed:
        return f"changed: {_some(changed)}"
    if moved:
        return f"uses {_some(list(dict.fromkeys(moved)))}, which runs again"
    changed = [
        name
        for name in dict(inputs) | dict(made.inputs)
        if name not in inputs or name not in made.inputs or inputs[name].sha256 != made.inputs[name].sha256
    ]
    if changed:
        return f"changed: {_some(changed)}"
    lost = [
        name for name, digest in made.outputs.items() if not _is_same(place.out / step.name / name, digest)
    ]
    return f"missing or changed in its folder: {_some(lost)}" if lost else ""


def refuse_to_replace(
    decisions: Mapping[str, Decision], known: Mapping[str, StepMade], place: DayPlace, *, replace: bool
) -> None:
    """Refuse before any work when earlier results would be replaced without leave.

    Raises
    ------
    OutputError
        Naming each such step and why it must run.
    """
    if replace:
        return
    stand = []
    for name, decision in decisions.items():
        begun = name in known and not known[name].done
        if decision.runs and not begun and any(_earlier(place.out / name, decision.step)):
            stand.append(f"{name} ({decision.why})")
    if stand:
        raise OutputError(
            f"{place.out}: {len(stand)} step(s) must run where results of an earlier run lie: {_some(stand, '; ')}.",
            hint="add --replace to replace these steps' results, or choose another folder with --out.",
        )


def _earlier(folder: Path, step: DayStep) -> list[bool]:
    return [(folder / name).exists() for name in OUTPUTS[step.command]]


def options_of(step: DayStep) -> dict[str, object]:
    """Everything said of a step that its numbers depend on, beside the content of what it reads."""
    said = {name: value for name, value in step.options.items() if name not in _NOT_MEASURED_BY}
    return said | {
        "footage": list(step.footage),
        "files": dict(step.files),
        "from_steps": dict(step.from_steps),
        "points": list(step.points),
        "performer": step.performer,
        "looks": dict(vars(step.looks)),
    }


def files_made(step: DayStep, folder: Path) -> dict[str, str]:
    """SHA-256 of every file that a step made in its folder, by its name there."""
    names = {*OUTPUTS[step.command], "performer.yaml"}
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder)
        if path.is_file() and (str(name) in names or name.parts[0] == _STILLS):
            found[name.as_posix()] = file_sha256(path)
    return found


@cache
def program_version() -> str:
    """Version of rigcheck that runs: another one may measure otherwise."""
    return str(make_provenance("day", inputs={}, options={}).versions["rigcheck"])


def _is_same(path: Path, digest: str) -> bool:
    return path.is_file() and file_sha256(path) == digest


def _some(words: list[str], between: str = ", ") -> str:
    shown = between.join(words[:_MOST_NAMED])
    return shown if len(words) <= _MOST_NAMED else f"{shown}{between}and {len(words) - _MOST_NAMED} more"
