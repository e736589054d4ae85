"""The demo day's steps in order: each runs one command's job on its footage, and says what was planted and found."""

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from rigcheck.demo import day_found as found
from rigcheck.demo.day_filming import Filming, pieces_of_day
from rigcheck.demo.day_found import Planted
from rigcheck.demo.day_plan import CODE_NAME, LOOKS, TRIES, DayPlan, Try
from rigcheck.jobs.audit import AuditInputs, audit, write_audit
from rigcheck.jobs.calibrate import CalibrationResult, calibrate, write_calibration
from rigcheck.jobs.compare import compare, write_comparison
from rigcheck.jobs.fitting import FittingInputs, fitting, write_fitting
from rigcheck.jobs.handover import check_handover, handover
from rigcheck.jobs.history import history, write_history
from rigcheck.jobs.picks import PicksInputs, picks, write_picks
from rigcheck.jobs.verify import verify, write_verification
from rigcheck.model import Report
from rigcheck.report import ProgressSink

__all__ = ["DayStep", "morning_calibration", "steps_after_morning"]

HANDOVER = "handover"


@dataclass(frozen=True, kw_only=True, eq=False)
class DayStep:
    """One step: when, what was planted and found, and where its report lies.

    `command` is what a technician types for it in the demo's folder; `page` the page to open, relative to that folder.
    `report` is None for the handover, which judges nothing.
    """

    name: str
    title: str
    command: str
    planted: tuple[Planted, ...]
    page: str
    report: Report | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Day:
    """What all steps share."""

    plan: DayPlan
    filming: Filming
    progress: ProgressSink

    @property
    def rig(self) -> Path:
        """The rig file."""
        return self.plan.footage("board-morning") / "rig.yaml"

    @property
    def board(self) -> Path:
        """The board file."""
        return self.plan.footage("board-morning") / "board.yaml"

    def calibration(self, when: str = "morning") -> Path:
        """A calibration file of the day."""
        return self.plan.out(f"calibration-{when}") / "calibration.yaml"

    def typed(self, *words: object) -> str:
        """A command line as typed in the demo's folder."""
        return " ".join(["rigcheck", *(_typed(self.plan.folder, word) for word in words)])


def _typed(folder: Path, word: object) -> str:
    return os.path.relpath(word, folder) if isinstance(word, Path) else str(word)


def morning_calibration(
    plan: DayPlan, progress: ProgressSink, *, first: Path, second: Path, board: Path, rig: Path
) -> tuple[CalibrationResult, DayStep]:
    """Calibrate from the morning's clips and hold the result against the truth.

    Raises
    ------
    RigcheckError
    """
    result = calibrate(first, second, board=board, rig=rig, progress=progress)
    out = plan.out("calibration-morning")
    write_calibration(result, out, replace_earlier=plan.again)
    words = [
        _typed(plan.folder, word) for word in (first, second, "--board", board, "--rig", rig, "--out", out)
    ]
    step = DayStep(
        name="calibration-morning",
        title="Calibration in the morning",
        command=" ".join(["rigcheck calibrate", *words]),
        planted=(found.calibrated(result, plan.shoot, "the rig as it was built"),),
        page="results/calibration-morning/report.html",
        report=result.report,
    )
    return result, step


def steps_after_morning(day: Day) -> Iterator[DayStep]:
    """Run the rest of the day, step by step, each as soon as its footage is there.

    Raises
    ------
    RigcheckError
    """
    for fit, title in zip(TRIES, ("Fitting, first try", "Fitting, mended"), strict=True):
        yield _fitting(day, fit, title)
    rest: tuple[Callable[[Day], DayStep], ...] = (
        _picks,
        lambda day: _verify(day, "morning", "Board before the first take"),
        lambda day: _verify(day, "midday", "Board at midday, after take_04"),
        lambda day: _verify(day, "evening", "Board after the last take"),
        _evening_calibration,
        _compare,
        _audit,
        _history,
        _handover,
    )
    for step in rest:
        yield step(day)


def _step(
    day: Day, name: str, title: str, command: str, report: Report, planted: tuple[Planted, ...]
) -> DayStep:
    return DayStep(
        name=name,
        title=title,
        command=command,
        planted=planted,
        page=f"results/{name}/report.html",
        report=report,
    )


def _fitting(day: Day, fit: Try, title: str) -> DayStep:
    day.filming.wait(fit.name)
    clips, out = day.plan.pair(fit.name), day.plan.out(fit.name)
    first = fit is TRIES[0]
    record = None if first else day.plan.out(TRIES[0].name) / "performer.yaml"
    given = FittingInputs(
        rig=day.rig,
        calibration=day.calibration(),
        performer=record,
        code_name=CODE_NAME if first else None,
        looks=LOOKS,
    )
    result = fitting(*clips, given=given)
    write_fitting(result, out, replace_earlier=day.plan.again)
    who = ("--code-name", CODE_NAME, *_said_of_looks()) if record is None else ("--performer", record)
    command = day.typed(
        "fitting", *clips, "--rig", day.rig, "--calibration", day.calibration(), *who, "--out", out
    )
    planted = found.fitted_wrong(result.report) if first else (found.fitted_right(result.report),)
    return _step(day, fit.name, title, command, result.report, planted)


def _said_of_looks() -> list[str]:
    """The performer's looks as options."""
    said = {name: value for name, value in vars(LOOKS).items() if isinstance(value, bool)}
    return [
        word for name, value in said.items() for word in ("--looks", f"{name}={'yes' if value else 'no'}")
    ]


def _picks(day: Day) -> DayStep:
    day.filming.wait("picks")
    clips, out = day.plan.pair("picks", ".mp4"), day.plan.out("picks")
    approved = day.plan.out(TRIES[-1].name)
    given = PicksInputs(
        rig=day.rig,
        calibration=day.calibration(),
        approved=approved / "result.json",
        performer=approved / "performer.yaml",
    )
    result = picks(*clips, given=given)
    write_picks(result, out, replace_earlier=day.plan.again)
    command = day.typed(
        "picks", *clips, "--rig", day.rig, "--calibration", day.calibration(), "--approved", approved / "result.json",
        "--performer", approved / "performer.yaml", "--out", out,
    )  # fmt: skip
    return _step(
        day, "picks", "Neutral and bite picked", command, result.report, found.picked(result, day.plan.shoot)
    )


def _verify(day: Day, when: str, title: str) -> DayStep:
    name = f"verify-{when}"
    day.filming.wait(name)
    clips, out = day.plan.pair(name), day.plan.out(name)
    result = verify(*clips, calibration=day.calibration(), board=day.board, rig=day.rig, label="stand")
    write_verification(result, out, replace_earlier=day.plan.again)
    command = day.typed(
        "verify", *clips, "--calibration", day.calibration(), "--board", day.board, "--rig", day.rig,
        "--label", "stand", "--out", out,
    )  # fmt: skip
    return _step(
        day, name, title, command, result.report, (found.verified(result.report, knocked=when == "evening"),)
    )


def _evening_calibration(day: Day) -> DayStep:
    name = "calibration-evening"
    day.filming.wait(name)
    clips, out = day.plan.pair(name), day.plan.out(name)
    result = calibrate(*clips, board=day.board, rig=day.rig)
    write_calibration(result, out, replace_earlier=day.plan.again)
    command = day.typed("calibrate", *clips, "--board", day.board, "--rig", day.rig, "--out", out)
    planted = found.calibrated(result, day.plan.after_knock, "the rig as the knock left it")
    return _step(day, name, "Calibration in the evening", command, result.report, (planted,))


def _compare(day: Day) -> DayStep:
    both, out = (day.calibration(), day.calibration("evening")), day.plan.out("compare")
    result = compare(*both, rig=day.rig)
    write_comparison(result, out, replace_earlier=day.plan.again)
    command = day.typed("compare", *both, "--rig", day.rig, "--out", out)
    return _step(day, "compare", "Morning against evening", command, result.report, (found.compared(result),))


def _audit(day: Day) -> DayStep:
    day.filming.wait(*(name for name in pieces_of_day() if name.startswith("take_")))
    approved, out = day.plan.out(TRIES[-1].name), day.plan.out("audit")
    given = AuditInputs(
        calibration=day.calibration(),
        end_calibration=day.calibration("evening"),
        rig=day.rig,
        approved=approved / "result.json",
        performer=approved / "performer.yaml",
    )
    result = audit(day.plan.takes, given=given, progress=day.progress)
    write_audit(result, out, replace_earlier=day.plan.again)
    command = day.typed(
        "audit", day.plan.takes, "--calibration", day.calibration(), "--end-calibration", day.calibration("evening"),
        "--rig", day.rig, "--approved", approved / "result.json", "--performer", approved / "performer.yaml",
        "--out", out,
    )  # fmt: skip
    return _step(day, "audit", "Takes audited", command, result.report, found.audited(result))


def _history(day: Day) -> DayStep:
    results, out = day.plan.folder / "results", day.plan.out("history")
    result = history(results)
    write_history(result, out, replace_earlier=day.plan.again)
    command = day.typed("history", results, "--out", out)
    return _step(day, "history", "The rig over time", command, result.report, (found.remembered(result),))


def _handover(day: Day) -> DayStep:
    results, out = day.plan.folder / "results", day.plan.folder / HANDOVER
    made = handover(results, out, replace_earlier=day.plan.again)
    count, differ = check_handover(out)
    return DayStep(
        name=HANDOVER,
        title="Handed over",
        command=day.typed("handover", results, "--out", out),
        planted=(found.handed_over(made, count, differ),),
        page=f"{HANDOVER}/conventions.html",
        report=None,
    )
