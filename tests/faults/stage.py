"""One right set of inputs for every command, cheap or whole, and how each command is typed with it."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
from face_clips import calibration_of, render_clip, write_pictures
from faults.commands import COMMANDS, Command, Slot
from rendered import BOARD_YAML
from results_made import START, made, mornings, write
from small_shoot import clip_of, small_rig, small_shoot
from verifying import calibrated

from rigcheck.demo.head_rig import head_rig
from rigcheck.jobs.handover import handover
from rigcheck.model import PerformerRecord
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text, performer_text

RIG = """\
name: kestrel
frame_rate: 30
working_distance_mm: 195
synchronised: true
limits: {harm.depth_mm.caution: 0.1}
cameras:
  - name: upper
    serial: "0123"
    mount_rotation_deg: 0
    pixel_pitch_um: 6.9
    focal_length_mm: 6.0
    f_number: 4.0
    focused_at_mm: 195
    transfer: {table: curve.yaml}
    range: full
    black_level: 4
    shutter_s: 0.004
    wavelength: visible
  - {name: lower, transfer: srgb, f_number: 4.0}
"""
CURVE = "bit_depth: 8\npoints: [[4, 0.0], [128, 0.4], [255, 1.0]]\n"
POINTS = """\
format: rigcheck-points
version: 1
camera: {camera}
frame: 0
image_size_px: [{width}, {height}]
points:
  subnasale: [180.0, 250.0]
  chin: [181.5, 380.0]
  eye_outer_right: [90.0, 160.0]
  eye_outer_left: [270.0, 161.0]
"""
TAKES = """\
- name: take 1
  footage: [takes/take_1/upper, takes/take_1/lower]
  recorded: 2026-03-02T09:30:00+01:00
  performer: heron
- name: take 2
  footage: [takes/take_2/upper, takes/take_2/lower]
  recorded: 2026-03-02T09:40:00+01:00
  performer: heron
"""
SHOOT_DAY = """\
format: rigcheck-day
version: 1
title: first day
rigs:
  kestrel: {rig: rig/rig.yaml, board: board.yaml}
performers:
  heron: {record: performer.yaml, looks: {glasses: false}}
steps:
  - {name: morning, run: calibrate, rig: kestrel, footage: [shoot/upper, shoot/lower.mp4], lens: brown4}
  - {name: noon, run: verify, rig: kestrel, calibration: morning, footage: [shoot/upper, shoot/lower.mp4], label: stand,
     even_if_failed: true}
  - {name: heron 1, run: fitting, rig: kestrel, performer: heron, footage: [face/upper, face/lower],
     calibration: {file: face-calibration.yaml}}
  - {name: heron picks, run: picks, rig: kestrel, performer: heron, footage: [face/upper, face/lower],
     calibration: {file: face-calibration.yaml}, approved: heron 1, even_if_failed: true}
  - {name: takes, run: audit, rig: kestrel, performer: heron, takes: takes/takes.yaml, workers: 1,
     calibration: {file: face-calibration.yaml}}
"""


def build(folder: Path, *, whole: bool) -> Path:
    """Write all inputs; `whole` renders boards and faces that can be measured, else pictures are grey noise."""
    folder.mkdir(parents=True)
    (folder / "rig").mkdir()
    (folder / "board.yaml").write_text(BOARD_YAML)
    (folder / "rig" / "rig.yaml").write_text(RIG)
    (folder / "rig" / "curve.yaml").write_text(CURVE)
    _footage(folder, whole=whole)
    _calibrations(folder)
    _results(folder / "results")
    shutil.copy(folder / "results" / "fitting" / "result.json", folder / "approved.json")
    looks = PerformerRecord(code_name="heron", helmet="two", head_borne_kg=0.9, notes=("a note",))
    (folder / "performer.yaml").write_text(performer_text(looks))
    width, height = (360, 480)
    for number, camera in ((1, "upper"), (2, "lower")):
        text = POINTS.format(camera=camera, width=width, height=height)
        (folder / f"points{number}.yaml").write_text(text)
    _day(folder)
    handover(folder / "day", folder / "received")
    _shoot_day(folder)
    return folder


def noise_pictures(seed: int, *, count: int = 2, size: tuple[int, int] = (96, 72)) -> list[np.ndarray]:
    rng = np.random.default_rng([91, seed])
    return [rng.integers(90, 120, size, dtype=np.uint8) for _ in range(count)]


def _footage(folder: Path, *, whole: bool) -> None:
    if whole:
        shoot = small_shoot(folder / "made", count=5)
        shutil.copytree(shoot.upper, folder / "shoot" / "upper")
        clip_of(folder / "shoot" / "lower.mp4", shoot.pictures["lower"])
        shutil.rmtree(folder / "made")
        faces = render_clip(3).pictures
    else:
        write_pictures(folder / "shoot" / "upper", noise_pictures(1))
        clip_of(folder / "shoot" / "lower.mp4", noise_pictures(2))
        faces = (noise_pictures(3), noise_pictures(4))
    for name, pictures in zip(("upper", "lower"), faces, strict=True):
        write_pictures(folder / "face" / name, pictures)
    takes = folder / "day-of-takes"
    for number in (1, 2):
        shutil.copytree(folder / "face", takes / "takes" / f"take_{number}")
    (takes / "takes.yaml").write_text(TAKES)


def _calibrations(folder: Path) -> None:
    """Of the shoot's rig twice, and of the faces' rig twice."""
    small = calibrated()
    cameras = (small_rig().camera1, small_rig().camera2)
    entries = tuple(
        replace(entry, camera=replace(lens, distortion=entry.camera.distortion), frame_rate_hz=30.0)
        for entry, lens in zip(small.cameras, cameras, strict=True)
    )
    first = replace(small, cameras=entries)
    (folder / "prior.yaml").write_text(calibration_text(first))
    later = replace(first, created="2026-02-04T04:05:06+00:00")
    (folder / "second").mkdir()
    (folder / "second" / "calibration.yaml").write_text(calibration_text(later))
    write(folder / "second", made(START, rng=np.random.default_rng([95, 0]), command="calibrate"))
    face = calibration_of(head_rig(size_px=(360, 480)))
    for name, one in (
        ("face-calibration", face),
        ("face-calibration2", replace(face, created=later.created)),
    ):
        (folder / f"{name}.yaml").write_text(calibration_text(one))


def _results(folder: Path) -> None:
    rng = np.random.default_rng([94, 0])
    write(folder / "calibrated", made(START, rng=rng, command="calibrate"))
    for k, moment in enumerate(mornings(3)):
        write(folder / f"day-{k}", made(moment, rng=rng))
    write(folder / "fitting", made(START, rng=rng, command="fitting"))


def _day(folder: Path) -> None:
    """A day's folder as the commands leave it."""
    day = folder / "day"
    for name in ("fitting", "picks", "audit"):
        (day / name).mkdir(parents=True)
    face = calibration_of(head_rig(size_px=(60, 80)))
    (day / "morning").mkdir()
    (day / "morning" / "calibration.yaml").write_text(calibration_text(face))
    for name, command in (("morning", "calibrate"), ("fitting", "fitting")):
        write(day / name, made(START, rng=np.random.default_rng([93, 0]), command=command))
        (day / name / "report.html").write_text(f"<p>{name}")
    shutil.copy(folder / "performer.yaml", day / "fitting" / "performer.yaml")
    (day / "picks" / "picks.json").write_text(PICKS)
    (day / "picks" / "neutral_upper.png").write_bytes(cv2.imencode(".png", np.zeros((8, 8)))[1].tobytes())
    (day / "audit" / "takes.json").write_text('{"format": "rigcheck-takes", "version": 1}')


def _shoot_day(folder: Path) -> None:
    """A day file with all that its steps read, in a folder of its own."""
    day = folder / "shoot-day"
    day.mkdir()
    (day / "day.yaml").write_text(SHOOT_DAY)
    for name in ("rig", "shoot", "face"):
        shutil.copytree(folder / name, day / name)
    shutil.copytree(folder / "day-of-takes", day / "takes")
    for name in ("board.yaml", "face-calibration.yaml", "performer.yaml"):
        shutil.copy(folder / name, day)


PICKS = '{"format": "rigcheck-picks", "version": 1, "note": "as a program of another team left it"}'


def typed(command: Command, given: dict[str, Path | str], out: Path) -> list[str]:
    """The command line with its inputs filled in."""
    words = [word.format(**given, out=out) for word in command.arguments]
    placed = not command.writes or "{out}" in command.arguments
    return words if placed else [*words, "--out", str(out)]


def inputs(stage: Path) -> dict[str, Path]:
    """Where each input named in braces lies."""
    return {slot.argument: stage / slot.root for command in COMMANDS for slot in command.slots} | {
        "rig": stage / "rig" / "rig.yaml",
        "second": stage / "second" / "calibration.yaml",
        "takes": stage / "day-of-takes" / "takes.yaml",
        "points2": stage / "points2.yaml",
        "shoot_day": stage / "shoot-day" / "day.yaml",
    }


def given_path(slot: Slot, root: Path) -> Path:
    """What is typed for a slot whose copied root lies at `root`."""
    entry = {
        "rig": "rig.yaml",
        "second": "calibration.yaml",
        "takes": "takes.yaml",
        "shoot_day": "day.yaml",
    }.get(slot.argument)
    return root if entry is None else root / entry


def given_to(stage: Path) -> dict[str, str]:
    """Inputs as typed."""
    return {name: str(path) for name, path in inputs(stage).items()}


__all__ = ["build", "given_path", "given_to", "typed"]
