"""The synthetic shoot day: footage rendered with known truth, and estimates held against it."""

from rigcheck.demo.background import dim_room
from rigcheck.demo.board import BoardInSpace, SurfaceShape, board_in_space, bow, saddle
from rigcheck.demo.camera import project_from, project_points, rays_of_pixels
from rigcheck.demo.clips import CalibrationShoot, DemoClips, calibration_shoot, write_calibration_clips
from rigcheck.demo.light import Lamps
from rigcheck.demo.motion import HandMotion, hand_motion
from rigcheck.demo.optics import Lens, Sensor, blur_disc_px
from rigcheck.demo.scenario import ShootDay, shoot_day
from rigcheck.demo.truth import TruthRow, compare_with_truth, depth_error_mm, mapping_error_px
from rigcheck.demo.view import RenderOptions, render_view

__all__ = [
    "BoardInSpace",
    "CalibrationShoot",
    "DemoClips",
    "HandMotion",
    "Lamps",
    "Lens",
    "RenderOptions",
    "Sensor",
    "ShootDay",
    "SurfaceShape",
    "TruthRow",
    "blur_disc_px",
    "board_in_space",
    "bow",
    "calibration_shoot",
    "compare_with_truth",
    "depth_error_mm",
    "dim_room",
    "hand_motion",
    "mapping_error_px",
    "project_from",
    "project_points",
    "rays_of_pixels",
    "render_view",
    "saddle",
    "shoot_day",
    "write_calibration_clips",
]
