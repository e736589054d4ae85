"""From two calibration files to what differs, what it does on the face, and which to trust."""

from dataclasses import dataclass
from pathlib import Path

from rigcheck.checks import COMPARE_CHECKS, Limits, overall_verdict, run_checks
from rigcheck.drift.common_part import SourcedCalibration, prior_sha256
from rigcheck.drift.compare import Comparison, compare_calibrations
from rigcheck.drift.compare_harm import Viewing
from rigcheck.errors import ConfigError, RigcheckError
from rigcheck.jobs.beside import mounted_deg, report_beside, result_beside
from rigcheck.jobs.opening import limits_of
from rigcheck.model import Calibration, Report, RigDescription
from rigcheck.records import (
    file_sha256,
    make_provenance,
    output_folder,
    read_calibration,
    read_rig,
    result_text,
)
from rigcheck.report.compare_page import compare_page

# Written by `write_comparison`; an earlier run's are not replaced without being asked.
OUTPUTS = ("result.json", "report.html")

__all__ = ["OUTPUTS", "ComparisonResult", "compare", "write_comparison"]


@dataclass(frozen=True, kw_only=True, eq=False)
class ComparisonResult:
    """What was measured (`comparison`) and what the checks make of it (`report`)."""

    comparison: Comparison
    report: Report
    inputs: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Read:
    """One side as read, with what is to be said of its reading."""

    source: SourcedCalibration
    hashes: dict[str, str]
    notes: tuple[str, ...]


def compare(
    first: Calibration | str | Path,
    second: Calibration | str | Path,
    *,
    rig: RigDescription | str | Path | None = None,
) -> ComparisonResult:
    """Compare two calibrations of one rig.

    Parameters
    ----------
    first, second : Calibration or path of a calibration file
        Of the same cameras. A ``result.json`` of the same run beside a file is read too: it says which checks
        that calibration failed.
    rig : RigDescription or path of a rig file, optional
        Gives working distance, mounting and limits; without it those of the calibrations hold.

    Returns
    -------
    ComparisonResult
        Nothing is written; see :func:`write_comparison`.

    Raises
    ------
    RigcheckError
        InputError or SchemaError for a file that cannot be read; ConfigError when the two are not of the same
        cameras.
    """
    sides = [_read(one, word) for one, word in ((first, "first"), (second, "second"))]
    description = rig if isinstance(rig, RigDescription) or rig is None else read_rig(rig)
    prior, prior_notes = _prior(sides[0].source.calibration, sides[1].source.calibration)
    viewing, viewing_notes = _viewing(sides, description)
    comparison = compare_calibrations(sides[0].source, sides[1].source, prior=prior, viewing=viewing)
    limits = limits_of(description, rig)
    hashes = sides[0].hashes | sides[1].hashes
    if isinstance(rig, str | Path):
        hashes[str(rig)] = file_sha256(rig)
    checks = run_checks(COMPARE_CHECKS, comparison, Limits(limits))
    report = Report(
        command="compare",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=comparison.measurements,
        rejected=(),
        limits=limits,
        provenance=make_provenance(
            "compare", inputs=hashes, options=_options((first, second), sides, description, viewing)
        ),
        notes=(*sides[0].notes, *sides[1].notes, *prior_notes, *viewing_notes, *comparison.notes),
    )
    return ComparisonResult(comparison=comparison, report=report, inputs=tuple(hashes))


def write_comparison(result: ComparisonResult, out: str | Path, *, replace_earlier: bool = False) -> None:
    """Write result.json and report.html, both or none.

    Raises
    ------
    OutputError
        When the folder cannot be written, or holds an earlier result and `replace_earlier` is False.
    """
    with output_folder(out, replace=replace_earlier, protects=OUTPUTS, inputs=result.inputs) as folder:
        folder.write_text("result.json", result_text(result.report))
        folder.write_text("report.html", compare_page(result.report, result.comparison))


def _options(
    given: tuple[Calibration | str | Path, Calibration | str | Path],
    sides: list[_Read],
    rig: RigDescription | None,
    viewing: Viewing,
) -> dict[str, object]:
    return {
        "first": _named(given[0]),
        "second": _named(given[1]),
        "rig": None if rig is None else rig.name,
        "first_created": sides[0].source.calibration.created,
        "second_created": sides[1].source.calibration.created,
        "working_distance_mm": viewing.working_distance_mm,
        "mount_rotation_deg": viewing.upright_deg,
    }


def _named(one: Calibration | str | Path) -> str:
    return f"made {one.created}" if isinstance(one, Calibration) else str(one)


def _read(one: Calibration | str | Path, word: str) -> _Read:
    if isinstance(one, Calibration):
        return _Read(source=SourcedCalibration(calibration=one), hashes={}, notes=())
    calibration = read_calibration(one)
    hashes = {str(one): file_sha256(one)}
    beside = result_beside(one)
    report, notes = report_beside(beside, calibration, word)
    if report is not None:
        hashes[str(beside)] = file_sha256(beside)
    return _Read(
        source=SourcedCalibration(calibration=calibration, sha256=hashes[str(one)], report=report),
        hashes=hashes,
        notes=notes,
    )


def _prior(first: Calibration, second: Calibration) -> tuple[SourcedCalibration | None, tuple[str, ...]]:
    """Find the workshop prior that both used, where its file still is as it was."""
    digest = prior_sha256(first)
    if not digest or digest != prior_sha256(second):
        return None, ()
    for calibration in (first, second):
        path = Path(str(calibration.provenance.options["prior"]))
        try:
            if path.is_file() and file_sha256(path) == digest:
                return SourcedCalibration(calibration=read_calibration(path), sha256=digest), ()
        except RigcheckError as error:
            return None, (f"The workshop prior was not used: {error.message}",)
    return None, ()


def _viewing(sides: list[_Read], rig: RigDescription | None) -> tuple[Viewing, tuple[str, ...]]:
    """Working distance and mounting: of the rig file, else of the first calibration that says."""
    distances = [_distance(side.source) for side in sides]
    mounts = [mounted_deg(side.source.calibration) for side in sides]
    if rig is not None and len(rig.cameras) != len(sides[0].source.calibration.cameras):
        raise ConfigError(
            f"{rig.name}: the rig file describes {len(rig.cameras)} camera(s), the calibrations are of "
            f"{len(sides[0].source.calibration.cameras)}.",
            hint="give the rig file of this rig.",
        )
    known = [one for one in distances if one is not None]
    distance = known[0] if known else None
    if rig is not None and rig.working_distance_mm is not None:
        distance = rig.working_distance_mm
    upright = next((one for one in mounts if one is not None), 0)
    if rig is not None:
        upright = rig.cameras[0].mount_rotation_deg
    notes = []
    if len(known) == 2 and abs(known[0] - known[1]) > 1.0 and distance is not None:
        notes.append(
            f"Working distance: {known[0]:.0f} mm in the first, {known[1]:.0f} mm in the second; harm is computed "
            f"at {distance:.0f} mm."
        )
    if rig is None and all(one is None for one in mounts):
        notes.append(
            "How the cameras are mounted is not known; the face is taken to stand upright in the picture."
        )
    return Viewing(working_distance_mm=distance, upright_deg=upright), tuple(notes)


def _distance(source: SourcedCalibration) -> float | None:
    volume = source.calibration.face_volume
    if volume is not None:
        return volume.working_distance_mm
    found = None if source.report is None else source.report.measurements.get("views.working_distance_mm")
    return None if found is None else found.value
