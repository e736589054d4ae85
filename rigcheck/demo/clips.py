"""The demo's footage: two clips of the hand-held board, and the truth beside them."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from threading import Event, Lock

import numpy as np

from rigcheck.demo.background import dim_room
from rigcheck.demo.board import BoardInSpace, SurfaceShape, board_in_space
from rigcheck.demo.camera import project_from
from rigcheck.demo.encoding import ClipWriter
from rigcheck.demo.motion import HandMotion, hand_motion
from rigcheck.demo.paperwork import board_text, rig_text, truth_text
from rigcheck.demo.scenario import ShootDay, compose, shoot_day
from rigcheck.demo.view import RenderOptions, render_view
from rigcheck.model import CameraModel, RigidTransform
from rigcheck.records import output_folder

__all__ = ["CalibrationShoot", "DemoClips", "calibration_shoot", "write_calibration_clips"]

_TEXELS_PER_MM = 6.0  # with 2 samples a pixel, about one sample a texel at the working distance
_STILL_PX = 0.25  # less travel than this during the exposure is rendered as none
_TRAVEL_PER_MOMENT_PX = 1.3
_MOST_MOMENTS = 10


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationShoot:
    """A board moved in front of an invented rig: everything that its clips are rendered from.

    `offset_s` is by how much camera 2's pictures are taken later than camera 1's of the same number.
    """

    day: ShootDay
    board: BoardInSpace
    motion: HandMotion
    seed: int
    frame_rate: Fraction
    n_frames: int
    offset_s: float = 0.0

    def middle_s(self, frame_idx: int, number: int = 1) -> float:
        """Middle of a frame's exposure in camera 1 or 2, s from the start of the clip."""
        late = self.offset_s if number == 2 else 0.0
        return float((frame_idx + Fraction(1, 2)) / self.frame_rate) + late

    def camera_from_board(self, number: int, time_s: float) -> RigidTransform:
        """Pose of the board seen from camera 1 or 2 at a time."""
        return compose(self.day.camera_from_rig(number), self.motion.pose_at(time_s))

    def exposure(self, number: int, frame_idx: int) -> tuple[RigidTransform, ...]:
        """Poses of the board at moments evenly spread over a frame's exposure: more, the faster it moves."""
        middle, shutter = self.middle_s(frame_idx, number), self.day.shutter_s
        camera = self.camera(number)
        ends = [self.camera_from_board(number, middle + side * shutter / 2) for side in (-1, 1)]
        width, height = self.board.size_mm
        corners = np.array([[0, 0, 0], [width, 0, 0], [width, height, 0], [0, height, 0]], dtype=np.float64)
        first, last = (project_from(camera, pose, corners) for pose in ends)
        travel = float(np.nan_to_num(np.abs(last - first)).max())
        if travel < _STILL_PX:
            return (self.camera_from_board(number, middle),)
        count = min(max(2, round(travel / _TRAVEL_PER_MOMENT_PX + 0.5)), _MOST_MOMENTS)
        # Few moments, spread so that their variance is that of the whole exposure, shutter² / 12.
        spread = shutter / np.sqrt(1 - 1 / count**2)
        offsets = spread * ((np.arange(count) + 0.5) / count - 0.5)
        return tuple(self.camera_from_board(number, middle + offset) for offset in offsets)

    def camera(self, number: int) -> CameraModel:
        """Camera 1 or 2."""
        return self.day.truth.camera1 if number == 1 else self.day.truth.camera2

    def options(self, number: int) -> RenderOptions:
        """How one camera's pictures are rendered."""
        rng = np.random.default_rng([13, self.seed, number])
        return RenderOptions(
            lens=self.day.lenses[number - 1],
            sensor=self.day.sensor,
            lamps=self.day.lamps[number - 1],
            background_dn=dim_room(rng, self.camera(number).image_size_px),
            vignetting_power=3.0,
            samples=2,
            grid_step_px=4,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class DemoClips:
    """Files of the demo's calibration footage, and their truth.

    `clips` are in the order of the cameras; `shoot` holds rig, board and poses as they really are.
    """

    clips: tuple[Path, Path]
    rig_file: Path
    board_file: Path
    truth_file: Path
    shoot: CalibrationShoot


def calibration_shoot(
    seed: int,
    *,
    seconds: float = 14.0,
    frame_rate: float = 30.0,
    size_px: tuple[int, int] = (1080, 1440),
    shape: SurfaceShape | None = None,
    offset_s: float = 0.0,
) -> CalibrationShoot:
    """Invent a day and the way a board is moved on it, all from one seed.

    Parameters
    ----------
    seed : int
    seconds : float
    frame_rate : float
    size_px : (width, height)
        Of each camera's pictures.
    shape : SurfaceShape, optional
        Of the board; flat by default.
    offset_s : float
        By how much camera 2's pictures are taken later than camera 1's.
    """
    day = shoot_day(seed, size_px=size_px, frame_rate=frame_rate)
    board = board_in_space(
        day.board,
        texels_per_mm=_TEXELS_PER_MM * size_px[0] / 1080,
        pitch_mm=day.pitch_mm,
        shape=shape,
        held=True,
    )
    rate = Fraction(frame_rate).limit_denominator(1001)
    n_frames = max(round(seconds * rate), 1)
    motion = hand_motion(np.random.default_rng([12, seed]), seconds=seconds, size_mm=board.size_mm)
    return CalibrationShoot(
        day=day,
        board=board,
        motion=motion,
        seed=seed,
        frame_rate=rate,
        n_frames=n_frames,
        offset_s=offset_s,
    )


def write_calibration_clips(
    folder: str | Path,
    shoot: CalibrationShoot,
    *,
    replace: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> DemoClips:
    """Render both cameras' clips, with rig file, board file and truth beside them.

    Parameters
    ----------
    folder : str or Path
        May not exist yet; its parent must.
    shoot : CalibrationShoot
        What to film; see :func:`calibration_shoot`.
    replace : bool
        Whether the files of an earlier run may be replaced.
    progress : callable, optional
        Called with the pictures done and the pictures in all, from either of two threads, one at a time.

    Raises
    ------
    OutputError
        When the folder cannot be written, or a file stands in the way.

    Notes
    -----
    H.264, 8 bit, full range, code values linear in light; a keyframe a second; a timecode track. The files
    appear together when all of them are finished, or not at all.
    """
    folder = Path(folder)
    names = {1: f"{shoot.camera(1).name}.mp4", 2: f"{shoot.camera(2).name}.mp4"}
    texts = {
        "rig.yaml": rig_text(shoot.day.description),
        "board.yaml": board_text(shoot.day.board),
        "truth.yaml": truth_text(shoot),
    }
    with output_folder(folder, replace=replace, protects=(*names.values(), *texts)) as out:
        for name, text in texts.items():
            out.write_text(name, text)
        with ExitStack() as files:
            paths = {number: files.enter_context(out.writing(name)) for number, name in names.items()}
            _render_both(shoot, paths, progress)
    return DemoClips(
        clips=(folder / names[1], folder / names[2]),
        rig_file=folder / "rig.yaml",
        board_file=folder / "board.yaml",
        truth_file=folder / "truth.yaml",
        shoot=shoot,
    )


def _render_both(
    shoot: CalibrationShoot, paths: dict[int, Path], progress: Callable[[int, int], None] | None
) -> None:
    """Render each camera in a thread of its own: OpenCV, numpy and the encoder let the other one run."""
    lock, stop = Lock(), Event()
    done = 0

    def count_one() -> None:
        nonlocal done
        with lock:
            done += 1
            if progress is not None:
                progress(done, 2 * shoot.n_frames)

    with ThreadPoolExecutor(max_workers=2) as pool:
        running = [
            pool.submit(_render_clip, shoot, number, path, count_one, stop) for number, path in paths.items()
        ]
        try:
            for clip in running:
                clip.result()
        finally:
            stop.set()  # one failed or the user interrupted: the other need not finish


def _render_clip(
    shoot: CalibrationShoot, number: int, path: Path, count_one: Callable[[], None], stop: Event
) -> None:
    camera, options = shoot.camera(number), shoot.options(number)
    with ClipWriter(path, size_px=camera.image_size_px, frame_rate=shoot.frame_rate) as clip:
        for frame_idx in range(shoot.n_frames):
            if stop.is_set():
                return
            picture = render_view(
                camera,
                shoot.exposure(number, frame_idx),
                board=shoot.board,
                options=options,
                rng=np.random.default_rng([14, shoot.seed, number, frame_idx]),
            )
            clip.add(picture)
            count_one()
