"""The synthetic shoot day: footage rendered with known truth, and estimates held against it.

A board before the cameras: :func:`calibration_shoot`, :func:`render_view`. A performer's face: build a
:class:`FaceScene` from a :class:`Performer`, an :class:`Expression` (:func:`neutral`, :func:`jaw_open`,
:func:`bite`, ...), a :func:`head_rig`, a :func:`head_pose`, a :class:`FaceLight` and a :class:`HeadSensor`,
all with usable defaults, then::

    picture = render_face(FaceScene(performer=Performer(identity=3)), 0, rng=np.random.default_rng(1))
    picture.image, picture.truth.points_px["subnasale"], picture.truth.visible["chin"]

Change a scene with :func:`dataclasses.replace`; render both cameras of one moment with the same scene. A scripted
performance is a :class:`FaceClip`: :func:`face_frames` renders it pair by pair, :func:`write_face_clips` and
:func:`write_face_pictures` write it. A take of somebody speaking before a rig that may have been knocked is a
:class:`FaceTake`: :func:`take_pairs`, :func:`write_face_take`, :func:`knocked_rig`.
"""

from rigcheck.demo.background import dim_room
from rigcheck.demo.board import BoardInSpace, SurfaceShape, board_in_space, bow, saddle
from rigcheck.demo.camera import project_from, project_points, rays_of_pixels
from rigcheck.demo.clips import CalibrationShoot, DemoClips, calibration_shoot, write_calibration_clips
from rigcheck.demo.head_acting import lips_parted, look_at_point, open_bite
from rigcheck.demo.head_clip import FaceClip, FacePair, HelmetSlide, Hold, face_frames
from rigcheck.demo.head_expression import (
    JAW_FULL_DEG,
    Expression,
    bite,
    blended,
    blink,
    brows_raised,
    grimace,
    jaw_aside,
    jaw_open,
    lips_apart,
    lips_pressed,
    look,
    look_at_distance,
    neutral,
    pursed,
    smile,
)
from rigcheck.demo.head_files import write_face_clips, write_face_pictures
from rigcheck.demo.head_light import Brim, FaceLight, Lamp, usual_lamps
from rigcheck.demo.head_mesh import LABELS
from rigcheck.demo.head_performer import (
    N_IDENTITIES,
    OILY_PLACES,
    Performer,
    PosedHead,
    fair_exposure_stops,
    posed_head,
    random_performer,
)
from rigcheck.demo.head_rig import HeadRig, head_pose, head_rig
from rigcheck.demo.head_scene import FacePicture, FaceScene, FaceTruth, render_exposure, render_face
from rigcheck.demo.head_sensor import HeadSensor
from rigcheck.demo.head_take import FaceTake, knocked_rig, speech, take_pairs, write_face_take
from rigcheck.demo.head_things import Capsule
from rigcheck.demo.light import Lamps
from rigcheck.demo.motion import HandMotion, hand_motion
from rigcheck.demo.optics import Lens, Sensor, blur_disc_px
from rigcheck.demo.scenario import ShootDay, shoot_day
from rigcheck.demo.truth import TruthRow, compare_with_truth, depth_error_mm, mapping_error_px
from rigcheck.demo.view import RenderOptions, render_view

__all__ = [
    "JAW_FULL_DEG",
    "LABELS",
    "N_IDENTITIES",
    "OILY_PLACES",
    "BoardInSpace",
    "Brim",
    "CalibrationShoot",
    "Capsule",
    "DemoClips",
    "Expression",
    "FaceClip",
    "FaceLight",
    "FacePair",
    "FacePicture",
    "FaceScene",
    "FaceTake",
    "FaceTruth",
    "HandMotion",
    "HeadRig",
    "HeadSensor",
    "HelmetSlide",
    "Hold",
    "Lamp",
    "Lamps",
    "Lens",
    "Performer",
    "PosedHead",
    "RenderOptions",
    "Sensor",
    "ShootDay",
    "SurfaceShape",
    "TruthRow",
    "bite",
    "blended",
    "blink",
    "blur_disc_px",
    "board_in_space",
    "bow",
    "brows_raised",
    "calibration_shoot",
    "compare_with_truth",
    "depth_error_mm",
    "dim_room",
    "face_frames",
    "fair_exposure_stops",
    "grimace",
    "hand_motion",
    "head_pose",
    "head_rig",
    "jaw_aside",
    "jaw_open",
    "knocked_rig",
    "lips_apart",
    "lips_parted",
    "lips_pressed",
    "look",
    "look_at_distance",
    "look_at_point",
    "mapping_error_px",
    "neutral",
    "open_bite",
    "posed_head",
    "project_from",
    "project_points",
    "pursed",
    "random_performer",
    "rays_of_pixels",
    "render_exposure",
    "render_face",
    "render_view",
    "saddle",
    "shoot_day",
    "smile",
    "speech",
    "take_pairs",
    "usual_lamps",
    "write_calibration_clips",
    "write_face_clips",
    "write_face_pictures",
    "write_face_take",
]
