"""The demo day's footage, rendered ahead by processes of their own while the job is run on what is there already."""

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path

import numpy as np

from rigcheck.demo.clips import CalibrationShoot, calibration_shoot
from rigcheck.demo.day_plan import N_TAKES, TRIES, DayPlan, fitting_clip, picks_clip, take_clip
from rigcheck.demo.head_files import write_face_clips, write_face_pictures
from rigcheck.demo.motion import hand_motion
from rigcheck.demo.view import render_view
from rigcheck.errors import OutputError
from rigcheck.jobs.audit_work import default_workers
from rigcheck.jobs.fresh_processes import fresh_processes
from rigcheck.opencv import cv2
from rigcheck.records import output_folder

__all__ = ["BOARDS", "Filming", "board_stills", "filmed_ahead", "make_folder"]

# Still pictures of the board: name, seconds of the hand's way through its poses, after the knock or before it.
BOARDS = {
    "verify-morning": (8.0, False),
    "verify-midday": (8.0, False),
    "verify-evening": (8.0, True),
    "calibration-evening": (18.0, True),
}
_FITTING_FRAMES, _TAKE_FRAMES = range(0, 60, 12), range(0, 48, 24)
_AFTER_ARRIVAL_S = 0.12

OnProgress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True)
class _Order:
    """A piece of footage to render, told to a process in few words."""

    name: str
    folder: Path
    seed: int
    seconds: float
    frame_rate: float
    again: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Filming:
    """Footage that is there or on its way, by name."""

    pieces: dict[str, Future[None]]

    def wait(self, *names: str) -> None:
        """Wait for pieces of footage.

        Raises
        ------
        OutputError
            When one could not be written.
        """
        for name in names:
            try:
                self.pieces[name].result()
            except BrokenProcessPool as broken:
                raise OutputError(
                    f"{name}: the process that rendered it was ended from outside, or crashed.",
                    hint="free memory and run the demo again with --replace.",
                ) from broken


def pieces_of_day() -> tuple[str, ...]:
    """Names of all pieces of footage after the morning's board, in the order in which they are needed."""
    boards = tuple(BOARDS)
    takes = tuple(take_name(number) for number in range(1, N_TAKES + 1))
    return (*(fit.name for fit in TRIES), "picks", *boards, *takes)


def take_name(number: int) -> str:
    """Name of a take's folder; counted from 1."""
    return f"take_{number:02d}"


@contextmanager
def filmed_ahead(plan: DayPlan, *, progress: OnProgress) -> Iterator[Filming]:
    """Render the rest of the day's footage while the block runs.

    Parameters
    ----------
    plan : DayPlan
    progress : callable
        Called with the pieces done and the pieces in all, from another thread.

    Yields
    ------
    Filming

    Raises
    ------
    OutputError
        When a folder cannot be made.
    """
    make_folder(plan.takes)
    names = pieces_of_day()
    done: list[str] = []
    with fresh_processes(default_workers()) as pool:
        pieces = {name: pool.submit(_film, _order(plan, name)) for name in names}

        def count(name: str, _: Future[None]) -> None:
            done.append(name)
            progress(len(done), len(names))

        for name, piece in pieces.items():
            piece.add_done_callback(partial(count, name))
        yield Filming(pieces=pieces)


def make_folder(folder: Path) -> None:
    """Make a folder of the day, with those above it; OutputError when it cannot be made."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{folder}: cannot be made ({error.strerror or error}).",
            hint="choose another folder for the demo.",
        ) from error


def _order(plan: DayPlan, name: str) -> _Order:
    return _Order(
        name=name,
        folder=plan.folder,
        seed=plan.shoot.seed,
        seconds=plan.shoot.n_frames / float(plan.shoot.frame_rate),
        frame_rate=float(plan.shoot.frame_rate),
        again=plan.again,
    )


@lru_cache(maxsize=1)
def _shoot(seed: int, seconds: float, frame_rate: float) -> CalibrationShoot:
    return calibration_shoot(seed, seconds=seconds, frame_rate=frame_rate)


def _film(order: _Order) -> None:
    shoot = _shoot(order.seed, order.seconds, order.frame_rate)
    plan = DayPlan(folder=order.folder, shoot=shoot, again=order.again)
    name, again = order.name, order.again
    if name in BOARDS:
        seconds, late = BOARDS[name]
        board_stills(
            plan.footage(name),
            plan.after_knock if late else shoot,
            seconds=seconds,
            take=sum(map(ord, name)),
            replace_earlier=again,
        )
    elif name == "picks":
        write_face_clips(plan.footage(name), picks_clip(shoot), replace=again)
    elif name.startswith("take_"):
        clip = take_clip(shoot, int(name.removeprefix("take_")))
        write_face_pictures(plan.takes / name, clip, frames=_TAKE_FRAMES, replace=again)
    else:
        fit = next(one for one in TRIES if one.name == name)
        write_face_pictures(
            plan.footage(name), fitting_clip(shoot, fit), frames=_FITTING_FRAMES, replace=again
        )


def board_stills(
    folder: Path, shoot: CalibrationShoot, *, seconds: float, take: int, replace_earlier: bool = False
) -> tuple[Path, Path]:
    """Film the board held still in pose after pose: one lossless pair a pose, a folder a camera.

    Parameters
    ----------
    folder : Path
        Its parent must exist.
    shoot : CalibrationShoot
    seconds : float
        Of the hand's way: a pose takes about 0.9 s.
    take : int
        Another take is another way of holding the board, and other noise.
    replace_earlier : bool

    Raises
    ------
    OutputError
        When the folder cannot be written, or a file stands in the way.
    """
    motion = hand_motion(
        np.random.default_rng([17, shoot.seed, take]), seconds=seconds, size_mm=shoot.board.size_mm
    )
    held = replace(shoot, motion=motion)
    names = [shoot.camera(number).name for number in (1, 2)]
    files = [f"{name}/pose_{idx:02d}.png" for idx in range(len(motion.stations)) for name in names]
    with output_folder(folder, replace=replace_earlier, protects=tuple(files)) as out:
        for idx, station in enumerate(motion.stations):
            for number, name in zip((1, 2), names, strict=True):
                picture = render_view(
                    shoot.camera(number),
                    (held.camera_from_board(number, station.arrive_s + _AFTER_ARRIVAL_S),),
                    board=shoot.board,
                    options=shoot.options(number),
                    rng=np.random.default_rng([18, shoot.seed, take, number, idx]),
                )
                out.write_bytes(f"{name}/pose_{idx:02d}.png", cv2.imencode(".png", picture)[1].tobytes())
    return folder / names[0], folder / names[1]
