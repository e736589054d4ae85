"""From a day's takes to whether the rig drifted, which takes suffer, and which calibration each should use."""

from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from threading import Thread

from rigcheck.checks import AUDIT_CHECKS, Limits, overall_verdict, run_checks
from rigcheck.errors import InputError, OutputError
from rigcheck.jobs.audit_day import run_of_day
from rigcheck.jobs.audit_inputs import AuditInputs, ReadAudit, read_audit
from rigcheck.jobs.audit_kept import keeping, kept_words
from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.jobs.audit_table import table_rows
from rigcheck.jobs.audit_work import WORK, default_workers, forget, measure_takes, unfinished
from rigcheck.jobs.opening import limits_of
from rigcheck.model import EffectiveLimit, Estimate, PerformerRecord, Report
from rigcheck.model.take import AuditRun
from rigcheck.records import make_provenance, output_folder, performer_text, result_text
from rigcheck.records.takes_table import takes_csv, takes_json
from rigcheck.report import ProgressSink, SilentProgress
from rigcheck.report.audit_page import audit_page

# Written by `write_audit`; an earlier run's are not replaced without being asked.
OUTPUTS = ("result.json", "report.html", "takes.csv", "takes.json")
_NOT_HASHED = (
    "The takes' own files were told apart by size, time of change and both ends; they were not hashed whole: handover "
    "does that."
)
_KEPT = ("geometry.", "pair.time_offset_ms", "pair.interpupillary_mm", "pair.epipolar_share", "frames.")

__all__ = [
    "OUTPUTS",
    "AuditInputs",
    "AuditResult",
    "audit",
    "default_workers",
    "keeping",
    "kept_words",
    "refuse_unfinished",
    "unfinished",
    "write_audit",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class AuditResult:
    """What was measured (`run`), what the checks make of it (`report`), and the performer's record if one was given."""

    run: AuditRun
    report: Report
    record: PerformerRecord | None
    inputs: tuple[str, ...]
    calibrations: dict[str, str | None]


def audit(
    takes: str | Path,
    *,
    given: AuditInputs | None = None,
    work: str | Path | None = None,
    progress: ProgressSink | None = None,
) -> AuditResult:
    """Tell whether a rig drifted during a shoot, which takes suffer, and which calibration each should use.

    Parameters
    ----------
    takes : str or Path
        A folder with one sub-folder a take, or a YAML list: see :func:`rigcheck.records.takes_file.read_takes`.
    given : AuditInputs, optional
    work : str or Path, optional
        Folder in which each take's record is kept as it is done: an audit called again with the same folder goes on.
    progress : ProgressSink, optional

    Returns
    -------
    AuditResult
        Nothing is written but to `work`; see :func:`write_audit`.

    Raises
    ------
    RigcheckError
        InputError when not one take can be read; ConfigError, SchemaError for what is given beside. A take that cannot
        be read among others is no error, but fails a check.
    """
    given, progress = given or AuditInputs(), progress or SilentProgress()
    read = read_audit(takes, given)
    limits = limits_of(read.rig, given.rig)
    new_folder = work is not None and not Path(work).parent.exists()
    # What the day is judged with takes a fifth of a second to load: meanwhile the takes are measured.
    Thread(target=import_module, args=("scipy.special",), daemon=True).start()
    records = measure_takes(
        _orders(read, given),
        work=None if work is None else Path(work),
        workers=given.workers or default_workers(),
        scheduler=given.scheduler,
        on_progress=progress.track("Measuring takes"),
    )
    if all(record.fault for record in records):
        first = records[0]
        if work is not None:
            forget(Path(work), with_parent=new_folder)
        raise InputError(
            f"{takes}: no take could be read. The first, {first.name}: {first.fault}", hint=first.hint
        )
    run = run_of_day(records, read, tolerance_mm=Limits(limits)["harm.depth_mm.caution"].value)
    run = replace(run, notes=(*read.notes, *run.notes, _NOT_HASHED))
    report = _report(run, limits, read, str(takes), given)
    touched = dict.fromkeys((str(takes), *given.files, *(one for take in read.takes for one in take.footage)))
    return AuditResult(
        run=run,
        report=report,
        record=_as_of(read, report),
        inputs=tuple(touched),
        calibrations={
            "start": read.sha256(given.calibration) or None,
            "end": read.sha256(given.end_calibration) or None,
        },
    )


def _orders(read: ReadAudit, given: AuditInputs) -> list[TakeOrder]:
    return [
        TakeOrder(
            take=take,
            cameras=read.cameras,
            calibration=read.calibration,
            rig=read.rig,
            looks=read.looks,
            pictures=given.pictures,
            calibration_sha256=read.sha256(given.calibration),
            rig_sha256=read.sha256(given.rig),
        )
        for take in read.takes
    ]


def write_audit(result: AuditResult, out: str | Path, *, replace_earlier: bool = False) -> None:
    """Write result.json, report.html, takes.csv and takes.json (and performer.yaml), all or none.

    Raises
    ------
    OutputError
        When the folder cannot be written, or holds an earlier result and `replace_earlier` is False.
    """
    rows = table_rows(result.run, Limits(result.report.limits))
    with output_folder(out, replace=replace_earlier, protects=OUTPUTS, inputs=result.inputs) as folder:
        folder.write_text("result.json", result_text(result.report))
        folder.write_text("report.html", audit_page(result.report, result.run, rows))
        folder.write_text("takes.csv", takes_csv(rows))
        created = result.report.provenance.created
        folder.write_text("takes.json", takes_json(rows, created=created, calibrations=result.calibrations))
        if result.record is not None:
            folder.write_text("performer.yaml", performer_text(result.record))


def refuse_unfinished(out: Path, *, resume: bool, replace: bool) -> Path:
    """Return the work folder of an output folder, which the first measured take makes; cleared for a fresh start.

    Raises
    ------
    OutputError
        When records of an audit lie there and neither going on nor starting anew was asked for.
    """
    work = out / WORK
    count = unfinished(work)
    if count and not resume and not replace:
        raise OutputError(
            f"{work}: {count} measured takes of an earlier audit found.",
            hint="add --resume to go on from them, --replace to start anew, or choose another folder with --out.",
        )
    try:
        if count and not resume:
            for one in work.glob("*.json"):
                one.unlink()
    except OSError as error:
        raise OutputError(
            f"{work}: cannot be written ({error.strerror or error}).",
            hint="choose another folder with --out.",
        ) from error
    return work


def _as_of(read: ReadAudit, report: Report) -> PerformerRecord | None:
    if read.record is None:
        return None
    line = f"{report.provenance.created} audit of {len(read.takes)} takes: {report.verdict}"
    return replace(read.record, notes=(*read.record.notes, line))


def _report(
    run: AuditRun, limits: tuple[EffectiveLimit, ...], read: ReadAudit, typed: str, given: AuditInputs
) -> Report:
    checks = run_checks(AUDIT_CHECKS, run, Limits(limits))
    options = given.options | {
        "takes": typed,
        "calibration_created": None if read.calibration is None else read.calibration.created,
        "rig_name": None if read.rig is None else read.rig.name,
    }
    return Report(
        command="audit",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=_measurements(run),
        rejected=(),
        limits=limits,
        provenance=make_provenance("audit", inputs=read.hashes, options=options),
        notes=run.notes,
    )


def _measurements(run: AuditRun) -> dict[str, Estimate]:
    """The day's numbers, then each take's that are followed over the day, the take's name before them."""
    out = dict(run.numbers)
    for record in run.records:
        if record.fault:
            continue
        place = run.day_index(record.name)
        if run.day is not None and place is not None:
            out[f"{record.name}.harm_depth_mm"] = run.day.harm_mm[place]
        kept = {name: each for name, each in record.measurements.items() if name.startswith(_KEPT)}
        for name, number in (kept | dict(run.changes.get(record.name, {}))).items():
            out[f"{record.name}.{name}"] = number
    return out
