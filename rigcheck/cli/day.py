"""The command `day`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rigcheck.cli.shared import JsonTo, Out, end, say
from rigcheck.errors import Ended

if TYPE_CHECKING:
    from rigcheck.model.day import StepOutcome

__all__ = ["day"]


def day(
    file: Annotated[Path, typer.Argument(metavar="DAY", help="Day file: the steps of a shoot day (YAML).")],
    *,
    out: Out,
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Replace earlier results in DIR where a step must run again."),
    ] = False,
    json_to: JsonTo = None,
) -> None:
    """Run the steps of a shoot day as a file lists them.

    Calibrates, verifies, fits, picks and audits; what is unchanged is not run again.
    """
    from rigcheck.checks import day_exit_code
    from rigcheck.jobs import day as job
    from rigcheck.report import progress
    from rigcheck.report.day_page import step_lines

    shown = job.DayShown(progress=progress, told=_tell)
    try:
        with job.keeping(out):
            result = job.day(file, out, replace_earlier=replace, shown=shown)
            job.write_day(result, out)
    except KeyboardInterrupt:
        if not (kept := job.kept_words(out)):
            raise
        say(f"Interrupted. {kept}", err=True)
        raise Ended from None
    numbers = step_lines(result.run.outcomes)
    code = day_exit_code(result.run, result.report.verdict)
    end(result.report, out, job.OUTPUTS, numbers=numbers, json_to=json_to, code=code)


def _tell(number: int, total: int, outcome: "StepOutcome") -> None:
    from rigcheck.report.day_page import step_words

    say(f"{number} of {total}, {outcome.step.name}: {step_words(outcome)}", err=True)
