"""A scripted performance before the helmet's cameras: holds, blinks, a sliding helmet, flickering lamps."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.demo.head_expression import Expression, blended, blink
from rigcheck.demo.head_scene import FacePicture, FaceScene, render_exposure
from rigcheck.model import RigidTransform
from rigcheck.model._arrays import FloatArray

__all__ = ["FaceClip", "FacePair", "HelmetSlide", "Hold", "face_frames"]

_SHUT_S, _CLOSING_S, _OPENING_S = 0.06, 0.09, 0.14  # of a blink
_WAVES = 4
_SWAY_HZ = (0.4, 3.0)
_STILL_MM = 0.03  # less travel of the face during the exposure is rendered as none


@dataclass(frozen=True, kw_only=True)
class Hold:
    """An expression that is reached in `move_s` and then held for `hold_s`; `name` tells frames apart."""

    expression: Expression
    hold_s: float
    move_s: float = 0.25
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class HelmetSlide:
    """The helmet slips: between two times the face moves in the rig by `shift_mm`, turned by `turn_deg` (x, y, z)."""

    start_s: float
    end_s: float
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceClip:
    """Everything a clip of a face is made from.

    Parameters
    ----------
    scene : FaceScene
        Its expression is replaced by the script's; its pose is where the face is at the start.
    script : tuple of Hold
        Played once; the last is held to the end.
    frame_rate : Fraction
    shutter_s : float
    blinks_s : tuple of float
        Times at which the lids begin to close.
    slides : tuple of HelmetSlide
    sway_mm : float
        How far skin and pads let the helmet wobble, standard deviation of each coordinate; a twentieth of a
        degree per tenth of a millimetre goes with it.
    flicker_hz, flicker_share, flicker_phase_deg : float
        The lamps' light is 1 + share · sin(2π hz t + phase), averaged over the shutter.
    offset_s : float
        By how much camera 2's pictures are taken later.
    seed : int
    """

    scene: FaceScene
    script: tuple[Hold, ...]
    frame_rate: Fraction = Fraction(60)
    shutter_s: float = 0.002
    blinks_s: tuple[float, ...] = ()
    slides: tuple[HelmetSlide, ...] = ()
    sway_mm: float = 0.05
    flicker_hz: float = 0.0
    flicker_share: float = 0.0
    flicker_phase_deg: float = 0.0
    offset_s: float = 0.0
    seed: int = 0

    @property
    def seconds(self) -> float:
        """Length of the script."""
        return sum(hold.move_s + hold.hold_s for hold in self.script)

    @property
    def n_frames(self) -> int:
        """Number of pictures of each camera."""
        return max(round(self.seconds * self.frame_rate), 1)

    def hold_at(self, time_s: float) -> tuple[str, bool]:
        """Name of the hold that is on, or being reached, and whether it is reached."""
        start = 0.0
        for hold in self.script:
            if time_s < start + hold.move_s + hold.hold_s:
                return hold.name, time_s >= start + hold.move_s
            start += hold.move_s + hold.hold_s
        return self.script[-1].name, True

    def expression_at(self, time_s: float) -> Expression:
        """Script and blinks together."""
        start, before = 0.0, self.script[0].expression
        now = self.script[-1].expression
        for hold in self.script:
            if time_s < start + hold.move_s + hold.hold_s:
                now = blended(before, hold.expression, _eased((time_s - start) / max(hold.move_s, 1e-9)))
                break
            start += hold.move_s + hold.hold_s
            before = hold.expression
        shut = max((_lid_share(time_s - begin) for begin in self.blinks_s), default=0.0)
        return now.plus(blink(shut)) if shut > 0 else now

    def pose_at(self, time_s: float) -> RigidTransform:
        """`rig_from_head`: the scene's own, sway and slides added about the nostril base."""
        shift, turn = self._sway(time_s)
        for slide in self.slides:
            share = _eased((time_s - slide.start_s) / max(slide.end_s - slide.start_s, 1e-9))
            shift = shift + share * np.array(slide.shift_mm)
            turn = turn + share * np.array(slide.turn_deg)
        placed = self.scene.rig_from_head
        added = Rotation.from_euler("xyz", turn, degrees=True).as_matrix()
        return RigidTransform(rotation=added @ placed.rotation, translation_mm=placed.translation_mm + shift)

    def _sway(self, time_s: float) -> tuple[FloatArray, FloatArray]:
        rng = np.random.default_rng([85, self.seed])
        hertz = rng.uniform(*_SWAY_HZ, (6, _WAVES))
        phase = rng.uniform(0, 2 * np.pi, (6, _WAVES))
        waves = np.sin(2 * np.pi * hertz * time_s + phase).sum(axis=1) * np.sqrt(2 / _WAVES) * self.sway_mm
        return waves[:3], 0.5 * waves[3:]

    def lamp_factor(self, time_s: float) -> float:
        """Light of the lamps over their mean, averaged over the shutter about a time."""
        phase = 2 * np.pi * self.flicker_hz * time_s + np.deg2rad(self.flicker_phase_deg)
        return float(1 + self.flicker_share * np.sinc(self.flicker_hz * self.shutter_s) * np.sin(phase))

    def scene_at(self, time_s: float) -> FaceScene:
        """Everything as it is at one moment."""
        light = replace(self.scene.light, factor=self.scene.light.factor * self.lamp_factor(time_s))
        return replace(
            self.scene,
            expression=self.expression_at(time_s),
            rig_from_head=self.pose_at(time_s),
            light=light,
        )

    def middle_s(self, frame_idx: int, camera_idx: int = 0) -> float:
        """Middle of a picture's exposure, s from the clip's start."""
        late = self.offset_s if camera_idx == 1 else 0.0
        return float((frame_idx + Fraction(1, 2)) / self.frame_rate) + late

    def render(self, frame_idx: int, camera_idx: int) -> FacePicture:
        """Render one picture; the same whenever it is asked for."""
        middle = self.middle_s(frame_idx, camera_idx)
        moments = [self.scene_at(middle)]
        pose = moments[0].rig_from_head.translation_mm
        ends = [self.scene_at(middle + side * self.shutter_s / np.sqrt(8)) for side in (-1, 1)]
        travel = max(float(np.abs(end.rig_from_head.translation_mm - pose).max()) for end in ends)
        if travel > _STILL_MM or any(end.expression != moments[0].expression for end in ends):
            # Three moments whose variance is that of the whole exposure, shutter² / 12.
            moments = [ends[0], moments[0], ends[1]]
        rng = np.random.default_rng([86, self.seed, camera_idx, frame_idx])
        return render_exposure(moments, camera_idx, rng=rng)


@dataclass(frozen=True, kw_only=True, eq=False)
class FacePair:
    """Pictures of all cameras at one moment. `held` is False on the way to the hold called `name`."""

    frame_idx: int
    time_s: float
    name: str
    held: bool
    expression: Expression
    pictures: tuple[FacePicture, ...]


def face_frames(clip: FaceClip, frames: range | None = None) -> Iterator[FacePair]:
    """Render a clip pair by pair, or some of its frames."""
    for frame_idx in frames if frames is not None else range(clip.n_frames):
        time_s = clip.middle_s(frame_idx)
        name, held = clip.hold_at(time_s)
        count = len(clip.scene.rig.cameras)
        yield FacePair(
            frame_idx=frame_idx,
            time_s=time_s,
            name=name,
            held=held,
            expression=clip.expression_at(time_s),
            pictures=tuple(clip.render(frame_idx, camera_idx) for camera_idx in range(count)),
        )


def _eased(share: float) -> float:
    """0 before 0, 1 after 1, without a jump in speed."""
    inside = min(max(share, 0.0), 1.0)
    return inside * inside * (3 - 2 * inside)


def _lid_share(since_s: float) -> float:
    """How far a blink that began so long ago has shut the lids."""
    if since_s < _CLOSING_S + _SHUT_S:
        return _eased(since_s / _CLOSING_S)
    return 1 - _eased((since_s - _CLOSING_S - _SHUT_S) / _OPENING_S)
