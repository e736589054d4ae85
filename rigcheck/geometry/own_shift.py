"""What a change of a pair does to the picture of either camera, where that camera alone moved."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.observable import moved_pair
from rigcheck.geometry.projection import intrinsics_vector, project, unproject
from rigcheck.geometry.upright import recorded_points, upright_points, upright_size
from rigcheck.model import CameraModel, StereoRig

FloatArray = NDArray[np.float64]

# Half of the adult's distance between the pupils: the roll is read between the eyes.
_HALF_EYES_MM = 31.0
_STEP = 0.01

__all__ = ["PictureShift", "own_shifts", "place_before_camera"]


class PictureShift(NamedTuple):
    """Shift of a place across and down (px) and turn, clockwise (deg), in the upright picture, with covariance."""

    moved: FloatArray
    covariance: FloatArray


def place_before_camera(
    rig: StereoRig, offset_px: FloatArray, *, distance_mm: float, turn_deg: int = 0
) -> FloatArray:
    """Point (3,) mm in camera 1's frame seen at an offset (x, y) px from the upright picture's centre.

    Parameters
    ----------
    rig : StereoRig
    offset_px : (2,) float64
    distance_mm : float
        Along camera 1's viewing direction.
    turn_deg : int
        By which camera 1's picture is turned clockwise to stand upright.
    """
    camera = rig.camera1
    width, height = upright_size(camera.image_size_px, turn_deg)
    upright = np.array([[(width - 1) / 2.0, (height - 1) / 2.0]]) + offset_px
    seen = recorded_points(upright, camera.image_size_px, turn_deg)
    ray = unproject(seen, intrinsics_vector(camera), camera.model)[0]
    return np.array([*(distance_mm * ray), distance_mm])


def own_shifts(
    rig: StereoRig,
    change: FloatArray,
    covariance: FloatArray,
    place_mm: FloatArray,
    *,
    turns_deg: tuple[int, int] = (0, 0),
) -> tuple[PictureShift, PictureShift]:
    """How far a place that stays moves in each camera's picture, if that camera made the whole change alone.

    Parameters
    ----------
    rig : StereoRig
        The pair before.
    change : (5,) float64
        See :func:`rigcheck.geometry.observable.moved_pair`; `covariance` (5, 5).
    place_mm : (3,) float64, mm, camera-1 frame
        The middle between the eyes.
    turns_deg : two of 0, 90, 180, 270
        Clockwise turns that make the pictures upright.

    Notes
    -----
    A pair tells how one camera moved against the other, never which of both did. A change of the baseline's length is
    not in `change`; what it does to a picture is left out.
    """
    across = _across(turns_deg[0])
    eyes = place_mm + _HALF_EYES_MM * np.outer([0.0, -1.0, 1.0], across)
    out = []
    for camera in (0, 1):
        moved = _moved(rig, eyes, camera, turns_deg[camera], change)
        steps = [
            _moved(rig, eyes, camera, turns_deg[camera], change + step)
            - _moved(rig, eyes, camera, turns_deg[camera], change - step)
            for step in _STEP * np.eye(5)
        ]
        slope = np.stack(steps, axis=1) / (2 * _STEP)
        out.append(PictureShift(moved, slope @ covariance @ slope.T))
    return out[0], out[1]


def _moved(rig: StereoRig, eyes_mm: FloatArray, camera: int, turn_deg: int, change: FloatArray) -> FloatArray:
    """Shift of the eyes' middle (row 0) and turn of their line (3,) by a change that one camera made alone."""
    before, after = rig.camera2_from_camera1, moved_pair(rig.camera2_from_camera1, change)
    second = before.apply(eyes_mm)
    places = (eyes_mm, after.inverse().apply(second)) if camera == 0 else (second, after.apply(eyes_mm))
    then, now = (_seen((rig.camera1, rig.camera2)[camera], at, turn_deg) for at in places)
    turned = np.degrees(_lean(now) - _lean(then))
    return np.array([*(now - then)[0], (turned + 180.0) % 360.0 - 180.0])


def _seen(camera: CameraModel, points_mm: FloatArray, turn_deg: int) -> FloatArray:
    """Points (N, 3) of the camera's frame in its upright picture, (N, 2) px."""
    pixels = project(points_mm, intrinsics_vector(camera), camera.model)
    return upright_points(pixels, camera.image_size_px, turn_deg)


def _across(turn_deg: int) -> FloatArray:
    """Direction in the camera's frame that lies across its upright picture, to the right."""
    ends = upright_points(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), (2, 2), turn_deg)
    by_x, by_y = ends[1] - ends[0], ends[2] - ends[0]
    return np.array([by_x[0], by_y[0], 0.0])


def _lean(eyes_px: FloatArray) -> float:
    across = eyes_px[2] - eyes_px[1]
    return float(np.arctan2(across[1], across[0]))
