"""Scripted performances before a helmet's cameras, for picking: what is held when, and what is wrong with it.

Only distinct moments are rendered; a held pose differs from picture to picture by the sensor's noise and by the head's
sway in the helmet, added as a shift of the picture by parts of a pixel.
"""

import hashlib
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from rigcheck.demo.head_acting import lips_parted, look_at_point, open_bite
from rigcheck.demo.head_expression import (
    Expression,
    bite,
    blended,
    blink,
    brows_raised,
    grimace,
    jaw_aside,
    jaw_open,
    lips_pressed,
    look,
    neutral,
    pursed,
    smile,
)
from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.model import Frame, FrameRef
from rigcheck.opencv import cv2

SIZE_PX = (540, 720)
RATE = 10
BLACK_DN = 4.0
SWAY_PX = 0.25  # at a width of 540


@dataclass(frozen=True, kw_only=True)
class Act:
    """Something held for a while. `neutral` and `bite` are the codes of which one must be named when the moment is
    judged for that pose; empty: the moment is right for it."""

    expression: Expression
    neutral: tuple[str, ...] = ("no_pose",)
    bite: tuple[str, ...] = ("no_teeth",)
    drift_mm: float = 0.0  # the head moves in the helmet while it is held


_OPEN = ("mouth_open", "lips_apart", "mouth_drawn", "lips_pressed")


def acts_of(performer: Performer, placed) -> dict[str, Act]:
    """Everything this performer is asked for; gaps between lips and rows are theirs in millimetres."""
    # Between the two lenses.
    lens = look_at_point(performer, np.zeros(3), placed)
    return {
        "rest": Act(expression=neutral(), neutral=()),
        "bite": Act(expression=bite(0.85), neutral=_OPEN, bite=()),
        "apart": Act(expression=lips_parted(performer, 1.0), neutral=("lips_apart",)),
        "pressed": Act(expression=lips_pressed(0.8), neutral=("lips_pressed", "mouth_drawn")),
        "pursed": Act(expression=pursed(0.6), neutral=("lips_pursed",)),
        "smile": Act(expression=smile(0.6), neutral=("mouth_drawn", "lips_pressed")),
        "jaw": Act(expression=jaw_aside(4.0), neutral=("jaw_aside",)),
        "near": Act(expression=lens, neutral=("looks_near",)),
        "aside": Act(expression=look(12.0), neutral=("looks_aside",)),
        "brows": Act(expression=brows_raised(0.8), neutral=("brows_moved",)),
        "halfshut": Act(expression=blink(0.4), neutral=("eyes_shut",)),
        "drift": Act(expression=neutral(), neutral=("head_moving",), drift_mm=9.0),
        "talk": Act(expression=jaw_open(0.2), neutral=("mouth_open", "lips_apart")),
        "openbite": Act(
            expression=open_bite(performer, 1.5, amount=0.85), neutral=_OPEN, bite=("rows_apart",)
        ),
        "grimace": Act(expression=grimace(0.9), neutral=(*_OPEN, "brows_moved"), bite=("grimace",)),
    }


BLINK = (0.35, 0.9, 0.95, 0.4)  # shares of a shut lid, picture by picture


@dataclass(frozen=True, kw_only=True)
class Script:
    """Acts in order, each with its seconds; all are reached from `base` and left to it."""

    name: str
    acts: tuple[tuple[str, float], ...]
    base: str = "rest"
    blinks_s: tuple[float, ...] = ()
    good_neutral: bool = True
    good_bite: bool = True


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One picture of the script: which act is held ("" on the way), what is rendered, and the lids' blink."""

    act: str
    expression: Expression
    drift_mm: float
    blink: float


@dataclass(frozen=True, kw_only=True, eq=False)
class PickClip:
    """Frames of each camera, and the shot behind each."""

    script: Script
    shots: tuple[Shot, ...]
    frames: tuple[tuple[Frame, ...], ...]
    acts: dict[str, Act]

    def faults(self, idx: int, pose: str) -> tuple[str, ...]:
        """Codes of which one speaks against a picture for a pose; empty: it is right."""
        shot = self.shots[idx]
        if not shot.act:
            return ("moving",)
        if shot.blink > 0 and pose == "neutral":
            return ("eyes_shut", "blink_near")
        return getattr(self.acts[shot.act], pose)


SCRIPTS = (
    Script(
        name="looks and lips",
        acts=(("rest", 1.0), ("near", 1.6), ("rest", 1.4), ("apart", 1.6), ("bite", 1.4), ("rest", 0.8)),
        blinks_s=(0.5, 4.6),
    ),
    Script(
        name="pressed and sideways",
        acts=(("pressed", 1.4), ("rest", 1.2), ("jaw", 1.4), ("openbite", 1.2), ("bite", 1.2), ("rest", 0.8)),
        blinks_s=(2.0,),
    ),
    Script(
        name="brows and grimace",
        acts=(
            ("brows", 1.4),
            ("aside", 1.4),
            ("rest", 1.6),
            ("pursed", 1.2),
            ("grimace", 1.2),
            ("bite", 1.4),
        ),
    ),
    Script(
        name="drift and smile",
        acts=(
            ("drift", 1.2),
            ("smile", 1.4),
            ("rest", 1.8),
            ("halfshut", 1.4),
            ("talk", 1.0),
            ("openbite", 1.2),
        ),
        good_bite=False,
    ),
    Script(
        name="nothing good",
        acts=(
            ("pressed", 1.2),
            ("near", 1.4),
            ("halfshut", 1.2),
            ("apart", 1.4),
            ("drift", 1.2),
            ("grimace", 1.0),
        ),
        good_neutral=False,
        good_bite=False,
    ),
)


def identity_of(head: int) -> int | tuple[float, ...]:
    """One of the eight heads; from 8 on a mixture of them that no setting was chosen on."""
    if head < 8:
        return head
    return tuple(float(share) for share in np.random.default_rng([74, head]).dirichlet(np.full(8, 0.5)))


@dataclass(kw_only=True)
class Stage:
    """Renders the distinct moments of one head once; keeps them in memory, and in a folder where one is given."""

    head: int
    size_px: tuple[int, int] = SIZE_PX
    folder: Path | None = None
    held: dict[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self):
        self.rig = head_rig(size_px=self.size_px)
        rng = np.random.default_rng([71, self.head])
        self.performer = Performer(
            identity=identity_of(self.head),
            texture_seed=self.head,
            skin_luminance=float(rng.uniform(0.12, 0.38)),
        )
        self.placed = {
            "distance_mm": rng.uniform(188, 205),
            "down_mm": rng.normal(0, 3),
            "look_up_deg": rng.uniform(5, 13),
            "yaw_deg": rng.normal(0, 1.5),
        }
        self.acts = acts_of(self.performer, head_pose(**self.placed))
        self.exposure_stops = 0.3 + 0.7 * float(np.log2(0.26 / self.performer.skin_luminance))

    def light(self, expression: Expression, camera: int, drift_mm: float = 0.0) -> np.ndarray:
        """Light on the sensor, (H, W) float32, without noise."""
        text = repr((self.head, self.size_px, expression, camera, round(drift_mm, 4)))
        key = hashlib.sha256(text.encode()).hexdigest()[:24]
        if key in self.held:
            return self.held[key].astype(np.float32)
        at = None if self.folder is None else self.folder / f"{key}.npy"
        if at is not None and at.exists():
            light = np.load(at)
        else:
            scene = FaceScene(
                rig=self.rig,
                performer=self.performer,
                expression=expression,
                rig_from_head=head_pose(**self.placed | {"across_mm": drift_mm}),
                exposure_stops=self.exposure_stops,
                background_seed=None,
            )
            light = render_face(scene, camera, rng=np.random.default_rng(0)).truth.light.astype(np.float16)
            if at is not None:
                self.folder.mkdir(parents=True, exist_ok=True)
                np.save(at, light)
        self.held[key] = light
        return light.astype(np.float32)


def shots_of(script: Script, acts: dict[str, Act]) -> tuple[Shot, ...]:
    """Every picture of a script: into an act and out of it in two pictures, by way of the base."""
    base = acts[script.base].expression
    shots: list[Shot] = []
    for name, seconds in script.acts:
        act = acts[name]
        away = act.expression != base
        way = [blended(base, act.expression, share) for share in (1 / 3, 2 / 3)] if away else []
        shots += [Shot(act="", expression=each, drift_mm=0.0, blink=0.0) for each in way]
        count = round(seconds * RATE)
        for k in range(count):
            drift = act.drift_mm * k / max(count - 1, 1)
            shots.append(Shot(act=name, expression=act.expression, drift_mm=drift, blink=0.0))
        if act.drift_mm:
            # The helmet springs back while nobody holds anything.
            shots += [
                Shot(act="", expression=act.expression, drift_mm=act.drift_mm * share, blink=0.0)
                for share in (0.6, 0.2)
            ]
        shots += [Shot(act="", expression=each, drift_mm=0.0, blink=0.0) for each in reversed(way)]
    for start_s in script.blinks_s:
        for k, shut in enumerate(BLINK):
            idx = round(start_s * RATE) + k
            if idx < len(shots):
                shots[idx] = replace(
                    shots[idx], expression=shots[idx].expression.plus(blink(shut)), blink=shut
                )
    return tuple(shots)


def film(stage: Stage, script: Script, *, cameras: int = 2, seed: int = 0) -> PickClip:
    """Play a script before the cameras."""
    shots = shots_of(script, stage.acts)
    number = sum(script.name.encode())
    sway = np.random.default_rng([72, stage.head, number, seed]).normal(size=(len(shots) + 2, 2))
    sway = (sway[:-2] + sway[1:-1] + sway[2:]) / np.sqrt(3) * SWAY_PX * stage.size_px[0] / 540
    scene = FaceScene()
    names = [camera.name for camera in stage.rig.cameras]
    frames = []
    for camera in range(cameras):
        own = []
        for k, shot in enumerate(shots):
            light = stage.light(shot.expression, camera, shot.drift_mm)
            move = np.float32([[1, 0, sway[k, 0]], [0, 1, sway[k, 1]]])
            moved = cv2.warpAffine(light, move, stage.size_px, borderMode=cv2.BORDER_REPLICATE)
            rng = np.random.default_rng([73, stage.head, number, seed, camera, k])
            ref = FrameRef(
                camera=names[camera],
                frame_idx=k,
                origin=f"{names[camera]}.mov",
                time_s=float(Fraction(k, RATE)),
            )
            own.append(Frame(ref=ref, image=scene.sensor.exposed(moved, rng)))
        frames.append(tuple(own))
    return PickClip(script=script, shots=shots, frames=tuple(frames), acts=stage.acts)
