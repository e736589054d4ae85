"""Rendered bites and how far their front teeth truly lie behind the upper lip, for the tests and for the bench."""

from dataclasses import dataclass

import numpy as np
from pick_clips import BLACK_DN, SIZE_PX, Stage

from rigcheck.demo.head_expression import bite
from rigcheck.demo.head_mesh import LABEL_OF
from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_rig import HeadRig, head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.face.picks_reading import CameraPictures, MomentReader
from rigcheck.model import Frame, FrameRef


@dataclass(frozen=True)
class Bite:
    """Frames of both cameras, and how far the upper incisors lie behind the upper lip by the rendered surface, mm."""

    rig: HeadRig
    frames: list[CameraPictures]
    behind_mm: float


def bite_of(head, *, side_by_side=False, amount=0.85, size_px=SIZE_PX):
    """Render one head's bite before cameras above each other, or a plain head's before cameras side by side."""
    rig = head_rig(size_px=size_px, side_by_side=side_by_side)
    stage = Stage(head=head, size_px=size_px)
    scene = FaceScene(
        rig=rig,
        performer=Performer(identity=head, texture_seed=head) if side_by_side else stage.performer,
        expression=bite(amount),
        rig_from_head=head_pose(distance_mm=195.0) if side_by_side else head_pose(**stage.placed),
        exposure_stops=0.0 if side_by_side else stage.exposure_stops,
        background_seed=None,
    )
    pictures = [render_face(scene, camera, rng=np.random.default_rng([75, camera])) for camera in (0, 1)]
    truth = pictures[0].truth
    teeth = rig.camera_from_rig[0].apply(truth.points_rig_mm["upper_incisors_middle"])[2]
    middle = truth.points_px["upper_incisors_middle"]
    rows, columns = np.nonzero(truth.labels == LABEL_OF["lips"])
    # The upper lip over the mouth's middle third.
    near = (np.abs(columns - middle[0]) < 0.07 * size_px[0]) & (rows < middle[1])
    frames = [
        CameraPictures(
            frame=Frame(ref=FrameRef(camera=camera.name, frame_idx=0, origin="x"), image=picture.image)
        )
        for camera, picture in zip(rig.cameras, pictures, strict=True)
    ]
    lip = float(np.median(truth.depth_mm[rows[near], columns[near]]))
    return Bite(rig=rig, frames=frames, behind_mm=float(teeth) - lip)


def reader_of(found, *, calibrated=True):
    """A reader for a bite's cameras."""
    black = {camera.name: BLACK_DN for camera in found.rig.cameras}
    return MomentReader(rig=found.rig.stereo if calibrated else None, black_dn=black)
