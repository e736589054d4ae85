"""What follows the calibration on the demo day: a fitting, a second try, and the board again after a knock."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.demo.audit_of_day import audit_of_day
from rigcheck.demo.clips import CalibrationShoot, DemoClips
from rigcheck.demo.head_clip import FaceClip, Hold
from rigcheck.demo.head_expression import jaw_open, neutral
from rigcheck.demo.head_files import write_face_pictures
from rigcheck.demo.head_light import usual_lamps
from rigcheck.demo.head_performer import Performer, fair_exposure_stops
from rigcheck.demo.head_rig import HeadRig, head_pose
from rigcheck.demo.head_scene import FaceScene
from rigcheck.demo.motion import hand_motion
from rigcheck.demo.picks_of_day import picks_of_day
from rigcheck.demo.truth import named_axes
from rigcheck.demo.view import render_view
from rigcheck.jobs.audit import AuditResult
from rigcheck.jobs.fitting import FittingInputs, FittingResult, fitting, write_fitting
from rigcheck.jobs.picks import PicksResult
from rigcheck.jobs.verify import VerificationResult, verify, write_verification
from rigcheck.model import PerformerLooks, RigidTransform
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2
from rigcheck.records import output_folder

__all__ = ["KNOCK_DEG", "LAMPS_STOPS", "N_STEPS", "SHIFT_DOWN_MM", "DayStep", "board_stills", "rest_of_day"]

N_STEPS = 6

# How the day goes wrong: the helmet sits so that the face is this much too low in the frame, and the lamps on the
# performer's left are this much stronger than those on the right; then the lower camera is knocked towards the other.
SHIFT_DOWN_MM = 24.0
LAMPS_STOPS, _OVEREXPOSED_STOPS = 1.5, 0.5
KNOCK_DEG = 0.12
_TOO_LOW, _MENDED = head_pose(down_mm=SHIFT_DOWN_MM), head_pose(distance_mm=218.0, down_mm=-6.0)
_CODE_NAME = "heron"
_LOOKS = PerformerLooks(
    glasses=False, accessories=False, heavy_make_up=False, hair_over_brows=False, facial_hair=False
)
_FACE_FRAMES = range(0, 61, 12)
_BOARD_SECONDS = 9.0
_AFTER_ARRIVAL_S = 0.12


@dataclass(frozen=True, kw_only=True, eq=False)
class _Try:
    """A fitting: how the helmet sits, by how many stops the lamps differ, and by how many all is too bright."""

    name: str
    planted: str
    pose: RigidTransform
    lamps_stops: float = 0.0
    over_stops: float = 0.0


_TRIES = (
    _Try(
        name="fitting",
        planted=f"helmet too high: the face {SHIFT_DOWN_MM:.0f} mm too low in the frame; lamps on the performer's left "
        f"{LAMPS_STOPS:g} stops stronger than those on the right, the whole {_OVEREXPOSED_STOPS:g} stop too bright",
        pose=_TOO_LOW,
        lamps_stops=LAMPS_STOPS,
        over_stops=_OVEREXPOSED_STOPS,
    ),
    _Try(name="fitting-mended", planted="helmet set right, boom longer, lamps even", pose=_MENDED),
)


@dataclass(frozen=True, kw_only=True, eq=False)
class DayStep:
    """One step: what was planted, what came of it, and the folder of its report."""

    name: str
    planted: str
    result: AuditResult | FittingResult | PicksResult | VerificationResult
    folder: Path


def rest_of_day(folder: Path, footage: DemoClips, *, replace_earlier: bool = False) -> Iterator[DayStep]:
    """Film and judge the rest of the day, step by step; `folder` holds its calibration already.

    Raises
    ------
    OutputError
        When a folder cannot be written, or a file stands in the way.
    """
    for fit in _TRIES:
        yield _fitting_step(folder, footage, fit, replace_earlier)
    yield _picks_step(folder, footage, replace_earlier)
    checks = (
        ("verify-before", 0.0, "nothing changed"),
        (
            "verify-after",
            KNOCK_DEG,
            f"{footage.shoot.camera(2).name} knocked: convergence {KNOCK_DEG:+.2f}°",
        ),
    )
    for name, knock_deg, planted in checks:
        yield _verify_step(folder, footage, name, knock_deg, planted, replace_earlier)
    yield _audit_step(folder, footage, replace_earlier)


def _fitting_step(folder: Path, footage: DemoClips, fit: "_Try", again: bool) -> DayStep:
    scene = _scene(footage.shoot, fit)
    script = (
        Hold(expression=neutral(), hold_s=0.5, move_s=0.0),
        Hold(expression=jaw_open(0.8), hold_s=0.3, move_s=0.3),
    )
    clip = FaceClip(scene=scene, script=script, seed=footage.shoot.seed)
    name = fit.name
    clips = write_face_pictures(folder / f"{name}-footage", clip, frames=_FACE_FRAMES, replace=again)
    result = fitting(
        clips[0],
        clips[1],
        given=FittingInputs(
            rig=footage.rig_file,
            calibration=folder / "calibration" / "calibration.yaml",
            code_name=_CODE_NAME,
            looks=_LOOKS,
        ),
    )
    write_fitting(result, folder / name, replace_earlier=again)
    return DayStep(name=name, planted=fit.planted, result=result, folder=folder / name)


def _picks_step(folder: Path, footage: DemoClips, again: bool) -> DayStep:
    mended = _TRIES[-1]
    result, planted = picks_of_day(
        folder,
        footage,
        _scene(footage.shoot, mended),
        approved=folder / mended.name / "result.json",
        performer=folder / mended.name / "performer.yaml",
        replace_earlier=again,
    )
    return DayStep(name="picks", planted=planted, result=result, folder=folder / "picks")


def _audit_step(folder: Path, footage: DemoClips, again: bool) -> DayStep:
    mended = _TRIES[-1]
    result, planted = audit_of_day(
        folder,
        footage,
        _scene(footage.shoot, mended),
        approved=folder / mended.name / "result.json",
        replace_earlier=again,
    )
    return DayStep(name="audit", planted=planted, result=result, folder=folder / "audit")


def _scene(shoot: CalibrationShoot, fit: _Try) -> FaceScene:
    performer = Performer(identity=7, skin_luminance=0.2, hair="cap")
    return FaceScene(
        performer=performer,
        rig=_head_rig(shoot),
        rig_from_head=fit.pose,
        light=usual_lamps(lopsided_stops=fit.lamps_stops),
        exposure_stops=fair_exposure_stops(performer) + fit.over_stops,
    )


def _head_rig(shoot: CalibrationShoot) -> HeadRig:
    day = shoot.day
    return HeadRig(
        cameras=(day.truth.camera1, day.truth.camera2),
        camera_from_rig=(day.camera_from_rig(1), day.camera_from_rig(2)),
        lenses=day.lenses,
        mount_rotation_deg=tuple(camera.mount_rotation_deg for camera in day.description.cameras),
    )


def _verify_step(
    folder: Path, footage: DemoClips, name: str, knock_deg: float, planted: str, again: bool
) -> DayStep:
    clips = board_stills(
        folder / f"{name}-footage", footage.shoot, knock_deg, take=sum(map(ord, name)), replace_earlier=again
    )
    result = verify(
        clips[0],
        clips[1],
        calibration=folder / "calibration" / "calibration.yaml",
        board=footage.board_file,
        rig=footage.rig_file,
        label="stand",
    )
    write_verification(result, folder / name, replace_earlier=again)
    return DayStep(name=name, planted=planted, result=result, folder=folder / name)


def board_stills(
    folder: Path, shoot: CalibrationShoot, knock_deg: float, *, take: int, replace_earlier: bool = False
) -> tuple[Path, Path]:
    """Film the board with camera 2 turned about its own lens: one lossless pair a pose, a folder a camera.

    Parameters
    ----------
    folder : Path
        Its parent must exist.
    shoot : CalibrationShoot
    knock_deg : float
        Camera 2 turned towards camera 1.
    take : int
        Another take is another way of holding the board, and other noise.
    replace_earlier : bool

    Raises
    ------
    OutputError
        When the folder cannot be written, or a file stands in the way.
    """
    motion = hand_motion(
        np.random.default_rng([17, shoot.seed, take]),
        seconds=_BOARD_SECONDS,
        size_mm=shoot.board.size_mm,
    )
    later = replace(shoot, motion=motion)
    turned = _turned(shoot, knock_deg)
    names = [shoot.camera(number).name for number in (1, 2)]
    files = [f"{name}/pose_{idx:02d}.png" for idx in range(len(motion.stations)) for name in names]
    with output_folder(folder, replace=replace_earlier, protects=tuple(files)) as out:
        for idx, station in enumerate(motion.stations):
            for number, name in zip((1, 2), names, strict=True):
                pose = later.camera_from_board(number, station.arrive_s + _AFTER_ARRIVAL_S)
                if number == 2:
                    pose = RigidTransform(
                        rotation=turned @ pose.rotation, translation_mm=turned @ pose.translation_mm
                    )
                picture = render_view(
                    shoot.camera(number),
                    (pose,),
                    board=shoot.board,
                    options=shoot.options(number),
                    rng=np.random.default_rng([18, shoot.seed, take, number, idx]),
                )
                out.write_bytes(f"{name}/pose_{idx:02d}.png", cv2.imencode(".png", picture)[1].tobytes())
    return folder / names[0], folder / names[1]


def _turned(shoot: CalibrationShoot, knock_deg: float) -> FloatArray:
    """What a turn of camera 2 towards camera 1 does to coordinates in its frame."""
    pose = shoot.day.truth.camera2_from_camera1
    axis = named_axes(pose.rotation, pose.translation_mm)["convergence"]
    return np.asarray(Rotation.from_rotvec(-axis * np.radians(knock_deg)).as_matrix())
