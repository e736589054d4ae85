"""From a folder of results to how each rig behaved over time."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from rigcheck.checks import HISTORY_CHECKS, Limits, effective_limits, overall_verdict, run_checks
from rigcheck.checks.history_words import events_of
from rigcheck.drift.history import History, build_history
from rigcheck.drift.run_record import RunRecord, clean, run_record
from rigcheck.errors import ConfigError, InputError, RigcheckError
from rigcheck.model import EffectiveLimit, Estimate, Report
from rigcheck.records import make_provenance, output_folder, read_result, result_text
from rigcheck.records.result_folder import find_results
from rigcheck.report import ProgressSink, SilentProgress
from rigcheck.report.history_page import history_page
from rigcheck.report.history_table import history_csv

# Written by `write_history`; an earlier run's are not replaced without being asked.
OUTPUTS = ("result.json", "report.html", "history.csv")
_MOST_EVENTS = 99
_DAYS = "history.days_unverified.caution"

__all__ = ["OUTPUTS", "HistoryResult", "history", "write_history"]


@dataclass(frozen=True, kw_only=True, eq=False)
class HistoryResult:
    """All results in order (`history`) and what the checks make of them (`report`)."""

    history: History
    report: Report
    inputs: tuple[str, ...]


def history(
    folder: str | Path,
    *,
    days: float | None = None,
    now: datetime | None = None,
    progress: ProgressSink | None = None,
) -> HistoryResult:
    """Read every result under a folder and tell how each rig behaved.

    Parameters
    ----------
    folder : str or Path
        Holds result.json files of `calibrate` and `verify`, at any depth.
    days : float, optional
        Days after which a rig that was not looked at is cautioned; seven when not given.
    now : datetime, optional
        With a zone; this moment when not given.
    progress : ProgressSink, optional

    Returns
    -------
    HistoryResult
        Nothing is written; see :func:`write_history`. Files that cannot be read are named in it.

    Raises
    ------
    InputError
        When the folder cannot be read, or holds no result of `calibrate` or `verify` at all.
    ConfigError
        When `days` is not positive.
    """
    limits = effective_limits(_overrides(days), origin="--days")
    now = now or datetime.now().astimezone()
    found = find_results(folder)
    track = (progress or SilentProgress()).track("Reading results")
    records: list[RunRecord] = []
    skipped = [(clean(one.path), clean(one.reason)) for one in found.skipped]
    n_other = 0
    for number, path in enumerate(found.paths):
        track(number, len(found.paths))
        try:
            record = _read(Path(folder), path)
        except (RigcheckError, ValueError) as error:
            skipped.append((clean(path), clean(_reason(error, Path(folder), path))))
            continue
        if record is None:
            n_other += 1
        else:
            records.append(record)
    track(len(found.paths), len(found.paths))
    if not records:
        raise InputError(
            f"{folder}: no result of calibrate or verify found ({len(skipped)} unusable, {n_other} of other commands, "
            f"{found.foreign} other JSON files); at least one needed.",
            hint="give a folder under which the output folders of calibrate and verify lie.",
        )
    story = replace(
        build_history(records, now=now), skipped=tuple(skipped), n_foreign=found.foreign, n_other=n_other
    )
    return HistoryResult(history=story, report=_report(story, limits, folder, days), inputs=(str(folder),))


def write_history(result: HistoryResult, out: str | Path, *, replace_earlier: bool = False) -> None:
    """Write result.json, report.html and history.csv, all or none.

    Raises
    ------
    OutputError
        When the folder cannot be written, or holds an earlier result and `replace_earlier` is False.
    """
    with output_folder(out, replace=replace_earlier, protects=OUTPUTS, inputs=result.inputs) as folder:
        folder.write_text("result.json", result_text(result.report))
        folder.write_text("report.html", history_page(result.report, result.history))
        folder.write_text("history.csv", history_csv(result.history))


def _overrides(days: float | None) -> Mapping[str, float]:
    if days is None:
        return {}
    if not days > 0:
        raise ConfigError(
            f"days: {days:g} found, a positive number needed.", hint="give for example --days 3."
        )
    return {_DAYS: days}


def _read(folder: Path, path: str) -> RunRecord | None:
    return run_record(read_result(folder / path), path)


def _reason(error: Exception, folder: Path, path: str) -> str:
    """What an error says, without the path that stands before it."""
    if not isinstance(error, RigcheckError):
        return "its time cannot be read"
    return error.message.removeprefix(str(folder / path)).lstrip(": ").rstrip(".")


def _report(
    story: History, limits: tuple[EffectiveLimit, ...], folder: str | Path, days: float | None
) -> Report:
    checks = run_checks(HISTORY_CHECKS, story, Limits(limits))
    return Report(
        command="history",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=_measurements(story),
        rejected=(),
        limits=limits,
        provenance=make_provenance("history", inputs={}, options={"folder": str(folder), "days": days}),
        notes=_notes(story),
    )


def _measurements(story: History) -> dict[str, Estimate]:
    events = events_of(story)
    n = sum(len(rig.records) for rig in story.rigs)
    out = {
        "history.rigs": Estimate(value=float(len(story.rigs)), n=n),
        "history.results": Estimate(value=float(n), n=n),
        "history.copies": Estimate(value=float(len(story.copies)), n=n),
        "history.skipped": Estimate(value=float(len(story.skipped)), n=n),
    }
    for kind in ("step", "ramp", "warm-up"):
        out[f"history.{kind.replace('-', '_')}s"] = Estimate(
            value=float(sum(event.kind == kind for event in events)), n=n
        )
    for number, event in enumerate(events[:_MOST_EVENTS], start=1):
        name = f"{event.rig}.{event.series.quantity}.{event.kind.replace('-', '_')}_{number:02d}"
        out |= {name: event.size, f"{name}_harm_mm": event.harm}
    for rig in story.rigs:
        out[f"{rig.name}.days_since"] = Estimate(value=story.days_since(rig), unit="days", n=len(rig.records))
    return out


def _notes(story: History) -> tuple[str, ...]:
    out = [f"{event.rig}: {event.sentence}" for event in events_of(story)]
    out += [f"{path}: skipped, {reason}." for path, reason in story.skipped[50:]]
    if story.copies:
        out.append(
            f"{len(story.copies)} file(s) are copies of other results, or of the same footage as later ones, and are "
            "not counted."
        )
    return tuple(out)
