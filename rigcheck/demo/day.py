"""The demo day: filmed, run step by step, and held against what was planted."""

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from rigcheck.demo.clips import calibration_shoot, write_calibration_clips
from rigcheck.demo.day_filming import filmed_ahead, make_folder
from rigcheck.demo.day_plan import DayPlan
from rigcheck.demo.day_steps import Day, DayStep, morning_calibration, steps_after_morning
from rigcheck.demo.truth import TruthRow, compare_with_truth
from rigcheck.errors import OutputError
from rigcheck.jobs.calibrate import CalibrationResult
from rigcheck.records import check_writable, output_folder
from rigcheck.report import ProgressSink, SilentProgress, format_value
from rigcheck.report.demo_page import ShownPlant, ShownStep, ShownTruth, demo_page, demo_sentence

__all__ = ["PAGE", "DemoDay", "run_demo"]

PAGE = "index.html"
# Pictures a second of the demo's cameras: enough for a hand-moved board, and half the time of 60 to render.
FRAME_RATE = 30.0


@dataclass(frozen=True, kw_only=True, eq=False)
class DemoDay:
    """The demo day, done: its steps in order, the morning's calibration, and that beside the truth."""

    folder: Path
    result: CalibrationResult
    rows: tuple[TruthRow, ...]
    steps: tuple[DayStep, ...]

    @property
    def right(self) -> bool:
        """Whether all that was planted was found, and nothing else."""
        return all(plant.right for step in self.steps for plant in step.planted)

    @property
    def sentence(self) -> str:
        """The plain verdict."""
        return demo_sentence(_shown(self.steps))


def run_demo(
    folder: str | Path,
    *,
    seconds: float,
    seed: int,
    replace: bool = False,
    progress: ProgressSink | None = None,
    on_step: Callable[[DayStep], None] = lambda step: None,
) -> DemoDay:
    """Render an invented shoot day into `folder`, run the job on it, and write the page that links every report.

    Parameters
    ----------
    folder : str or Path
        New, or with `replace` one of an earlier demo.
    seconds : float
        Length of the morning's two board clips.
    seed : int
        Of rig, motion and noise.
    replace : bool
    progress : ProgressSink, optional
    on_step : callable
        Called with each step as it ends.

    Returns
    -------
    DemoDay

    Raises
    ------
    OutputError
        When the folder cannot be written, or holds something already and `replace` is False.
    """
    folder, progress = Path(folder), progress or SilentProgress()
    if folder.is_dir() and any(folder.iterdir()) and not replace:
        raise OutputError(
            f"{folder}: the folder is not empty.",
            hint="give a new folder, or --replace to write over an earlier demo.",
        )
    check_writable(folder)
    with _saying_what_stays(folder):
        for each in (folder, folder / "footage", folder / "results"):
            make_folder(each)
        plan = DayPlan(
            folder=folder,
            shoot=calibration_shoot(seed, seconds=seconds, frame_rate=FRAME_RATE),
            again=replace,
        )
        result, steps = _run(plan, progress, on_step)
        rows = compare_with_truth(result.run.calibration, plan.shoot.day.truth)
        page = demo_page(_shown(steps), _truth(rows), seed=seed)
        with output_folder(folder, replace=True, protects=(PAGE,)) as out:
            out.write_text(PAGE, page)
    return DemoDay(folder=folder, result=result, rows=rows, steps=tuple(steps))


@contextmanager
def _saying_what_stays(folder: Path) -> Iterator[None]:
    """Let an OutputError of the block say that what was done is kept; folders that stay empty are removed."""
    new = not folder.exists()
    try:
        yield
    except OutputError as error:
        if any(path.is_file() for path in folder.rglob("*")):
            kept = f"What was done so far is kept in {folder}: --replace begins anew."
            raise OutputError(error.message, hint=f"{error.hint} {kept}") from error
        for path in (*sorted(folder.rglob("*"), reverse=True), *([folder] if new else [])):
            with suppress(OSError):
                path.rmdir()
        raise


def _run(
    plan: DayPlan, progress: ProgressSink, on_step: Callable[[DayStep], None]
) -> tuple[CalibrationResult, list[DayStep]]:
    """Film the day and run its steps: the morning's calibration, and all steps in order."""
    clips = write_calibration_clips(
        plan.footage("board-morning"),
        plan.shoot,
        replace=plan.again,
        progress=progress.track("Filming the board"),
    )
    steps: list[DayStep] = []
    with filmed_ahead(plan, progress=progress.track("Filming the rest of the day")) as filming:
        result, first = morning_calibration(
            plan,
            progress,
            first=clips.clips[0],
            second=clips.clips[1],
            board=clips.board_file,
            rig=clips.rig_file,
        )
        day = Day(plan=plan, filming=filming, progress=progress)
        for step in chain([first], steps_after_morning(day)):
            steps.append(step)
            on_step(step)
    return result, steps


def _shown(steps: list[DayStep] | tuple[DayStep, ...]) -> tuple[ShownStep, ...]:
    return tuple(
        ShownStep(
            title=step.title,
            command=step.command,
            page=step.page,
            report=step.report,
            planted=tuple(
                ShownPlant(what=plant.what, found=plant.found, right=plant.right) for plant in step.planted
            ),
        )
        for step in steps
    )


def _truth(rows: tuple[TruthRow, ...]) -> tuple[ShownTruth, ...]:
    return tuple(
        ShownTruth(
            name=row.name,
            estimate=format_value(row.estimate, row.sigma, row.unit),
            truth=f"{row.truth:.{_decimals(row.sigma)}f}".replace("-", "\u2212"),
            error_in_sigmas=row.error_in_sigmas if row.truth else None,
        )
        for row in rows
    )


def _decimals(sigma: float | None) -> int:
    """Digits after the point that a value with this sigma is printed with: two of the sigma's own."""
    return max(0, 1 - math.floor(math.log10(sigma))) if sigma else 0
