"""From board footage to a calibration with its checks and its files."""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from rigcheck.calibration import LENSES, CameraSetup, Lens, Solution, calibration_run, solve
from rigcheck.calibration.choose import MOST_VIEWS, choose_views
from rigcheck.calibration.focus import focus_measurements
from rigcheck.calibration.plate import plate_findings, plate_flex
from rigcheck.calibration.plausible import order_measurements, size_measurements
from rigcheck.calibration.prior import intrinsics_prior
from rigcheck.calibration.recorded import field_measurements, stated_aspect
from rigcheck.calibration.synchrony import synchrony_measurements
from rigcheck.calibration.together import refusal_of_pair
from rigcheck.checks import CALIBRATION_CHECKS, Limits, overall_verdict, run_checks
from rigcheck.errors import ConfigError
from rigcheck.geometry.board_views import usable_views
from rigcheck.geometry.robust import HUBER_WIDTH, TUKEY_WIDTH
from rigcheck.jobs.looking import (
    MOST_FULL_LOOKS,
    MOST_FULL_LOOKS_AT_KEYS,
    MOST_FULL_LOOKS_IN_ONE_PASS,
    MOST_LOOKS,
    MOST_LOOKS_IN_ONE_PASS,
    Looked,
    Search,
    look_at_clip,
    look_at_pair,
    pictures_again,
    refuse_other_board,
)
from rigcheck.jobs.moving import MOST_RUNS, RUN_PICTURES, Moving, look_at_motion
from rigcheck.jobs.opening import (
    OpenedFootage,
    PairingChoice,
    camera_light,
    camera_names,
    camera_setup,
    footage_paths,
    limits_of,
    number_of_cameras,
    open_footage_of,
    refuse_proxy,
)
from rigcheck.jobs.refusing import refuse_exchanged_names, refuse_sizes
from rigcheck.jobs.rig_settings import settings_of
from rigcheck.jobs.sensors import with_hot_pixels
from rigcheck.model import (
    BoardSpec,
    Calibration,
    CalibrationRun,
    EffectiveLimit,
    Estimate,
    ImageArray,
    Report,
    RigDescription,
)
from rigcheck.records import (
    calibration_text,
    file_sha256,
    make_provenance,
    opencv_storage_text,
    output_folder,
    read_board,
    read_calibration,
    read_rig,
    result_text,
)
from rigcheck.report import ProgressSink, SilentProgress, calibration_page
from rigcheck.report.figures import load_beside

# Written by `write_calibration`; an earlier run's are not replaced without being asked.
OUTPUTS = ("calibration.yaml", "calibration-opencv.yaml", "result.json", "report.html")
_WORST_VIEWS = 3

__all__ = ["OUTPUTS", "CalibrationResult", "PairingChoice", "calibrate", "footage_paths", "write_calibration"]


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationResult:
    """A calibration with its evidence (`run`) and what the checks make of it (`report`)."""

    run: CalibrationRun
    report: Report
    inputs: tuple[str, ...]


def calibrate(
    footage1: str | Path,
    footage2: str | Path | None = None,
    *,
    board: BoardSpec | str | Path,
    rig: RigDescription | str | Path | None = None,
    pairing: PairingChoice | None = None,
    lens: str | None = None,
    flat_board: bool = False,
    prior: Calibration | str | Path | None = None,
    progress: ProgressSink | None = None,
) -> CalibrationResult:
    """Calibrate one camera, or a pair, from footage of a board.

    Parameters
    ----------
    footage1, footage2 : str or Path
        FOOTAGE of each camera (file, folder, picture, in and out points; see README). One file that holds
        both cameras is given as `footage1` alone, with ``#side-by-side`` or ``#stacked``.
    board : BoardSpec or path of a board file
    rig : RigDescription or path of a rig file, optional
        Names the cameras, and may give working distance, mounting and limits.
    pairing : PairingChoice, optional
    lens : str, optional
        One lens model by name (brown2, brown4, brown5, brown8, fisheye4); chosen from all when not given.
    flat_board : bool
        Take the board as flat instead of solving for its shape.
    prior : Calibration or path of a calibration file, optional
        A workshop calibration of the same cameras: its intrinsics enter with their covariance, so that a short
        clip on set is enough; a check says when today's footage contradicts it.
    progress : ProgressSink, optional

    Returns
    -------
    CalibrationResult
        Nothing is written; see :func:`write_calibration`.

    Raises
    ------
    RigcheckError
        InputError, BoardError, ConfigError or EstimationError: where, what was found, what was needed, what
        to do.
    """
    progress = progress or SilentProgress()
    lenses = None if lens is None else [_lens(lens)]
    files = [str(path) for path in (board, rig, prior) if isinstance(path, str | Path)]
    board_spec = board if isinstance(board, BoardSpec) else read_board(board)
    description = rig if isinstance(rig, RigDescription) or rig is None else read_rig(rig)
    earlier = None if prior is None else _calibration(prior)
    refuse_proxy(description)
    limits = limits_of(description, rig)
    footage = _opened(footage1, footage2, description, pairing)
    setups = [camera_setup(clip, number, description) for number, clip in enumerate(footage.clips)]
    load_beside()
    looked = _look(footage, board_spec, setups, description, progress)
    refuse_other_board(looked, board_spec, footage.clips)
    known = None if earlier is None else intrinsics_prior(earlier, setups)
    usable = usable_views(looked.views, board_spec)
    with ThreadPoolExecutor(max_workers=2) as beside:
        # Neither the moving board nor the files' hashes depend on the solution: two cores do both at once.
        moving = beside.submit(_moving, footage, looked, board_spec, progress)
        hashing = beside.submit(_hashes, files, footage)
        chosen = [usable[n] for n in choose_views(usable, board_spec, setups)]
        track = progress.track("Solving")
        track(0, 1)
        solution = solve(chosen, board_spec, setups, lenses=lenses, flat_board=flat_board, prior=known)
        track(1, 1)
    options = _options(footage1, footage2, pairing) | _rig_options(description, setups)
    options |= {"lens": lens, "flat_board": flat_board, "prior": _named(prior)}
    with _carried_to_the_face(solution):
        run = calibration_run(
            solution,
            provenance=make_provenance("calibrate", inputs=hashing.result(), options=options),
            working_distance_mm=None if description is None else description.working_distance_mm,
            rejected=looked.rejected,
            notes=_notes(footage, looked, len(chosen)),
        )
    run = with_hot_pixels(run, looked.sensors)
    timing = _timing(moving.result(), solution, description)
    run = _with_evidence(run, footage, looked, timing | _beforehand(run, description, earlier), description)
    touched = tuple(dict.fromkeys((*files, *footage_paths(footage1, footage2))))
    return CalibrationResult(run=run, report=_report(run, limits), inputs=touched)


def _opened(
    footage1: str | Path,
    footage2: str | Path | None,
    rig: RigDescription | None,
    pairing: PairingChoice | None,
) -> OpenedFootage:
    """Open the footage, and refuse what cannot be one rig's."""
    first, second = str(footage1), None if footage2 is None else str(footage2)
    names = camera_names(rig, number_of_cameras(first, second))
    footage = open_footage_of(names, first, second, pairing)
    refuse_sizes(footage.clips)
    refuse_exchanged_names(rig, footage.clips)
    return footage


def _with_evidence(
    run: CalibrationRun,
    footage: OpenedFootage,
    looked: Looked,
    measured: dict[str, Estimate],
    rig: RigDescription | None,
) -> CalibrationRun:
    """Add what was measured beside the solution, what was seen of the plate, and the views that fit worst."""
    flex = plate_flex(run)
    seen = tuple(finding.sentence for finding in plate_findings(looked.surfaces, flex))
    return replace(
        run,
        measurements=run.measurements
        | measured
        | focus_measurements(run, looked.edges, rig)
        | {"board.flex_mm": flex}
        | _recorded(run, footage, looked),
        notes=(*run.notes, *seen),
        pictures=_worst_pictures(run, footage, looked),
    )


def write_calibration(result: CalibrationResult, out: str | Path, *, replace_earlier: bool = False) -> None:
    """Write calibration.yaml, calibration-opencv.yaml, result.json and report.html, all or none.

    Raises
    ------
    OutputError
        When the folder cannot be written, or holds an earlier result and `replace_earlier` is False.
    """
    calibration = result.run.calibration
    with output_folder(out, replace=replace_earlier, protects=OUTPUTS, inputs=result.inputs) as folder:
        folder.write_text("calibration.yaml", calibration_text(calibration))
        folder.write_text("calibration-opencv.yaml", opencv_storage_text(calibration))
        folder.write_text("result.json", result_text(result.report))
        folder.write_text("report.html", calibration_page(result.report, result.run))


@contextmanager
def _carried_to_the_face(solution: Solution) -> Iterator[None]:
    """Say why a solution cannot be carried to the face: where no rig explains both cameras, rays never meet.

    Numbers that are not finite (ValueError) say so only where the solver found no solution.
    """
    try:
        yield
    except (np.linalg.LinAlgError, ValueError) as error:
        if len(solution.setups) == 2 and solution.adjustment.summary.status != "converged":
            raise refusal_of_pair(solution) from error
        raise


def _beforehand(
    run: CalibrationRun, rig: RigDescription | None, earlier: Calibration | None
) -> dict[str, Estimate]:
    """Sizes and order against what was known before."""
    order = {} if earlier is None else order_measurements(run, earlier)
    return order | size_measurements(run, None if rig is None else rig.working_distance_mm)


def _recorded(run: CalibrationRun, footage: OpenedFootage, looked: Looked) -> dict[str, Estimate]:
    """What the recording did to the pictures, and what the files say of it."""
    infos = [clip.info for clip in footage.clips]
    interlaced = {info.camera: any(one.code == "interlaced" for one in info.findings) for info in infos}
    aspects = {info.camera: float(info.pixel_aspect) for info in infos if info.pixel_aspect is not None}
    return field_measurements(looked.fields_px, interlaced) | stated_aspect(run.measurements, aspects)


def _hashes(files: Sequence[str], footage: OpenedFootage) -> dict[str, str]:
    """SHA-256 of everything read, by name."""
    hashes = {path: file_sha256(path) for path in files}
    for clip in footage.clips:
        hashes |= clip.hashes()
    return hashes


def _calibration(prior: Calibration | str | Path) -> Calibration:
    return prior if isinstance(prior, Calibration) else read_calibration(prior)


def _lens(name: str) -> Lens:
    if name not in LENSES:
        raise ConfigError(
            f"lens: {name!r} found, one of {', '.join(LENSES)} needed.",
            hint="leave the lens model out to have it chosen from all of them.",
        )
    return LENSES[name]


def _named(prior: Calibration | str | Path | None) -> str | None:
    return prior.created if isinstance(prior, Calibration) else None if prior is None else str(prior)


def _look(
    footage: OpenedFootage,
    board: BoardSpec,
    setups: list[CameraSetup],
    rig: RigDescription | None,
    progress: ProgressSink,
) -> Looked:
    lights = {} if rig is None else {camera.name: camera_light(camera) for camera in rig.cameras}
    track = progress.track("Looking for the board")
    search = Search(board=board, setups=tuple(setups), lights=lights, on_progress=track)
    if footage.pairing is None:
        return look_at_clip(footage.clips[0], search)
    return look_at_pair(footage.pairing, search)


def _moving(
    footage: OpenedFootage, looked: Looked, board: BoardSpec, progress: ProgressSink
) -> Moving | None:
    """The moving board, as seen in the same pass or looked for now; None for one camera."""
    if footage.pairing is None:
        return None
    return looked.moving or look_at_motion(footage.pairing, board, progress.track("Timing the cameras"))


def _timing(moving: Moving | None, solution: Solution, rig: RigDescription | None) -> dict[str, Estimate]:
    """How much later camera 2's pictures are taken: it shows only while the board moves."""
    if moving is None:
        return {}
    return synchrony_measurements(
        moving.runs,
        solution,
        reason=moving.reason,
        offset_frames=moving.offset_frames,
        synchronised=None if rig is None else rig.synchronised,
    )


def _options(
    footage1: str | Path, footage2: str | Path | None, pairing: PairingChoice | None
) -> dict[str, object]:
    how = pairing or PairingChoice()
    return {
        "footage1": str(footage1),
        "footage2": None if footage2 is None else str(footage2),
        "pair": how.by,
        "offset_frames": how.offset_frames,
        "most_looks": MOST_LOOKS,
        "most_full_looks": MOST_FULL_LOOKS,
        "most_full_looks_at_keys": MOST_FULL_LOOKS_AT_KEYS,
        "most_looks_in_one_pass": MOST_LOOKS_IN_ONE_PASS,
        "most_full_looks_in_one_pass": MOST_FULL_LOOKS_IN_ONE_PASS,
        "most_moving_runs": MOST_RUNS,
        "moving_run_pictures": RUN_PICTURES,
        "most_views": MOST_VIEWS,
        "huber_width": HUBER_WIDTH,
        "tukey_width": TUKEY_WIDTH,
    }


def _rig_options(rig: RigDescription | None, setups: list[CameraSetup]) -> dict[str, object]:
    """What later results of the same rig are told by, and how its cameras are mounted."""
    return {
        "rig": None if rig is None else rig.name,
        "mount_rotation_deg": [setup.mount_rotation_deg for setup in setups],
        "rig_settings": settings_of(rig),
    }


def _notes(footage: OpenedFootage, looked: Looked, chosen: int) -> tuple[str, ...]:
    sentences = [finding.sentence for finding in footage.findings]
    if footage.pairing is not None and not any("paired by" in one.lower() for one in sentences):
        sentences.append(f"Paired by {footage.pairing.basis}: {footage.pairing.n_pairs} pairs.")
    fewer = f"the {chosen} that add most to what is known were used"
    used = "all were used" if chosen == looked.worth else fewer
    sentences.append(f"Looked at {looked.looked} moments; {looked.worth} show enough of the board; {used}.")
    return tuple(dict.fromkeys(one[:1].upper() + one[1:] for one in sentences))


def _worst_pictures(
    run: CalibrationRun, footage: OpenedFootage, looked: Looked
) -> dict[tuple[int, str], ImageArray]:
    """Pictures of the views that fit worst, fetched again: keeping them all would fill the memory."""
    worst = sorted(run.views, key=lambda view: -view.rms_px)[:_WORST_VIEWS]
    out: dict[tuple[int, str], ImageArray] = {}
    for camera, clip in enumerate(footage.clips):
        wanted = {
            side.observation.ref.frame_idx: view.view_idx
            for view in worst
            if (side := view.sides[camera]) is not None
        }
        for index, image in pictures_again(looked, clip, sorted(wanted)):
            out[wanted[index], clip.info.camera] = image
    return out


def _report(run: CalibrationRun, limits: tuple[EffectiveLimit, ...]) -> Report:
    checks = run_checks(CALIBRATION_CHECKS, run, Limits(limits))
    return Report(
        command="calibrate",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=run.measurements,
        rejected=run.rejected,
        limits=limits,
        provenance=run.calibration.provenance,
        notes=run.notes,
    )
