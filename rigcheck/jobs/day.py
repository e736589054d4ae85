"""A shoot day from its file: each step as its command runs it, what is unchanged left as it is, one page for all."""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path

from rigcheck.checks import DAY_CHECKS, Limits, effective_limits, overall_verdict, run_checks
from rigcheck.errors import RigcheckError
from rigcheck.jobs.day_changes import (
    Decision,
    decide,
    files_made,
    options_of,
    program_version,
    refuse_to_replace,
)
from rigcheck.jobs.day_inputs import DayPlace, input_prints, refuse_outside
from rigcheck.jobs.day_kept import keeping, kept_words
from rigcheck.jobs.day_steps import RUNNERS, Runner, StepOrder
from rigcheck.jobs.opening import footage_paths
from rigcheck.model import Estimate, Report
from rigcheck.model.day import DayRun, DayStep, StepCommand, StepOutcome
from rigcheck.records import (
    check_writable,
    file_sha256,
    make_provenance,
    output_folder,
    read_result,
    result_text,
)
from rigcheck.records.day_file import read_day
from rigcheck.records.day_state import STATE_NAME, InputPrint, StepMade, day_state_text, read_day_state
from rigcheck.report import ProgressSink, SilentProgress
from rigcheck.report.day_page import day_page

# Written by `write_day`; those of an earlier run of a day are written anew.
OUTPUTS = ("result.json", "report.html")

__all__ = ["OUTPUTS", "DayResult", "DayShown", "day", "keeping", "kept_words", "write_day"]


@dataclass(frozen=True, kw_only=True, eq=False)
class DayResult:
    """How the day went (`run`) and what the checks make of it (`report`)."""

    run: DayRun
    report: Report
    inputs: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class DayShown:
    """How a day is shown while it runs.

    `progress` opens what shows the work of one step; `told` is given each step's outcome with its number and how many
    there are.
    """

    progress: Callable[[], AbstractContextManager[ProgressSink]] = lambda: nullcontext(SilentProgress())
    told: Callable[[int, int, StepOutcome], None] = lambda number, total, outcome: None


@dataclass(kw_only=True, eq=False)
class _Work:
    """A day while it runs: what is known of the steps in the folder, and how those so far went."""

    place: DayPlace
    runners: Mapping[StepCommand, Runner]
    made: dict[str, StepMade]
    outcomes: dict[str, StepOutcome] = field(default_factory=dict)

    def save(self) -> None:
        """Write down what is known, whole."""
        with output_folder(self.place.out, replace=True) as folder:
            folder.write_text(STATE_NAME, day_state_text(self.made))


def day(
    path: str | Path,
    out: str | Path,
    *,
    replace_earlier: bool = False,
    shown: DayShown | None = None,
    runners: Mapping[StepCommand, Runner] = RUNNERS,
) -> DayResult:
    """Run the steps of a shoot day that are new or changed, each into a folder of its name in `out`.

    Parameters
    ----------
    path : str or Path
        Day file: see :func:`rigcheck.records.day_file.read_day`.
    out : str or Path
        Its parent must exist. What each step was made from is kept there too.
    replace_earlier : bool
        Whether results of an earlier run may be replaced where a step must run again.
    shown : DayShown, optional
    runners : mapping, optional
        What runs each command.

    Returns
    -------
    DayResult
        A step that could not be measured stops no other but those that use it. The day's own page is not written; see
        :func:`write_day`.

    Raises
    ------
    RigcheckError
        SchemaError or ConfigError for the day file; OutputError when `out` cannot be written, or results would be
        replaced without leave.
    """
    path, shown = Path(path), shown or DayShown()
    plan = read_day(path)
    place = DayPlace.of(path, plan, Path(out))
    refuse_outside(plan, place)
    inputs = tuple(dict.fromkeys((str(path), *_read_by(plan.steps, place))))
    made = _known(place.out, inputs, replace_earlier)
    with shown.progress() as sink:
        decisions = decide(plan, place, made, sink.track("Looking for what changed"))
    refuse_to_replace(decisions, made, place, replace=replace_earlier)
    work = _Work(place=place, runners=runners, made=made)
    work.save()
    for number, step in enumerate(plan.steps, start=1):
        outcome = _outcome(decisions[step.name], work, shown, replace_earlier)
        work.outcomes[step.name] = outcome
        shown.told(number, len(plan.steps), outcome)
    run = DayRun(title=plan.title, outcomes=tuple(work.outcomes.values()), notes=_notes(work))
    return DayResult(run=run, report=_report(run, path, place), inputs=inputs)


def write_day(result: DayResult, out: str | Path) -> None:
    """Write the day's result.json and report.html, both or none, over those of an earlier run of a day.

    Raises
    ------
    OutputError
        When the folder cannot be written.
    """
    with output_folder(out, replace=True, inputs=result.inputs) as folder:
        folder.write_text("result.json", result_text(result.report))
        folder.write_text("report.html", day_page(result.report, result.run))


def _known(out: Path, inputs: tuple[str, ...], replace_earlier: bool) -> dict[str, StepMade]:
    """What an earlier run left in the folder; refuse one that holds results of something else."""
    ours = (out / STATE_NAME).is_file()
    check_writable(out, replace=replace_earlier or ours, protects=(*OUTPUTS, STATE_NAME), inputs=inputs)
    return read_day_state(out)


def _read_by(steps: tuple[DayStep, ...], place: DayPlace) -> list[str]:
    """Files and folders that the steps name."""
    own = [place.base / written for step in steps for written in (*step.files.values(), *step.points)]
    return [*map(str, own), *(one for step in steps for one in footage_paths(*place.footage(step)))]


def _outcome(decision: Decision, work: _Work, shown: DayShown, replace_earlier: bool) -> StepOutcome:
    step = decision.step
    held = _held_back(step, work.outcomes)
    if held is not None:
        return held
    if decision.fault is not None:
        return _not_measured(step, decision.fault, work)
    if not decision.runs:
        report = read_result(work.place.out / step.name / "result.json")
        return StepOutcome(step=step, state="unchanged", report=report, message=report.provenance.created)
    begun = step.name in work.made and not work.made[step.name].done
    try:
        inputs = input_prints(step, work.place, decision.inputs, with_steps=True)
        _note(work, step, inputs, done=False)
        with shown.progress() as sink:
            report = work.runners[step.command](_order(step, work, replace_earlier or begun, sink))
    except RigcheckError as fault:
        return _not_measured(step, fault, work)
    _note(work, step, inputs, done=True)
    return StepOutcome(step=step, state="measured", report=report, message=decision.why)


def _order(step: DayStep, work: _Work, again: bool, sink: ProgressSink) -> StepOrder:
    folder = work.place.out / step.name
    files = work.place.files(step)
    footage = work.place.footage(step)
    check_writable(folder, replace=True, inputs=[*files.values(), *footage_paths(*footage)])
    return StepOrder(
        step=step,
        footage=footage,
        files=files,
        points=tuple(work.place.base / one for one in step.points),
        folder=folder,
        replace=again,
        progress=sink,
    )


def _note(work: _Work, step: DayStep, inputs: Mapping[str, InputPrint], *, done: bool) -> None:
    """Keep what a step is made from, before it runs and after."""
    work.made[step.name] = StepMade(
        command=step.command,
        done=done,
        program=program_version(),
        options=options_of(step),
        inputs=inputs,
        outputs=files_made(step, work.place.out / step.name) if done else {},
    )
    work.save()


def _held_back(step: DayStep, outcomes: Mapping[str, StepOutcome]) -> StepOutcome | None:
    """A step that waits for what another could not give; a failed fitting's record is as good as any."""
    for what, name in step.from_steps.items():
        report = outcomes[name].report
        if report is None:
            return StepOutcome(
                step=step,
                state="held back",
                message=f"It uses {name!r} as its {_words(what)}, which could not be measured.",
                hint=f"Mend {name!r} first, then run the day again.",
            )
        if report.verdict == "fail" and what != "record" and not step.even_if_failed:
            return StepOutcome(
                step=step,
                state="held back",
                message=f"It uses {name!r} as its {_words(what)}, which failed.",
                hint=f"Mend {name!r} first; or say even_if_failed: true in this step, and read its report with that in "
                "mind.",
            )
    return None


def _words(what: str) -> str:
    return {"approved": "approved fitting", "end_calibration": "calibration at the end"}.get(what, what)


def _not_measured(step: DayStep, fault: RigcheckError, work: _Work) -> StepOutcome:
    earlier = (work.place.out / step.name / "result.json").is_file()
    kept = " Results of an earlier run still lie in its folder and are not counted." if earlier else ""
    return StepOutcome(
        step=step, state="not measured", message=f"{fault.message}{kept}", hint=_sentence(fault.hint)
    )


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _notes(work: _Work) -> tuple[str, ...]:
    gone = [name for name in work.made if name not in work.outcomes]
    if not gone:
        return ()
    return (f"Results of steps that the day file no longer lists lie in this folder: {', '.join(gone)}.",)


def _report(run: DayRun, path: Path, place: DayPlace) -> Report:
    # The steps' own limits stand in their results.
    limits = tuple(limit for limit in effective_limits() if limit.name.startswith("day."))
    checks = run_checks(DAY_CHECKS, run, Limits(limits))
    made = [outcome.step.name for outcome in run.outcomes if outcome.report is not None]
    hashes = {f"{name}/result.json": file_sha256(place.out / name / "result.json") for name in made}
    return Report(
        command="day",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=_measurements(run),
        rejected=(),
        limits=limits,
        provenance=make_provenance(
            "day",
            inputs={str(path): file_sha256(path)} | hashes,
            options={"day": str(path), "title": run.title},
        ),
        notes=(*_told(run), *run.notes),
    )


def _told(run: DayRun) -> list[str]:
    return [
        f"{outcome.step.name}: {outcome.state}. {outcome.message} {outcome.hint}"
        for outcome in run.outcomes
        if outcome.report is None
    ]


def _measurements(run: DayRun) -> dict[str, Estimate]:
    total = len(run.outcomes)
    counts = {
        state: sum(outcome.state == state for outcome in run.outcomes)
        for state in ("measured", "unchanged", "not measured", "held back")
    }
    return {
        f"day.{state.replace(' ', '_')}": Estimate(value=float(count), unit="steps", n=total)
        for state, count in counts.items()
    }
