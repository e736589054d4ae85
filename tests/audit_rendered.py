"""Rendered days of takes through the real matcher, for the test and for the bench; pictures may be kept in a folder."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from audit_days import DRIFT, STEPS

from rigcheck.demo.head_expression import (
    blink,
    brows_raised,
    jaw_aside,
    jaw_open,
    lips_apart,
    lips_pressed,
    look,
    pursed,
    smile,
)
from rigcheck.demo.head_light import usual_lamps
from rigcheck.demo.head_performer import random_performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.demo.scenario import compose
from rigcheck.face.audit_look import face_mask, skin_mask
from rigcheck.geometry.observable import moved_pair
from rigcheck.jobs.audit_sampling import MOMENTS
from rigcheck.jobs.audit_take import WANTED
from rigcheck.landmarks import FaceFinder
from rigcheck.matching import MaskedPair, PairMatcher
from rigcheck.model import FaceLandmarks, Frame, FrameRef, PatchMatches

# Something in the mouth, nostrils, eyes and hair is not skin: labels of skin and lips in the renderer's truth.
_SKIN = (1, 2)

Pictures = tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]


@dataclass(frozen=True, kw_only=True)
class RenderedDay:
    """One performer, one helmet, a number of takes.

    `what` is "still", "drift" or one of `STEPS`; a step (`grown` times as large) comes before take `first`, a drift
    goes on all day. Between takes the helmet slips on the head by `slip_mm`, and turns by as many degrees; from take
    `lamps_at` on the lamps are dimmer and lopsided.
    """

    case: int
    what: str = "still"
    first: int = 10
    grown: float = 1.0
    n_takes: int = 20
    n_moments: int = 4
    size_px: tuple[int, int] = (810, 1080)
    slip_mm: float = 2.0
    lamps_at: int = 7

    def change(self, take: int) -> np.ndarray:
        """True change of the pair in a take."""
        if self.what == "still":
            return np.zeros(5)
        if self.what == "drift":
            return np.array(DRIFT) * take / (self.n_takes - 1)
        return self.grown * np.array(STEPS[self.what]) * (take >= self.first)

    @property
    def rig(self):
        """The rig as calibrated; side by side in every second day."""
        return head_rig(size_px=self.size_px, side_by_side=self.case % 2 == 1)

    def scene(self, take: int, moment: int) -> FaceScene:
        """What is filmed at one moment."""
        of_day = np.random.default_rng([71, self.case])
        performer = random_performer(of_day)
        look_up = of_day.uniform(4, 14)
        of_take = np.random.default_rng([72, self.case, take])
        slip, turn = of_take.normal(0, self.slip_mm, 3), of_take.normal(0, self.slip_mm, 3)
        now = np.random.default_rng([73, self.case, take, moment])
        sway = now.normal(0, 0.3, 3)
        lamps = usual_lamps()
        if take >= self.lamps_at:
            lamps = replace(usual_lamps(lopsided_stops=0.4), factor=0.8)
        rig = self.rig
        pose = moved_pair(rig.stereo.camera2_from_camera1, self.change(take))
        moved = replace(rig, camera_from_rig=(rig.camera_from_rig[0], compose(pose, rig.camera_from_rig[0])))
        return FaceScene(
            performer=performer,
            expression=speech(now),
            rig=moved,
            rig_from_head=head_pose(
                distance_mm=195 + slip[2] + sway[2],
                across_mm=slip[0] + sway[0],
                down_mm=slip[1] + sway[1],
                look_up_deg=look_up + turn[0],
                yaw_deg=turn[1],
                roll_deg=0.5 * turn[2],
            ),
            light=lamps,
        )

    def pictures(self, take: int, moment: int, kept_in: Path | None = None) -> Pictures:
        """Both pictures of a moment and where they show skin, rendered unless they are in the cache."""
        scene = self.scene(take, moment)
        kept = None
        if kept_in is not None:
            name = hashlib.sha256(repr((scene, self.case, take, moment)).encode()).hexdigest()[:24]
            kept = kept_in / f"{name}.npz"
        if kept is not None and kept.exists():
            with np.load(kept) as file:
                images = [file["image1"], file["image2"]]
                masks = [np.unpackbits(file[part], count=images[0].size) for part in ("skin1", "skin2")]
            return tuple(images), tuple(mask.reshape(images[0].shape) > 0 for mask in masks)
        found = [
            render_face(scene, k, rng=np.random.default_rng([74, self.case, take, moment, k])) for k in (0, 1)
        ]
        images = [picture.image for picture in found]
        masks = [np.isin(picture.truth.labels, _SKIN) for picture in found]
        if kept is not None:
            packed = [np.packbits(mask) for mask in masks]
            np.savez(kept, image1=images[0], image2=images[1], skin1=packed[0], skin2=packed[1])
        return tuple(images), tuple(masks)

    def matches(
        self, take: int, kept_in: Path | None = None, start: int = 0, *, by_mesh: bool = False
    ) -> list[PatchMatches]:
        """Matches of a take: on true skin, or (`by_mesh`) where and as many as the audit takes them."""
        as_in_audit = WANTED * MOMENTS // self.n_moments
        matcher = PairMatcher(self.rig.stereo, wanted=as_in_audit if by_mesh else 300)
        return list(matcher.match_moments(self._pairs(take, kept_in, start, by_mesh=by_mesh)))

    def _pairs(self, take: int, kept_in: Path | None, start: int, *, by_mesh: bool) -> Iterator[MaskedPair]:
        for moment in range(start, start + self.n_moments):
            images, masks = self.pictures(take, moment, kept_in)
            if by_mesh:
                faces = [face_of(image) for image in images]
                if None in faces:
                    continue
                masks = skin_mask(faces[0]), face_mask(faces[1])
            yield MaskedPair(images=images, masks=masks)


@cache
def finder() -> FaceFinder:
    """One finder for all."""
    return FaceFinder()


def face_of(image: np.ndarray) -> FaceLandmarks | None:
    """The face that the mesh finds in an upright picture."""
    ref = FrameRef(camera="rendered", frame_idx=0, origin="rendered")
    found = finder().find(Frame(ref=ref, image=image))
    return found if isinstance(found, FaceLandmarks) else None


def speech(rng: np.random.Generator):
    """A face in the middle of a word: jaw, lips, brows, gaze and now and then a blink."""
    face = jaw_open(rng.uniform(0.0, 0.35))
    mouth = rng.choice(4)
    parts = (
        lips_apart(rng.uniform(0, 4)),
        pursed(rng.uniform(0, 0.8)),
        smile(rng.uniform(0, 0.7)),
        lips_pressed(0.4),
    )
    face = face.plus(parts[mouth]).plus(brows_raised(rng.uniform(0, 0.6))).plus(jaw_aside(rng.normal(0, 0.8)))
    face = face.plus(look(rng.normal(0, 8), rng.normal(0, 5)))
    return face.plus(blink(1.0)) if rng.uniform() < 0.08 else face
