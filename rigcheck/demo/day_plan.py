"""The invented day as it was planned to go wrong: what is planted when, and where its files lie."""

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from rigcheck.demo.clips import CalibrationShoot
from rigcheck.demo.head_acting import look_at_point
from rigcheck.demo.head_clip import FaceClip, Hold
from rigcheck.demo.head_expression import Expression, bite, blended, jaw_open, neutral, pursed, smile
from rigcheck.demo.head_light import usual_lamps
from rigcheck.demo.head_performer import Performer, fair_exposure_stops
from rigcheck.demo.head_rig import HeadRig, head_pose
from rigcheck.demo.head_scene import FaceScene
from rigcheck.demo.head_take import knocked_rig
from rigcheck.model import PerformerLooks, RigidTransform

__all__ = [
    "CODE_NAME",
    "KNOCKED_FROM",
    "KNOCK_DEG",
    "LOOKS",
    "N_TAKES",
    "TRIES",
    "DayPlan",
    "Try",
    "fitting_clip",
    "held_s",
    "knocked",
    "picks_clip",
    "take_clip",
]

CODE_NAME = "heron"
LOOKS = PerformerLooks(
    glasses=False, accessories=False, heavy_make_up=False, hair_over_brows=False, facial_hair=False
)
# The lower camera is knocked between two takes: turned about its own lens, and left so.
N_TAKES, KNOCKED_FROM = 12, 8
KNOCK_DEG = {"convergence": 0.20, "across": 0.06}
SHIFT_DOWN_MM, LAMPS_STOPS, OVEREXPOSED_STOPS = 24.0, 1.5, 0.5
_MOVE_S = 1.0 / 30.0  # a picture on the way: what moves is dear to render
_SEATED_MM = 0.4
_PERFORMER = Performer(identity=3, skin_luminance=0.2, hair="cap")


@dataclass(frozen=True, kw_only=True, eq=False)
class Try:
    """A fitting: how the helmet sits, by how many stops the lamps differ, and by how many all is too bright."""

    name: str
    pose: RigidTransform
    lamps_stops: float = 0.0
    over_stops: float = 0.0


TRIES = (
    Try(
        name="fitting-first",
        pose=head_pose(down_mm=SHIFT_DOWN_MM),
        lamps_stops=LAMPS_STOPS,
        over_stops=OVEREXPOSED_STOPS,
    ),
    Try(name="fitting-second", pose=head_pose(distance_mm=218.0, down_mm=-4.0)),
)


@dataclass(frozen=True, kw_only=True, eq=False)
class DayPlan:
    """Where the day's files lie, and the rig that they show; `again` allows to replace those of an earlier demo."""

    folder: Path
    shoot: CalibrationShoot
    again: bool = False

    @cached_property
    def after_knock(self) -> CalibrationShoot:
        """The same rig once its lower camera was knocked."""
        return knocked(self.shoot)

    @property
    def takes(self) -> Path:
        """Holds a folder a take."""
        return self.footage("takes")

    def footage(self, name: str) -> Path:
        """Folder of a piece of footage."""
        return self.folder / "footage" / name

    def out(self, name: str) -> Path:
        """Folder of a step's report."""
        return self.folder / "results" / name

    def pair(self, name: str, suffix: str = "") -> tuple[Path, Path]:
        """Footage of both cameras, in their order."""
        first, second = (
            self.footage(name) / f"{self.shoot.camera(number).name}{suffix}" for number in (1, 2)
        )
        return first, second


def head_rig_of(shoot: CalibrationShoot) -> HeadRig:
    """The shoot's cameras as those that look at a face."""
    day = shoot.day
    return HeadRig(
        cameras=(day.truth.camera1, day.truth.camera2),
        camera_from_rig=(day.camera_from_rig(1), day.camera_from_rig(2)),
        lenses=day.lenses,
        mount_rotation_deg=tuple(camera.mount_rotation_deg for camera in day.description.cameras),
    )


def knocked(shoot: CalibrationShoot) -> CalibrationShoot:
    """The same shoot after the knock; its lamps stay where they were."""
    rig = knocked_rig(
        head_rig_of(shoot), convergence_deg=KNOCK_DEG["convergence"], across_deg=KNOCK_DEG["across"]
    )
    return replace(shoot, day=replace(shoot.day, truth=rig.stereo))


def scene_of(shoot: CalibrationShoot, fit: Try) -> FaceScene:
    """The performer before the rig at a fitting."""
    return FaceScene(
        performer=_PERFORMER,
        rig=head_rig_of(shoot),
        rig_from_head=fit.pose,
        light=usual_lamps(lopsided_stops=fit.lamps_stops),
        exposure_stops=fair_exposure_stops(_PERFORMER) + fit.over_stops,
    )


def fitting_clip(shoot: CalibrationShoot, fit: Try) -> FaceClip:
    """A face at rest, speaking, and with the mouth open."""
    script = (
        Hold(expression=neutral(), hold_s=0.5, move_s=0.0),
        Hold(expression=jaw_open(0.3), hold_s=0.2, move_s=0.0),
        Hold(expression=jaw_open(0.8), hold_s=0.3, move_s=0.0),
    )
    return FaceClip(scene=scene_of(shoot, fit), script=script, seed=shoot.seed, sway_mm=0.0)


def picks_clip(shoot: CalibrationShoot) -> FaceClip:
    """A look at the lens, a smile and an open mouth, and between them the neutral and the bite that are wanted."""
    scene = scene_of(shoot, TRIES[-1])
    lens = look_at_point(
        scene.performer, scene.rig.camera_from_rig[0].inverse().translation_mm, scene.rig_from_head
    )
    script = (
        Hold(expression=lens, hold_s=0.6, move_s=0.0, name="looks at the lens"),
        Hold(expression=blended(neutral(), smile(), 0.6), hold_s=0.5, move_s=_MOVE_S, name="smiles"),
        Hold(expression=neutral(), hold_s=1.5, move_s=_MOVE_S, name="neutral"),
        Hold(expression=jaw_open(0.4), hold_s=0.4, move_s=_MOVE_S, name="mouth open"),
        Hold(expression=bite(), hold_s=1.2, move_s=_MOVE_S, name="bite"),
    )
    return FaceClip(scene=scene, script=script, frame_rate=shoot.frame_rate, sway_mm=0.0, seed=shoot.seed)


def held_s(script: tuple[Hold, ...], name: str) -> tuple[float, float]:
    """From when to when a hold is reached and held, s."""
    start = 0.0
    for hold in script:
        if hold.name == name:
            return start + hold.move_s, start + hold.move_s + hold.hold_s
        start += hold.move_s + hold.hold_s
    raise KeyError(name)


def take_clip(shoot: CalibrationShoot, number: int) -> FaceClip:
    """A take, counted from 1: each says something else, and the helmet sits a little otherwise in each."""
    scene = scene_of(shoot if number < KNOCKED_FROM else knocked(shoot), TRIES[-1])
    pose = scene.rig_from_head
    shift = _SEATED_MM * np.array([np.sin(1.7 * number), np.cos(2.3 * number), np.sin(0.9 * number)])
    seated = RigidTransform(rotation=pose.rotation, translation_mm=pose.translation_mm + shift)
    return FaceClip(
        scene=replace(scene, rig_from_head=seated),
        script=_said(number),
        seed=100 * shoot.seed + number,
        sway_mm=0.0,
    )


def _said(number: int) -> tuple[Hold, ...]:
    lines: tuple[Expression, ...] = (
        neutral(),
        jaw_open(0.25),
        smile(),
        blended(smile(), jaw_open(0.3), 0.5),
        pursed(0.7),
    )
    first, second = lines[number % len(lines)], lines[(number + 1 + number // len(lines)) % len(lines)]
    return (
        Hold(expression=first, hold_s=0.35, move_s=0.0, name="says"),
        Hold(expression=second, hold_s=0.35, move_s=0.0, name="goes on"),
    )
