"""A small shoot day's footage, board and performer before one rig of few pixels, named as the README names it."""

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from face_clips import write_pictures

from rigcheck.demo import calibration_shoot, render_view
from rigcheck.demo.clips import CalibrationShoot
from rigcheck.demo.day_plan import TRIES, fitting_clip, picks_clip, take_clip
from rigcheck.demo.encoding import ClipWriter
from rigcheck.demo.head_clip import FaceClip, face_frames
from rigcheck.demo.motion import hand_motion
from rigcheck.demo.paperwork import rig_text

FACE_RATE, BOARD_RATE = Fraction(10), Fraction(1)
BOARD_S, NOON_S = 25, 6
_BOARD_FILE = Path(__file__).resolve().parents[1] / "boards" / "charuco-9x12-9mm.yaml"

Pictures = list[np.ndarray]


def small_day(folder: Path) -> Path:
    """Write clips `a` (board), `b` (fitting), `c` (neutral and bite), `d` (board again) and takes; rig and board file.

    The board clip lasts 25 s, as long as the README's in and out points ask.
    """
    shoot = calibration_shoot(3, seconds=30.0, frame_rate=float(FACE_RATE), size_px=(540, 720))
    folder.mkdir(parents=True)
    (folder / "rig.yaml").write_text(rig_text(shoot.day.description))
    (folder / "board.yaml").write_text(_measured(shoot))
    for name, seconds, take in (("a", BOARD_S, 0), ("d", NOON_S, 1)):
        write_clips(folder / name, board_pictures(shoot, seconds=seconds, take=take), shoot, BOARD_RATE)
    write_clips(
        folder / "b", face_pictures(fitting_clip(shoot, TRIES[-1]), range(0, 60, 12)), shoot, FACE_RATE
    )
    write_clips(folder / "c", face_pictures(picks_clip(shoot)), shoot, FACE_RATE)
    for number in (1, 2, 3):
        both = face_pictures(take_clip(shoot, number), range(0, 42, 21))
        for camera, pictures in zip(("upper", "lower"), both, strict=True):
            write_pictures(folder / "takes" / f"take_{number}" / camera, pictures)
    return folder


def _measured(shoot: CalibrationShoot) -> str:
    """The README's board, with what calipers found of the print."""
    m = shoot.day.board.measured
    found = f"across_mm: {m.across_mm}, across_squares: {m.across_squares}, down_mm: {m.down_mm}"
    return (
        _BOARD_FILE.read_text() + f"measured: {{{found}, down_squares: {m.down_squares}, u_mm: {m.u_mm}}}\n"
    )


def board_pictures(shoot: CalibrationShoot, *, seconds: int, take: int) -> tuple[Pictures, Pictures]:
    """The board held in pose after pose, two pictures each: one rendered, with noise of its own in each."""
    rng = np.random.default_rng([98, take])
    held = replace(shoot, motion=hand_motion(rng, seconds=seconds / 2, size_mm=shoot.board.size_mm))
    stations = held.motion.stations
    out: tuple[Pictures, Pictures] = ([], [])
    for number in (1, 2):
        rendered = [
            render_view(
                shoot.camera(number),
                (held.camera_from_board(number, station.arrive_s + 0.12),),
                board=shoot.board,
                options=shoot.options(number),
                rng=rng,
            )
            for station in stations
        ]
        for k in range(seconds):
            picture = rendered[k * len(rendered) // seconds]
            noisy = picture + rng.normal(0.0, 0.8, picture.shape)
            out[number - 1].append(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    return out


def face_pictures(clip: FaceClip, frames: range | None = None) -> tuple[Pictures, Pictures]:
    pairs = list(face_frames(clip, frames))
    first, second = ([pair.pictures[k].image for pair in pairs] for k in (0, 1))
    return first, second


def write_clips(folder: Path, both: Iterable[Pictures], shoot: CalibrationShoot, rate: Fraction) -> None:
    folder.mkdir(parents=True)
    for number, pictures in zip((1, 2), both, strict=True):
        camera = shoot.camera(number)
        path = folder / f"{camera.name}.mov"
        with ClipWriter(path, size_px=camera.image_size_px, frame_rate=rate, quality=16) as writer:
            for picture in pictures:
                writer.add(picture)
