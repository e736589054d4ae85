"""From a clip of a performer's face to the frames that the digital face will be calibrated from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from rigcheck.checks import PICKS_CHECKS, Limits, overall_verdict, run_checks
from rigcheck.checks.limits_pick_gates import pick_gates
from rigcheck.errors import ConfigError
from rigcheck.face.picks_choose import choose_picks
from rigcheck.face.picks_glance import LOOK_EVERY_S, Glancer
from rigcheck.face.picks_moments import candidate_moments
from rigcheck.face.picks_reading import MomentReader
from rigcheck.face.picks_rounds import read_in_rounds
from rigcheck.face.picks_run import PicksRun, clip_course, picks_measurements
from rigcheck.jobs.fitting_inputs import ReadInputs, read_inputs
from rigcheck.jobs.opening import (
    OpenedFootage,
    PairingChoice,
    footage_paths,
    landmark_looks,
    limits_of,
    open_footage_of,
)
from rigcheck.jobs.picks_inputs import PicksInputs, read_want
from rigcheck.jobs.picks_looking import (
    MOST_GLANCES,
    Glances,
    look_through,
    pictures_at,
    place_of,
    read_moments,
    reading_at,
    seen_in_steps,
)
from rigcheck.jobs.picks_same import looks_changed, setting_changes
from rigcheck.jobs.picks_stills import SmallPictures, Still, contact_sheet, fetch_stills
from rigcheck.landmarks import Looks
from rigcheck.model import EffectiveLimit, Estimate, Report
from rigcheck.model.picking import Pick, PickOutcome, PickPose
from rigcheck.records import file_sha256, make_provenance, output_folder, result_text
from rigcheck.records.picks_file import picks_text
from rigcheck.report import ProgressSink, SilentProgress
from rigcheck.report.picks_page import ShownPick, picks_page

__all__ = [
    "OUTPUTS",
    "PairingChoice",
    "PicksInputs",
    "PicksResult",
    "footage_paths",
    "pick_lines",
    "picks",
    "read_want",
    "write_picks",
    "written",
]

OUTPUTS = ("picks.json", "result.json", "report.html", "contact-sheet.png")
# Moments read in full, however long the clip.
MOST_MOMENTS = 40
_READERS = 2  # threads that read moments, each with networks of its own
_MOST_SHAPES = 1200  # of the face in the first look


@dataclass(frozen=True, kw_only=True, eq=False)
class PicksResult:
    """What was picked (`run`), what the checks make of it (`report`), and what is written of it.

    `stills` are the picks' pictures by pose and rank.
    """

    run: PicksRun
    report: Report
    shown: tuple[ShownPick, ...]
    stills: Mapping[tuple[str, int], tuple[Still, ...]]
    inputs: tuple[str, ...]


def picks(
    footage1: str | Path,
    footage2: str | Path | None = None,
    *,
    given: PicksInputs | None = None,
    progress: ProgressSink | None = None,
) -> PicksResult:
    """Find the frames that the digital face will be calibrated from.

    Parameters
    ----------
    footage1, footage2 : str or Path
        FOOTAGE of each camera; one works too.
    given : PicksInputs, optional
    progress : ProgressSink, optional

    Returns
    -------
    PicksResult
        Nothing is written; see :func:`write_picks`. That nothing was found is a result, not an error.

    Raises
    ------
    RigcheckError
        InputError, ConfigError: where, what was found, what was needed, what to do.
    """
    given, progress = given or PicksInputs(), progress or SilentProgress()
    second = None if footage2 is None else str(footage2)
    wanted: Mapping[PickPose, int] = given.want or {"neutral": 1, "bite": 1}
    read = read_inputs(str(footage1), second, given.for_reading)
    limits = limits_of(read.rig, given.rig)
    footage = open_footage_of(read.names, str(footage1), second, given.pairing)
    glances = look_through(footage, _glancers(read, footage), progress.track("Looking through the clip"))
    turns = {name: (_mount(read, k) + glances.turned_deg[name]) % 360 for k, name in enumerate(read.names)}
    small = SmallPictures(turns, linear=_linear(read))
    readers = [_reader(read, glances) for _ in range(_READERS)]
    reference = _reference(footage, given.reference)
    declared = None if reference is None else reading_at(footage, reference, readers[0])
    gates = pick_gates(Limits(limits))
    moments = candidate_moments(glances.by_camera, wanted, most=MOST_MOMENTS, fetch=glances.fetch)
    track = progress.track("Reading the likeliest moments")
    readings, outcome = read_in_rounds(
        moments,
        lambda some: read_moments(footage, some, glances.places, readers, on_progress=track, keep=small.keep),
        lambda some: choose_picks(some, wanted, gates, glances=glances.by_camera, reference=declared),
        gates,
    )
    incisors = _incisors(footage, readers[0], outcome, calibrated=_pair_calibrated(read))
    changes, known = setting_changes(footage.clips, read, given.rig)
    run = PicksRun(
        outcome=outcome,
        wanted=wanted,
        cameras=read.names,
        pairs=len(glances.places),
        read=len(readings),
        calibrated=_pair_calibrated(read),
        course=clip_course(glances.by_camera),
        measurements=picks_measurements(outcome)
        | ({} if incisors is None else {"picks.bite.1.incisors_behind_mm": incisors}),
        incisors=incisors,
        settings=changes,
        settings_known=known,
        looks=read.looks,
        looks_changed=looks_changed(read),
        reference=given.reference,
        notes=_notes(footage, read, glances, len(readings)),
    )
    report = _report(run, limits, given, footage, (footage1, footage2))
    files = (*given.for_reading.files, *footage_paths(footage1, footage2))
    return PicksResult(
        run=run,
        report=report,
        shown=small.shown(_ranked(run)),
        stills=fetch_stills(
            [(rank, pick) for rank, pick, alternate in _ranked(run) if not alternate], footage.clips, turns
        ),
        inputs=tuple(dict.fromkeys(files)),
    )


def write_picks(
    result: PicksResult, out: str | Path, *, pictures: bool = True, replace_earlier: bool = False
) -> None:
    """Write picks.json, result.json, report.html, the stills and a sheet of them, all or none.

    Parameters
    ----------
    result : PicksResult
    out : str or Path
    pictures : bool
        False shows no picture of the performer in the report; the stills are written all the same: they are what
        was asked for.
    replace_earlier : bool

    Raises
    ------
    OutputError
        When the folder cannot be written, or holds earlier picks and `replace_earlier` is False.
    """
    run, shown = result.run, result.shown if pictures else ()
    with output_folder(out, replace=replace_earlier, protects=OUTPUTS, inputs=result.inputs) as folder:
        entries = []
        for rank, pick, alternate in _ranked(run):
            if alternate:
                continue
            stills = result.stills[pick.pose, rank]
            for still in stills:
                folder.write_bytes(still.name, still.content)
            entries.append((rank, pick, [still.name for still in stills]))
        folder.write_text(
            "picks.json",
            picks_text(
                entries,
                [(rank, pick) for rank, pick, alternate in _ranked(run) if alternate],
                wanted=run.wanted,
                missing={choice.pose: choice.missing for choice in run.outcome.choices if choice.missing},
                provenance=result.report.provenance,
            ),
        )
        if result.shown:
            folder.write_bytes("contact-sheet.png", contact_sheet(result.shown))
        folder.write_text("result.json", result_text(result.report))
        folder.write_text("report.html", picks_page(result.report, run, shown))


def written(result: PicksResult) -> tuple[str, ...]:
    """Names of what `write_picks` writes: without picks there is no sheet, and there are no stills."""
    sheet = () if result.shown else ("contact-sheet.png",)
    stills = ("stills/",) if result.run.picks else ()
    return (*(name for name in OUTPUTS if name not in sheet), *stills)


def pick_lines(run: PicksRun) -> list[tuple[str, str]]:
    """Key numbers for the terminal: each pick's frame and score."""
    return [
        (
            f"{pick.pose} {rank}" + (", alternate" if alternate else ""),
            f"frame {pick.frame_idx}{f' ({pick.timecode})' if pick.timecode else ''}, score {pick.score:.2f}",
        )
        for rank, pick, alternate in _ranked(run)
    ]


def _ranked(run: PicksRun) -> list[tuple[int, Pick, bool]]:
    """Picks, then alternates of each pose, with their ranks; and whether each is an alternate."""
    out = []
    for choice in run.outcome.choices:
        out += [(rank, pick, False) for rank, pick in enumerate(choice.picks, start=1)]
        out += [(rank, pick, True) for rank, pick in enumerate(choice.alternates, start=1)]
    return out


def _mount(read: ReadInputs, camera_idx: int) -> int:
    described = read.described(camera_idx)
    return 0 if described is None else described.mount_rotation_deg


def _black(read: ReadInputs, camera_idx: int) -> float:
    described = read.described(camera_idx)
    return 0.0 if described is None else described.black_level or 0.0


def _linear(read: ReadInputs) -> list[str]:
    return [] if read.rig is None else [each.name for each in read.rig.cameras if each.transfer == "linear"]


def _glancers(read: ReadInputs, footage: OpenedFootage) -> list[Glancer]:
    """One a camera; the face's shape is read less often in long clips, so that reading costs no more."""
    rate = footage.clips[0].info.frame_rate
    seconds = len(footage.clips[0]) / float(rate) if rate else 0.0
    return [
        Glancer(
            mount_rotation_deg=_mount(read, k),
            black_dn=_black(read, k),
            look_every_s=max(LOOK_EVERY_S, seconds / _MOST_SHAPES),
            looks=landmark_looks(read.looks, read.described(k)),
        )
        for k in range(len(read.names))
    ]


def _least_sure(read: ReadInputs) -> Looks:
    """Looks for a reader of all cameras: those of the camera that is least sure, one in near infrared."""
    every = [landmark_looks(read.looks, read.described(k)) for k in range(len(read.names))]
    return next((each for each in every if each.near_infrared), every[0])


def _reader(read: ReadInputs, glances: Glances) -> MomentReader:
    pair = read.calibration if _pair_calibrated(read) else None
    return MomentReader(
        mounts_deg={name: _mount(read, k) for k, name in enumerate(read.names)},
        turned_deg=glances.turned_deg,
        black_dn={name: _black(read, k) for k, name in enumerate(read.names)},
        rig=None if pair is None else pair.rig,
        looks=_least_sure(read),
    )


def _pair_calibrated(read: ReadInputs) -> bool:
    return read.calibration is not None and read.calibration.stereo is not None and len(read.names) == 2


def _reference(footage: OpenedFootage, frame_idx: int | None) -> int | None:
    """Place of the moment that a person declares right."""
    if frame_idx is None:
        return None
    place = place_of(footage, frame_idx)
    if place is None:
        known = footage.clips[0].indices
        raise ConfigError(
            f"--reference {frame_idx}: camera 1 has no picture of this number within the in and out points, or one "
            f"without a partner; {known[0]} to {known[-1]} needed.",
            hint="give the number of a picture within the in and out points, counted from 0 in the file.",
        )
    return place


def _incisors(
    footage: OpenedFootage, reader: MomentReader, outcome: PickOutcome, *, calibrated: bool
) -> Estimate | None:
    """Depth of the best bite's front teeth behind the lip line; None without a bite or a calibrated pair."""
    choice = outcome.of("bite")
    if not calibrated or choice is None or not choice.picks:
        return None
    place = place_of(footage, choice.picks[0].frame_idx)
    return None if place is None else reader.incisor_depth(pictures_at(footage, place))


def _notes(footage: OpenedFootage, read: ReadInputs, glances: Glances, n_read: int) -> tuple[str, ...]:
    sentences = [finding.sentence for finding in footage.findings]
    if footage.pairing is not None and not any("paired by" in one.lower() for one in sentences):
        sentences.append(f"Paired by {footage.pairing.basis}: {footage.pairing.n_pairs} pairs.")
    sentences.append(f"Saw {len(glances.places)} moments in passing and read {n_read} of them in full.")
    if (step := seen_in_steps(footage, glances)) is not None:
        sentences.append(
            f"The clip is long: one moment in {step} was seen, so that a short blink may be missed; give in and out "
            "points around what is held."
        )
    turned = [name for name, turn in glances.turned_deg.items() if turn]
    sentences += [
        f"{name}: the face stood turned by {glances.turned_deg[name]}° further than the rig file says."
        for name in turned
    ]
    if not _pair_calibrated(read):
        sentences.append("Without a calibration of both cameras nothing is said in millimetres of depth.")
    return tuple(dict.fromkeys((*read.notes, *(one[:1].upper() + one[1:] for one in sentences))))


def _report(
    run: PicksRun,
    limits: tuple[EffectiveLimit, ...],
    given: PicksInputs,
    footage: OpenedFootage,
    typed: Sequence[str | Path | None],
) -> Report:
    files = given.for_reading.files
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
        "calibration": named(given.calibration),
        "approved": named(given.approved),
        "performer": named(given.performer),
        "want": dict(run.wanted),
        "reference": given.reference,
        "pair": how.by,
        "offset_frames": how.offset_frames,
        "most_moments": MOST_MOMENTS,
        "most_glances": MOST_GLANCES,
    }
    checks = run_checks(PICKS_CHECKS, run, Limits(limits))
    return Report(
        command="picks",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=run.measurements,
        rejected=run.rejected,
        limits=limits,
        provenance=make_provenance("picks", inputs=hashes, options=options),
        notes=run.notes,
    )
