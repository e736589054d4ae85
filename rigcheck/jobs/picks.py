"""From a clip of a performer's face to the frames that the digital face will be calibrated from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from rigcheck.checks import PICKS_CHECKS, Limits, overall_verdict, run_checks
from rigcheck.checks.limits_pick_gates import pick_gates
from rigcheck.errors import ConfigError
from rigcheck.face.picks_choose import choose_picks
from rigcheck.face.picks_moments import candidate_moments
from rigcheck.face.picks_reading import BiteReading, MomentReader
from rigcheck.face.picks_rounds import read_in_rounds
from rigcheck.face.picks_rows import rows_measures
from rigcheck.face.picks_run import PicksRun, clip_course, picks_measurements
from rigcheck.face.picks_sealed import apart_chance
from rigcheck.jobs.fitting_inputs import ReadInputs, read_inputs
from rigcheck.jobs.opening import (
    OpenedFootage,
    PairingChoice,
    footage_paths,
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
from rigcheck.jobs.picks_setup import glancers, linear, mount, reader
from rigcheck.jobs.picks_stills import SmallPictures, Still, contact_sheet, fetch_stills
from rigcheck.model import EffectiveLimit, Estimate, Report
from rigcheck.model.picking import Pick, PickGates, PickOutcome, PickPose
from rigcheck.records import file_sha256, make_provenance, output_folder, result_text
from rigcheck.records.picks_file import picks_text
from rigcheck.report import OnProgress, ProgressSink, SilentProgress
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
    reference = _reference(footage, given.reference)
    glances = look_through(footage, glancers(read, footage), progress.track("Looking through the clip"))
    track = progress.track("Reading the likeliest moments")
    asked = _Asked(gates=pick_gates(Limits(limits)), wanted=wanted, reference=reference, track=track)
    found = _find(read, footage, glances, asked)
    run = _run(read, footage, glances, found, given)
    report = _report(run, limits, given, footage, (footage1, footage2))
    files = (*given.for_reading.files, *footage_paths(footage1, footage2))
    return PicksResult(
        run=run,
        report=report,
        shown=found.small.shown(_ranked(run)),
        stills=fetch_stills(
            [(rank, pick) for rank, pick, alternate in _ranked(run) if not alternate],
            footage.clips,
            found.turns,
        ),
        inputs=tuple(dict.fromkeys(files)),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Asked:
    """What is asked of the moments."""

    gates: PickGates
    wanted: Mapping[PickPose, int]
    reference: int | None
    track: OnProgress


@dataclass(frozen=True, kw_only=True, eq=False)
class _Found:
    """What came of reading the likeliest moments."""

    wanted: Mapping[PickPose, int]
    outcome: PickOutcome
    n_read: int
    bite: BiteReading | None
    small: SmallPictures
    turns: Mapping[str, int]


def _find(read: ReadInputs, footage: OpenedFootage, glances: Glances, asked: _Asked) -> _Found:
    turns = {name: (mount(read, k) + glances.turned_deg[name]) % 360 for k, name in enumerate(read.names)}
    small = SmallPictures(turns, linear=linear(read))
    readers = [reader(read, glances) for _ in range(_READERS)]
    declared = None if asked.reference is None else reading_at(footage, asked.reference, readers[0])
    readings, outcome = read_in_rounds(
        candidate_moments(glances.by_camera, asked.wanted, most=MOST_MOMENTS, fetch=glances.fetch),
        lambda some: read_moments(
            footage, some, glances.places, readers, on_progress=asked.track, keep=small.keep
        ),
        lambda some: choose_picks(
            some, asked.wanted, asked.gates, glances=glances.by_camera, reference=declared
        ),
        asked.gates,
    )
    return _Found(
        wanted=asked.wanted,
        outcome=outcome,
        n_read=len(readings),
        bite=_best_bite(footage, readers[0], outcome),
        small=small,
        turns=turns,
    )


def _run(
    read: ReadInputs, footage: OpenedFootage, glances: Glances, found: _Found, given: PicksInputs
) -> PicksRun:
    calibrated = read.pair is not None
    incisors = None if found.bite is None or not calibrated else found.bite.incisors
    neutral = found.outcome.of("neutral")
    changes, known = setting_changes(footage.clips, read, given.rig)
    return PicksRun(
        outcome=found.outcome,
        wanted=found.wanted,
        cameras=read.names,
        pairs=len(glances.places),
        read=found.n_read,
        calibrated=calibrated,
        course=clip_course(glances.by_camera),
        measurements=picks_measurements(found.outcome) | _bite_measurements(found.bite, incisors),
        incisors=incisors,
        rows={} if found.bite is None else found.bite.rows,
        sealed=apart_chance(neutral.picks[0].reading) if neutral is not None and neutral.picks else None,
        settings=changes,
        settings_known=known,
        looks=read.looks,
        looks_changed=looks_changed(read),
        reference=given.reference,
        notes=_notes(footage, read, glances, found.n_read),
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


def _best_bite(footage: OpenedFootage, reader: MomentReader, outcome: PickOutcome) -> BiteReading | None:
    """What more is read of the best bite; None without one."""
    choice = outcome.of("bite")
    if choice is None or not choice.picks:
        return None
    place = place_of(footage, choice.picks[0].frame_idx)
    return None if place is None else reader.read_bite(pictures_at(footage, place))


def _bite_measurements(bite: BiteReading | None, incisors: Estimate | None) -> dict[str, Estimate]:
    found = {} if incisors is None else {"incisors_behind_mm": incisors}
    for camera, rows in ({} if bite is None else bite.rows).items():
        found |= rows_measures(camera, rows)
    return {f"picks.bite.1.{name}": estimate for name, estimate in found.items()}


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
    if read.pair is None:
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
