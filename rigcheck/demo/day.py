"""The demo day: board footage calibrated and held against its truth, then a fitting and a knock found."""

import math
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

from rigcheck.demo.clips import DemoClips, calibration_shoot, write_calibration_clips
from rigcheck.demo.rest_of_day import N_STEPS, DayStep, rest_of_day
from rigcheck.demo.truth import TruthRow, compare_with_truth
from rigcheck.errors import OutputError
from rigcheck.jobs.calibrate import OUTPUTS, CalibrationResult, calibrate, write_calibration
from rigcheck.records import check_writable
from rigcheck.report import STATUS_WORDS, ProgressSink, SilentProgress, format_value, terminal_table

__all__ = ["DemoDay", "run_demo"]

# Pictures a second of the demo's cameras: enough for a hand-moved board, and half the time of 60 to render.
FRAME_RATE = 30.0


@dataclass(frozen=True, kw_only=True, eq=False)
class DemoDay:
    """The demo day, done: its footage, its calibration, both beside the truth, and the steps that followed."""

    folder: Path
    footage: DemoClips
    result: CalibrationResult
    rows: tuple[TruthRow, ...]
    steps: tuple[DayStep, ...]

    def show(self, console: Console | None = None) -> None:
        """Print the calibration's table, estimate beside truth, and what was planted and found after it."""
        console = console or Console()
        terminal_table(self.result.report, self.result.run, console=console)
        table = Table(title="Estimate and truth", title_justify="left")
        for heading in ("Quantity", "Estimate ± sigma", "Truth", "Error / sigma"):
            table.add_column(heading, justify="left" if heading == "Quantity" else "right", no_wrap=True)
        for row in self.rows:
            ratio = row.error_in_sigmas
            table.add_row(
                row.name,
                format_value(row.estimate, row.sigma, row.unit),
                f"{row.truth:.{_decimals(row.sigma)}f}",
                "" if ratio is None or row.truth == 0 else f"{ratio:+.1f}",
            )
        console.print(table)
        console.print()
        for step in self.steps:
            report = step.result.report
            console.print(f"{step.name}, planted: {step.planted}", soft_wrap=True, markup=False)
            console.print(
                f"  found: {STATUS_WORDS[report.verdict]}. {self._found(step)}", soft_wrap=True, markup=False
            )
        console.print()
        for folder in (self.folder / "calibration", *(step.folder for step in self.steps)):
            console.print(f"Report to open in a browser: {folder / 'report.html'}", soft_wrap=True)

    @staticmethod
    def _found(step: DayStep) -> str:
        """What the worst checks say: all that failed, else the first of the worst."""
        order = ("fail", "inconclusive", "caution", "pass", "skipped")
        checks = step.result.report.checks
        failed = [check.message for check in checks if check.status == "fail"]
        return " ".join(failed) or min(checks, key=lambda check: order.index(check.status)).message


def _decimals(sigma: float | None) -> int:
    """Digits after the point that a value with this sigma is printed with: two of the sigma's own."""
    return max(0, 1 - math.floor(math.log10(sigma))) if sigma else 0


def run_demo(
    folder: str | Path,
    *,
    seconds: float,
    seed: int,
    replace: bool = False,
    progress: ProgressSink | None = None,
) -> DemoDay:
    """Render the demo's footage into `folder`, calibrate from it and compare with the truth.

    Parameters
    ----------
    folder : str or Path
        New, or with `replace` one of an earlier demo.
    seconds : float
        Length of the two board clips.
    seed : int
        Of rig, motion and noise.
    replace : bool
    progress : ProgressSink, optional

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
    folder.mkdir(exist_ok=True)
    out = folder / "calibration"
    check_writable(out, replace=replace, protects=OUTPUTS)
    footage = write_calibration_clips(
        folder / "board-footage",
        calibration_shoot(seed, seconds=seconds, frame_rate=FRAME_RATE),
        replace=replace,
        progress=progress.track("Rendering the board footage"),
    )
    result = calibrate(
        footage.clips[0],
        footage.clips[1],
        board=footage.board_file,
        rig=footage.rig_file,
        progress=progress,
    )
    write_calibration(result, out, replace_earlier=replace)
    rows = compare_with_truth(result.run.calibration, footage.shoot.day.truth)
    steps, track = [], progress.track("Fitting, and the board again after a knock")
    for step in rest_of_day(folder, footage, replace_earlier=replace):
        steps.append(step)
        track(len(steps), N_STEPS)
    return DemoDay(folder=folder, footage=footage, result=result, rows=rows, steps=tuple(steps))
