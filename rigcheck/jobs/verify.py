"""From a few seconds of the board to whether the rig still is the one that was calibrated."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from rigcheck.calibration.focus import focus_measurements
from rigcheck.checks import VERIFY_CHECKS, Limits, overall_verdict, run_checks
from rigcheck.checks.verification_words import ONE_CAMERA_BLIND, PAIR_BLIND
from rigcheck.drift.same_rig import refuse_other_rig
from rigcheck.drift.same_setup import (
    refuse_other_cameras,
    refuse_other_rig_file,
    refuse_other_setup,
    same_board,
)
from rigcheck.drift.sensors import sensor_measurements, sensors_today
from rigcheck.drift.stored import StoredRig, stored_rig
from rigcheck.drift.verification import Verification, verification
from rigcheck.geometry.board_views import usable_views
from rigcheck.geometry.robust import HUBER_WIDTH, TUKEY_WIDTH
from rigcheck.jobs.beside import mounted_deg, report_beside, result_beside
from rigcheck.jobs.inspecting import Looked
from rigcheck.jobs.looking import refuse_other_board
from rigcheck.jobs.opening import (
    OpenedFootage,
    PairingChoice,
    camera_light,
    camera_setup,
    footage_paths,
    limits_of,
    number_of_cameras,
    open_footage_of,
    refuse_proxy,
)
from rigcheck.jobs.refusing import refuse_exchanged_names, refuse_sizes
from rigcheck.jobs.verify_looking import ENOUGH_GLANCES, MOST_GLANCES, MOST_LOOKS, look_quickly
from rigcheck.model import (
    BoardSpec,
    Calibration,
    CalibrationRun,
    EffectiveLimit,
    Estimate,
    Provenance,
    Report,
    RigDescription,
)
from rigcheck.records import (
    file_sha256,
    make_provenance,
    output_folder,
    read_board,
    read_calibration,
    read_rig,
    result_text,
)
from rigcheck.report.progress import ProgressSink, SilentProgress
from rigcheck.report.verify_page import verify_page

# Written by `write_verification`; an earlier run's are not replaced without being asked.
OUTPUTS = ("result.json", "report.html")

__all__ = ["OUTPUTS", "VerificationResult", "verify", "write_verification"]


@dataclass(frozen=True, kw_only=True, eq=False)
class VerificationResult:
    """What was measured (`run`) and what the checks make of it (`report`)."""

    run: Verification
    report: Report
    inputs: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Asked:
    """What was given, read."""

    stored: StoredRig
    rig: RigDescription | None
    limits: tuple[EffectiveLimit, ...]
    hashes: dict[str, str]
    notes: tuple[str, ...]
    calibrated: Report | None


def verify(
    footage1: str | Path,
    footage2: str | Path | None = None,
    *,
    calibration: Calibration | str | Path,
    board: BoardSpec | str | Path,
    rig: RigDescription | str | Path | None = None,
    pairing: PairingChoice | None = None,
    label: str | None = None,
    progress: ProgressSink | None = None,
) -> VerificationResult:
    """Tell whether a rig still is the one that was calibrated, and what it costs on the face if not.

    Parameters
    ----------
    footage1, footage2 : str or Path
        FOOTAGE of each camera with the board held before it, as for :func:`rigcheck.calibrate`; one pair of pictures is
        enough to say something, six poses are enough to decide.
    calibration : Calibration or path of a calibration file
        A ``result.json`` of the same run beside the file is read too: it knows where the plane of focus was.
    board : BoardSpec or path of a board file
        The board that the rig was calibrated with.
    rig : RigDescription or path of a rig file, optional
        Working distance, mounting, limits, transfer curve.
    pairing : PairingChoice, optional
    label : str, optional
        How the rig was used, such as "worn" or "stand": kept with the result, so that the two are told apart later.
    progress : ProgressSink, optional

    Returns
    -------
    VerificationResult
        Nothing is written; see :func:`write_verification`.

    Raises
    ------
    RigcheckError
        InputError, SchemaError, BoardError, ConfigError or EstimationError: where, what was found, what was needed,
        what to do. Another picture size, rate, board or rig than the calibration's, and exchanged clips, are errors.
    """
    progress = progress or SilentProgress()
    asked = _read(calibration, board, rig)
    stored, calibrated = asked.stored, asked.stored.calibration
    first, second = str(footage1), None if footage2 is None else str(footage2)
    footage = _open(asked, first, second, pairing)
    lights = {} if asked.rig is None else {c.name: camera_light(c) for c in asked.rig.cameras}
    looked = look_quickly(footage, stored, lights, progress.track("Looking for the board"))
    if any(all(view[n] is None for view in looked.views) for n in range(len(footage.clips))):
        refuse_other_board(looked, calibrated.board, footage.clips)
    refuse_other_rig(usable_views(looked.views, calibrated.board), stored)
    run = verification(
        looked.views,
        calibrated,
        working_distance_mm=None if asked.rig is None else asked.rig.working_distance_mm,
        upright_deg=_upright_deg(calibrated, asked.rig),
        rejected=looked.rejected,
        notes=(
            *asked.notes,
            *_notes(footage, looked),
            *_same_footage(footage, calibrated),
            PAIR_BLIND if len(footage.clips) == 2 else ONE_CAMERA_BLIND,
        ),
    )
    sensors = sensors_today(calibrated, looked.sensors)
    run = replace(
        run,
        measurements=run.measurements | _focus(run, looked, asked) | sensor_measurements(sensors),
        sensors=sensors,
    )
    given = {"footage1": first, "footage2": second, "label": label} | _pairing_options(pairing)
    provenance = make_provenance(
        "verify",
        inputs=asked.hashes
        | {path: digest for clip in footage.clips for path, digest in clip.hashes().items()},
        options=given | _options(calibration, asked, run),
    )
    touched = dict.fromkeys((*asked.hashes, *footage_paths(footage1, footage2)))
    return VerificationResult(run=run, report=_report(run, asked.limits, provenance), inputs=tuple(touched))


def _pairing_options(pairing: PairingChoice | None) -> dict[str, object]:
    how = pairing or PairingChoice()
    return {"pair": how.by, "offset_frames": how.offset_frames}


def _open(asked: _Asked, first: str, second: str | None, pairing: PairingChoice | None) -> OpenedFootage:
    """Open the footage; refuse what cannot be held against the calibration."""
    calibrated = asked.stored.calibration
    refuse_other_cameras(calibrated, number_of_cameras(first, second))
    names = [entry.camera.name for entry in calibrated.cameras]
    footage = open_footage_of(names, first, second, pairing)
    refuse_sizes(footage.clips)
    refuse_exchanged_names(asked.rig, footage.clips)
    setups = [camera_setup(clip, number, asked.rig) for number, clip in enumerate(footage.clips)]
    refuse_other_setup(calibrated, setups)
    return footage


def write_verification(result: VerificationResult, out: str | Path, *, replace_earlier: bool = False) -> None:
    """Write result.json and report.html, both or none.

    Raises
    ------
    OutputError
        When the folder cannot be written, or holds an earlier result and `replace_earlier` is False.
    """
    with output_folder(out, replace=replace_earlier, protects=OUTPUTS, inputs=result.inputs) as folder:
        folder.write_text("result.json", result_text(result.report))
        folder.write_text("report.html", verify_page(result.report, result.run))


def _read(
    calibration: Calibration | str | Path,
    board: BoardSpec | str | Path,
    rig: RigDescription | str | Path | None,
) -> _Asked:
    files = [str(path) for path in (calibration, board, rig) if isinstance(path, str | Path)]
    stored = calibration if isinstance(calibration, Calibration) else read_calibration(calibration)
    spec = board if isinstance(board, BoardSpec) else read_board(board)
    description = rig if isinstance(rig, RigDescription) or rig is None else read_rig(rig)
    refuse_proxy(description, "a verification")
    refuse_other_rig_file(stored, description)
    notes = same_board(stored, spec)
    calibrated: Report | None = None
    if isinstance(calibration, str | Path):
        beside = result_beside(calibration)
        calibrated, said = report_beside(beside, stored, "calibration")
        notes += said
        if calibrated is not None:
            files.append(str(beside))
    return _Asked(
        stored=stored_rig(stored),
        rig=description,
        limits=limits_of(description, rig),
        hashes={path: file_sha256(path) for path in files},
        notes=notes,
        calibrated=calibrated,
    )


def _upright_deg(calibration: Calibration, rig: RigDescription | None) -> int:
    if rig is not None:
        return rig.cameras[0].mount_rotation_deg
    return mounted_deg(calibration) or 0


def _focus(run: Verification, looked: Looked, asked: _Asked) -> dict[str, Estimate]:
    """The plane of focus today, as `calibrate` measures it, and how far it moved since."""
    today = CalibrationRun(
        calibration=run.calibration,
        views=run.views,
        rejected=(),
        model_scores=(),
        fit=run.fit,
        measurements={},
        leave_out_sigma={},
        coverage_maps={},
    )
    found = focus_measurements(today, looked.edges, asked.rig)
    for entry in run.calibration.cameras:
        name = entry.camera.name
        found[f"{name}.focus_moved_mm"] = _moved(
            found[f"{name}.focus_depth_mm"],
            None if asked.calibrated is None else asked.calibrated.measurements.get(f"{name}.focus_depth_mm"),
        )
    return found


def _moved(now: Estimate, then: Estimate | None) -> Estimate:
    if now.value is None:
        return Estimate(value=None, unit="mm", reason=now.reason)
    if then is None:
        reason = (
            "where the plane of focus was is in the calibration's own result.json, which is not beside it"
        )
        return Estimate(value=None, unit="mm", reason=reason)
    if then.value is None:
        return Estimate(value=None, unit="mm", reason=f"at the calibration, {then.reason}")
    sigma = float(np.hypot(now.sigma or 0.0, then.sigma or 0.0))
    return Estimate(value=now.value - then.value, sigma=sigma, unit="mm", n=now.n)


def _options(calibration: Calibration | str | Path, asked: _Asked, run: Verification) -> dict[str, object]:
    """What later results of the same rig are told by, and the settings in force."""
    stored = asked.stored.calibration
    rig = stored.provenance.options.get("rig") if asked.rig is None else asked.rig.name
    return {
        "calibration": None if isinstance(calibration, Calibration) else str(calibration),
        "calibration_created": stored.created,
        "rig": rig if isinstance(rig, str) else None,
        "working_distance_mm": run.working_distance_mm,
        "mount_rotation_deg": [_upright_deg(stored, asked.rig)],
        "most_glances": MOST_GLANCES,
        "enough_glances": ENOUGH_GLANCES,
        "most_full_looks": MOST_LOOKS,
        "huber_width": HUBER_WIDTH,
        "tukey_width": TUKEY_WIDTH,
    }


def _notes(footage: OpenedFootage, looked: Looked) -> tuple[str, ...]:
    sentences = [finding.sentence for finding in footage.findings]
    sentences.append(
        f"Glanced at {looked.looked} moments, mostly key pictures; {looked.worth} that tell most were looked at "
        "closely and show enough of the board."
    )
    return tuple(dict.fromkeys(one[:1].upper() + one[1:] for one in sentences))


def _same_footage(footage: OpenedFootage, calibration: Calibration) -> tuple[str, ...]:
    """Say that a file given is one the calibration was made from, whatever its name is now."""
    known = set(calibration.provenance.inputs_sha256.values())
    same = [clip for clip in footage.clips if known & set(clip.hashes().values())]
    if not same:
        return ()
    named = " and ".join(dict.fromkeys(clip.info.origin for clip in same))
    return (
        f"The calibration was made from this very file ({named}): moments that it was made from agree with it by "
        "themselves and prove nothing about the rig today. Film the board anew.",
    )


def _report(run: Verification, limits: Sequence[EffectiveLimit], provenance: Provenance) -> Report:
    checks = run_checks(VERIFY_CHECKS, run, Limits(tuple(limits)))
    return Report(
        command="verify",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=run.measurements,
        rejected=run.rejected,
        limits=tuple(limits),
        provenance=provenance,
        notes=run.notes,
    )
