"""From footage of a performer's face to how it sits in the frame, what to turn, and the record that keeps it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from rigcheck.checks import (
    Limits,
    overall_verdict,
)
from rigcheck.errors import ConfigError
from rigcheck.face.fitting_run import FittingRun, camera_optics, fitting_run
from rigcheck.jobs.fitting_focus import PROXY_FOCUS
from rigcheck.jobs.fitting_inputs import UNNAMED, FittingInputs, ReadInputs, asked, read_inputs
from rigcheck.jobs.fitting_light import PROXY_LIGHT, transfer_tables
from rigcheck.jobs.fitting_looking import (
    MOST_LOOKS,
    FaceNotFound,
    LookedCamera,
    Marking,
    look_for_face,
    positions_to_look_at,
)
from rigcheck.jobs.fitting_measured import Measured, shown_focus, shown_frames, shown_light
from rigcheck.jobs.opening import (
    OpenedFootage,
    PairingChoice,
    footage_paths,
    landmark_looks,
    limits_of,
    open_footage_of,
)
from rigcheck.jobs.rig_settings import settings_of
from rigcheck.jobs.wearing import WornSaid, minutes_worn
from rigcheck.landmarks import MIRRORED_NOTE
from rigcheck.model import (
    ApprovedFitting,
    Calibration,
    EffectiveLimit,
    PerformerRecord,
    Report,
    RigDescription,
)
from rigcheck.records import (
    file_sha256,
    make_provenance,
    output_folder,
    performer_text,
    result_text,
)
from rigcheck.report import OnProgress, ProgressSink, SilentProgress
from rigcheck.report.fitting_page import FocusShown, LightShown, fitting_page

# Written by `write_fitting`; an earlier run's are not replaced without being asked.
OUTPUTS = ("result.json", "report.html", "performer.yaml")

__all__ = [
    "OUTPUTS",
    "FaceNotFound",
    "FittingInputs",
    "FittingResult",
    "PairingChoice",
    "WornSaid",
    "approval_of",
    "asked",
    "check_size",
    "fitting",
    "footage_paths",
    "marking_names",
    "write_fitting",
    "write_marking",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class FittingResult:
    """What was measured, what the checks make of it (`report`), and the performer's record as it is now.

    `run` holds the framing; `focus` and `light` focus and exposure with their pictures, None where the footage is a
    proxy.
    """

    run: FittingRun
    focus: FocusShown | None
    light: LightShown | None
    report: Report
    record: PerformerRecord
    inputs: tuple[str, ...]


def fitting(
    footage1: str | Path,
    footage2: str | Path | None = None,
    *,
    given: FittingInputs | None = None,
    progress: ProgressSink | None = None,
) -> FittingResult:
    """Judge how a performer's face sits in the frames of one camera, or of a pair.

    Parameters
    ----------
    footage1, footage2 : str or Path
        FOOTAGE of each camera (file, folder, picture, in and out points; see README).
    given : FittingInputs, optional
    progress : ProgressSink, optional

    Returns
    -------
    FittingResult
        Nothing is written; see :func:`write_fitting`.

    Raises
    ------
    FaceNotFound
        When a camera shows no usable face; see :func:`write_marking`.
    RigcheckError
        InputError, ConfigError: where, what was found, what was needed, what to do.
    """
    given, progress = given or FittingInputs(), progress or SilentProgress()
    first, second = str(footage1), None if footage2 is None else str(footage2)
    read = read_inputs(first, second, given)
    limits = limits_of(read.rig, given.rig)
    footage = open_footage_of(read.names, first, second, given.pairing)
    looked = _look(footage, read, progress)
    run = fitting_run(
        [one.seen for one in looked],
        rig=read.pair,
        approved=read.approved,
        rejected=[rejection for one in looked for rejection in one.rejected],
    )
    approval = approval_of(read)
    run = replace(
        run,
        looks=read.looks,
        approved_looks=None if approval is None else approval.looks,
        notes=(*_notes(footage, read), *run.notes),
        pictures=shown_frames(run, footage.clips, [one.seen for one in looked]),
    )
    tables = transfer_tables(read.rig, given.rig if isinstance(given.rig, str | Path) else None)
    focus = shown_focus(footage, looked, read, progress)
    light = shown_light(footage, looked, read, tables, progress)
    measured = Measured(
        framing=run, focus=None if focus is None else focus.run, light=None if light is None else light.run
    )
    files = (*given.files, *map(str, tables.values()))
    report = _report(measured, limits, given, footage, (footage1, footage2), files=files, rig=read.rig)
    touched = (*files, *footage_paths(footage1, footage2))
    record = _as_of(read, report)
    return FittingResult(
        run=run, focus=focus, light=light, report=report, record=record, inputs=tuple(dict.fromkeys(touched))
    )


def write_fitting(
    result: FittingResult, out: str | Path, *, pictures: bool = True, replace_earlier: bool = False
) -> None:
    """Write result.json, report.html and performer.yaml, all or none.

    Parameters
    ----------
    result : FittingResult
    out : str or Path
    pictures : bool
        False leaves every picture of the performer out of the report.
    replace_earlier : bool

    Raises
    ------
    OutputError
        When the folder cannot be written, or holds an earlier result and `replace_earlier` is False.
    """
    run, focus, light = result.run, result.focus, result.light
    if not pictures:
        run = replace(run, pictures={})
        focus = None if focus is None else replace(focus, pictures={})
        light = None if light is None else replace(light, pictures={})
    with output_folder(out, replace=replace_earlier, protects=OUTPUTS, inputs=result.inputs) as folder:
        folder.write_text("result.json", result_text(result.report))
        minutes = minutes_worn(result.record)
        page = fitting_page(result.report, run, result.record, focus=focus, light=light, minutes_worn=minutes)
        folder.write_text("report.html", page)
        folder.write_text("performer.yaml", performer_text(result.record))


def marking_names(marking: Marking) -> tuple[str, str]:
    """Names of the picture to mark and of the points file to fill in."""
    return f"mark-{marking.camera}.png", f"points-{marking.camera}.yaml"


def write_marking(
    marking: Marking, out: str | Path, *, inputs: Sequence[str] = (), replace_earlier: bool = False
) -> None:
    """Write the picture to mark and the points file to fill in; nothing else."""
    picture, points = marking_names(marking)
    with output_folder(out, replace=replace_earlier, protects=(picture, points), inputs=inputs) as folder:
        folder.write_bytes(picture, marking.picture_png)
        folder.write_text(points, marking.template)


def approval_of(read: ReadInputs) -> ApprovedFitting | None:
    """The approval in force: the record's own, or of another result given, with the looks the record holds."""
    known = read.record.approved
    if read.approved is None or (known is not None and known.result_sha256 == read.approved_sha256):
        return known
    return ApprovedFitting(
        when=read.approved.provenance.created, result_sha256=read.approved_sha256, looks=read.record.looks
    )


def _as_of(read: ReadInputs, report: Report) -> PerformerRecord:
    """The record with what this fitting adds."""
    calibration = read.record.calibration if read.calibration is None else read.calibration.created
    line = f"{report.provenance.created} fitting: {report.verdict}"
    return replace(
        read.record,
        rig=read.record.rig if read.rig is None else read.rig.name,
        calibration=calibration,
        looks=read.looks,
        notes=(*read.record.notes, line),
        approved=approval_of(read),
    )


def _look(footage: OpenedFootage, read: ReadInputs, progress: ProgressSink) -> list[LookedCamera]:
    track = progress.track("Looking for the face")
    count = len(footage.clips[0]) if footage.pairing is None else footage.pairing.n_pairs
    columns = [
        footage.clips[k].indices if footage.pairing is None else footage.pairing.indices[:, k]
        for k in range(len(footage.clips))
    ]
    places = set(positions_to_look_at(count, marked=bool(read.marked)))
    for name, marked in read.marked.items():
        places |= set(np.flatnonzero(columns[read.names.index(name)] == marked.frame_idx).tolist())
    order = sorted(places)
    out = []
    for k, clip in enumerate(footage.clips):
        described = read.described(k)
        check_size(clip.info.origin, clip.info.camera, clip.info.size_px, read.calibration, camera_idx=k)
        optics = camera_optics(
            clip.info.size_px,
            described,
            calibration=read.calibration,
            camera_idx=k,
            working_distance_mm=None if read.rig is None else read.rig.working_distance_mm,
        )
        out.append(
            look_for_face(
                clip,
                columns[k][order].tolist(),
                optics,
                looks=landmark_looks(read.looks, read.described(k)),
                marked=read.marked.get(clip.info.camera),
                on_progress=_from(track, k * len(order), len(footage.clips) * len(order)),
            )
        )
    return out


def _from(track: OnProgress, done: int, total: int) -> OnProgress:
    """Progress of one camera as part of all."""
    return lambda now, _: track(done + now, total)


def check_size(
    origin: str, camera: str, size_px: tuple[int, int], calibration: Calibration | None, *, camera_idx: int
) -> None:
    """Refuse pictures of another size than the calibration's; ConfigError."""
    if calibration is None:
        return
    size = calibration.cameras[camera_idx].camera.image_size_px
    if size != size_px:
        raise ConfigError(
            f"{origin} ({camera}): {size_px[0]} × {size_px[1]} px found, the calibration is for {size[0]} × {size[1]} "
            "px.",
            hint="give the camera original; for a proxy, leave the calibration out and mark it in the rig file.",
        )


def _notes(footage: OpenedFootage, read: ReadInputs) -> tuple[str, ...]:
    sentences = [finding.sentence for finding in footage.findings]
    if footage.pairing is not None and not any("paired by" in one.lower() for one in sentences):
        sentences.append(f"Paired by {footage.pairing.basis}: {footage.pairing.n_pairs} pairs.")
    widened = sorted(
        {
            name.replace("_", " ")
            for k in range(len(footage.clips))
            for name, value in vars(landmark_looks(read.looks, read.described(k))).items()
            if value
        }
    )
    if widened:
        sentences.append(
            f"The face's points are less sure with {', '.join(widened)}: their sigmas are larger for it."
        )
    if read.looks.unknown:
        open_looks = ", ".join(name.replace("_", " ") for name in read.looks.unknown)
        sentences.append(f"Nobody has said about: {open_looks} (--looks, or the performer record).")
    if read.record.code_name == UNNAMED:
        sentences.append("The record has no code name yet: give one with --code-name, never a real name.")
    if read.pair is None:
        sentences.append(MIRRORED_NOTE)
    if read.rig is not None and read.rig.proxy is not None:
        sentences += [f"Focus was not judged: {PROXY_FOCUS}.", f"Exposure was not judged: {PROXY_LIGHT}."]
    return tuple(dict.fromkeys((*read.notes, *(one[:1].upper() + one[1:] for one in sentences))))


def _report(
    measured: Measured,
    limits: tuple[EffectiveLimit, ...],
    given: FittingInputs,
    footage: OpenedFootage,
    typed: tuple[str | Path, str | Path | None],
    *,
    files: Sequence[str],
    rig: RigDescription | None,
) -> Report:
    hashes = {path: file_sha256(path) for path in files}
    for clip in footage.clips:
        hashes |= clip.hashes()
    how = given.pairing or PairingChoice()

    def named(value: object) -> str | None:
        return str(value) if isinstance(value, str | Path) else None

    options = {
        "footage1": str(typed[0]),
        "footage2": named(typed[1]),
        "rig": named(given.rig),
        "rig_settings": settings_of(rig),
        "frame_rate_hz": {
            clip.info.camera: None if clip.info.frame_rate is None else float(clip.info.frame_rate)
            for clip in footage.clips
        },
        "calibration": named(given.calibration),
        "points": [str(path) for path in given.points],
        "approved": named(given.approved),
        "performer": named(given.performer),
        "pair": how.by,
        "offset_frames": how.offset_frames,
        "most_looks": MOST_LOOKS,
    }
    checks = measured.judged(Limits(limits))
    return Report(
        command="fitting",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=measured.measurements(),
        rejected=measured.framing.rejected,
        limits=limits,
        provenance=make_provenance("fitting", inputs=hashes, options=options),
        notes=measured.framing.notes,
    )
