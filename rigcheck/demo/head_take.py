"""A take of the shoot, rendered cheaply: some moments of somebody speaking before a rig that may have moved."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.demo.head_clip import FaceClip, FacePair, HelmetSlide, Hold
from rigcheck.demo.head_expression import Expression, brows_raised, jaw_open, look, neutral, pursed, smile
from rigcheck.demo.head_files import face_writers
from rigcheck.demo.head_rig import HeadRig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.demo.scenario import compose
from rigcheck.demo.truth import named_axes
from rigcheck.model import RigidTransform

__all__ = ["FaceTake", "knocked_rig", "speech", "take_pairs", "write_face_take"]

_SYLLABLES_HZ = (3.0, 5.5)
_PHRASE_HZ = 0.35  # how often speech pauses


def knocked_rig(
    rig: HeadRig,
    *,
    convergence_deg: float = 0.0,
    across_deg: float = 0.0,
    twist_deg: float = 0.0,
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> HeadRig:
    """Turn and move camera 2 of a pair; camera 1 and the rig frame stay.

    Parameters
    ----------
    rig : HeadRig
        Of two cameras.
    convergence_deg, across_deg, twist_deg : float
        Turns of camera 2 about its own lens, named by what they do; one after the other in this order. A
        positive convergence turns it towards camera 1.
    shift_mm : (along the baseline, along the view, square to both)
        Of camera 2's lens; the first lengthens the baseline.
    """
    pose = rig.stereo.camera2_from_camera1
    axes = named_axes(pose.rotation, pose.translation_mm)
    along, view, square = shift_mm
    moved = -along * axes["across"] + view * axes["twist"] + square * axes["convergence"]
    turn = np.eye(3)
    asked = (("convergence", convergence_deg), ("across", across_deg), ("twist", twist_deg))
    for name, degrees in asked:
        turn = Rotation.from_rotvec(-np.radians(degrees) * axes[name]).as_matrix() @ turn
    knock = RigidTransform(rotation=turn, translation_mm=-turn @ moved)
    first, second = rig.camera_from_rig
    return replace(rig, camera_from_rig=(first, compose(knock, second)))


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceTake:
    """One take: moments spread over its length, one pair of pictures each.

    Parameters
    ----------
    scene : FaceScene
        The rig it is really filmed with (see :func:`knocked_rig`), and where the face is at the start; its
        expression is that of the pauses.
    n_moments : int
    seconds : float
        Over which the moments are spread, each at a random time of its share.
    liveliness : float
        Size of the speaking's movements; 0 keeps the scene's expression.
    lamp_stops : (start, end)
        Of all lamps over the scene's, changing evenly over the take.
    slip_mm, slip_deg : (x, y, z)
        How far the helmet has slipped by the end, rig frame; half way in the middle.
    sway_mm : float
        See :class:`FaceClip`.
    seed : int
    """

    scene: FaceScene
    n_moments: int = 12
    seconds: float = 20.0
    liveliness: float = 1.0
    lamp_stops: tuple[float, float] = (0.0, 0.0)
    slip_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    slip_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    sway_mm: float = 0.3
    seed: int = 0

    def times_s(self) -> tuple[float, ...]:
        """Times of the moments, s from the take's start, rising."""
        rng = np.random.default_rng([87, self.seed])
        share = (np.arange(self.n_moments) + rng.uniform(0, 1, self.n_moments)) / self.n_moments
        return tuple(float(time) for time in share * self.seconds)

    def scene_at(self, time_s: float) -> FaceScene:
        """Everything as it is at one moment."""
        slide = HelmetSlide(start_s=0.0, end_s=self.seconds, shift_mm=self.slip_mm, turn_deg=self.slip_deg)
        clip = FaceClip(
            scene=self.scene,
            script=(Hold(expression=neutral(), hold_s=self.seconds),),
            slides=(slide,),
            sway_mm=self.sway_mm,
            seed=self.seed,
        )
        stops = np.interp(time_s, [0.0, self.seconds], self.lamp_stops)
        said = speech(time_s, seed=self.seed).times(self.liveliness)
        return replace(
            self.scene,
            expression=self.scene.expression.plus(said),
            rig_from_head=clip.pose_at(time_s),
            light=replace(self.scene.light, factor=self.scene.light.factor * float(2.0**stops)),
        )


def speech(time_s: float, *, seed: int = 0) -> Expression:
    """What a speaking face does at a time: the jaw at the rate of syllables, lips, cheeks, brows, wandering eyes."""
    rng = np.random.default_rng([88, seed])
    phases = rng.uniform(0, 2 * np.pi, 12)
    rates = rng.uniform(0.6, 1.4, 12)
    turn = 2 * np.pi * time_s

    def wave(k: int, hertz: float) -> float:
        return float(0.5 + 0.5 * np.sin(turn * hertz * rates[k] + phases[k]))

    talking = min(max(2.5 * wave(0, _PHRASE_HZ) - 0.4, 0.0), 1.0)
    syllable = wave(1, _SYLLABLES_HZ[0]) * wave(2, _SYLLABLES_HZ[1])
    parts = (
        jaw_open(0.35 * talking * syllable),
        pursed(0.6 * talking * wave(3, 1.7) ** 3),
        smile(0.5 * wave(4, 0.23) ** 2),
        brows_raised(0.5 * wave(5, 0.41) ** 4),
        look(12.0 * (wave(6, 0.3) - 0.5), 8.0 * (wave(7, 0.37) - 0.5)),
    )
    total = neutral()
    for part in parts:
        total = total.plus(part)
    return total


def take_pairs(take: FaceTake) -> Iterator[FacePair]:
    """Render a take moment by moment; the same whenever it is asked for."""
    for index, time_s in enumerate(take.times_s()):
        scene = take.scene_at(time_s)
        yield FacePair(
            frame_idx=index,
            time_s=time_s,
            name="speech",
            held=False,
            expression=scene.expression,
            pictures=tuple(
                render_face(scene, k, rng=np.random.default_rng([89, take.seed, k, index]))
                for k in range(len(scene.rig.cameras))
            ),
        )


def write_face_take(
    folder: str | Path,
    take: FaceTake,
    *,
    frame_rate: Fraction = Fraction(1),
    frames_each: int = 1,
    quality: int = 14,
    replace_earlier: bool = False,
) -> tuple[Path, ...]:
    """Render a take and write one small H.264 file a camera, named after it.

    Parameters
    ----------
    folder : str or Path
        Its parent must exist.
    take : FaceTake
    frame_rate : Fraction
        As written: the files play the moments one after the other, whatever the time between them.
    frames_each : int
        Pictures of each moment; those after the first differ by noise alone and cost next to nothing.
    quality : int
        Constant rate factor; smaller is better. A keyframe comes every second.
    replace_earlier : bool
        Whether files of an earlier run may be replaced.

    Returns
    -------
    tuple of Path, in the order of the cameras

    Raises
    ------
    OutputError
        When the folder cannot be written, or a file stands in the way.
    """
    with face_writers(
        folder, take.scene.rig.cameras, frame_rate=frame_rate, quality=quality, replace=replace_earlier
    ) as (writers, files):
        for pair in take_pairs(take):
            for k, (writer, picture) in enumerate(zip(writers, pair.pictures, strict=True)):
                writer.add(picture.image)
                rng = np.random.default_rng([90, take.seed, k, pair.frame_idx])
                for _ in range(frames_each - 1):
                    writer.add(picture.sensor.exposed(picture.truth.light, rng))
    return files
