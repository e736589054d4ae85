"""Rendered performers against what framing says of them: one row a camera, for the test and for the bench."""

from dataclasses import dataclass, replace

import numpy as np

from rigcheck.demo.camera import project_points
from rigcheck.demo.head_expression import neutral
from rigcheck.demo.head_performer import posed_head, random_performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.face.framing import camera_framing
from rigcheck.face.framing_jaw import chin_after
from rigcheck.face.framing_points import upright_face
from rigcheck.face.framing_pose import Optics
from rigcheck.landmarks import FaceFinder
from rigcheck.model import FaceLandmarks, Frame, FrameRef

QUANTITIES = (
    "nostril_offset_x_px",
    "nostril_offset_y_px",
    "chin_margin_px",
    "roll_deg",
    "look_up_deg",
    "jaw_open_margin_px",
)


@dataclass(frozen=True, kw_only=True)
class Row:
    """Errors and sigmas by quantity, and the outer-eye distance, px."""

    errors: dict[str, float]
    sigmas: dict[str, float]
    eyes_px: float


def random_pose(rng):
    """A head before the rig as helmets hold it."""
    return head_pose(
        distance_mm=rng.uniform(175, 230),
        across_mm=rng.normal(0, 6),
        down_mm=rng.normal(0, 8),
        look_up_deg=rng.uniform(-2, 22),
        yaw_deg=rng.normal(0, 4),
        roll_deg=rng.normal(0, 3),
    )


def published_jaw(rng):
    """Opening of one person, mm, and where their hinge lies: spread as published, men and women alike often."""
    opening = max(rng.normal(51.3, 7.0) if rng.random() < 0.5 else rng.normal(48.0, 6.0), 30.0)
    jaw = {
        "forward_mm": rng.normal(77, 5),
        "below_mm": rng.normal(88, 7),
        "turn_factor": rng.normal(1, 0.06),
    }
    return opening, jaw


def rows_of(case: int, *, size_px=(540, 720), cameras=(0, 1), calibrated=True, finder=None) -> list[Row]:
    """One performer at rest before a stacked pair, posed, sized and lit at random; and a jaw of their own.

    The jaw opens by a published opening (men 51.3 ± 7.0 mm, women 48.0 ± 6.0), about a hinge that lies where hinges lie
    in the stated spread; where the chin then is, is computed, not rendered.
    """
    rng = np.random.default_rng([91, case])
    performer = random_performer(rng)
    rig = head_rig(size_px=size_px)
    pose = random_pose(rng)
    chin = posed_head(performer, neutral()).points_mm["chin"]
    size = (performer.face_length_mm or 117.9) / 117.9
    opening, jaw = published_jaw(rng)
    down, back = chin_after(opening / size, **jaw) * size
    scene = FaceScene(rig=rig, performer=performer, rig_from_head=pose, background_seed=None)
    rows, finder = [], finder or FaceFinder()
    for k in cameras:
        picture = render_face(scene, k, rng=rng)
        found = finder.find(Frame(ref=FrameRef(camera="a", frame_idx=0, origin="x"), image=picture.image))
        if not isinstance(found, FaceLandmarks):
            continue
        from_rig = rig.camera_from_rig[k]
        open_chin = project_points(
            rig.cameras[k], from_rig.apply(pose.apply(chin + np.array([0, down, back])))
        )
        optics = Optics(image_size_px=size_px)
        if calibrated:
            distance = float(from_rig.apply(pose.translation_mm)[2])
            optics = replace(optics, camera=rig.cameras[k], distance_mm=distance, distance_sigma=0.02)
        place = pose.inverse().apply(from_rig.inverse().translation_mm)
        rows.append(_row(found, optics, picture.truth.points_px, open_chin, place))
    return rows


def _row(found, optics, truth, open_chin, place) -> Row:
    framing = camera_framing("a", [upright_face(found, 0)], optics)
    width, height = optics.image_size_px
    base = (truth["alar_base_left"] + truth["alar_base_right"]) / 2 - [(width - 1) / 2, (height - 1) / 2]
    across = (
        truth["eye_outer_left"]
        + truth["eye_inner_left"]
        - truth["eye_outer_right"]
        - truth["eye_inner_right"]
    )
    want = {
        "nostril_offset_x_px": base[0],
        "nostril_offset_y_px": base[1],
        "chin_margin_px": height - 0.5 - truth["chin"][1],
        "roll_deg": np.degrees(np.arctan2(across[1], across[0])),
        "look_up_deg": np.degrees(np.arcsin(place[1] / np.linalg.norm(place))),
        "jaw_open_margin_px": height - 0.5 - open_chin[1],
    }
    return Row(
        errors={name: framing.numbers[name].value - float(want[name]) for name in QUANTITIES},
        sigmas={name: framing.numbers[name].sigma for name in QUANTITIES},
        eyes_px=float(np.linalg.norm(truth["eye_outer_left"] - truth["eye_outer_right"])),
    )
