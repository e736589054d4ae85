"""A board pose in words that a hand can follow."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import BoardSpec, RigidTransform

FloatArray = NDArray[np.float64]

# Parts of a picture as recorded, rows from the top.
PLACES = (
    ("upper left", "top", "upper right"),
    ("left edge", "middle", "right edge"),
    ("lower left", "bottom", "lower right"),
)
# What of the board is nearest to the cameras, by eighths of a turn from its right edge by way of its bottom.
_NEAREST = (
    "right edge",
    "lower right corner",
    "bottom edge",
    "lower left corner",
    "left edge",
    "upper left corner",
    "top edge",
    "upper right corner",
)
_FLAT_BELOW_DEG = 8.0

__all__ = ["PLACES", "Viewpoint", "pose_in_words"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Viewpoint:
    """From where a pose is described: between the cameras, along their mean viewing direction.

    `origin_mm` (3,) and `axes` (3, 3) rows: across, along, depth, both in the camera-1 frame.
    """

    origin_mm: FloatArray
    axes: FloatArray

    def tilt_deg(self, pose: RigidTransform) -> float:
        """Angle between the board's normal and the viewing direction."""
        return math.degrees(math.acos(min(abs(float(self.axes[2] @ pose.rotation[:, 2])), 1.0)))

    def distance_mm(self, pose: RigidTransform, board: BoardSpec) -> float:
        """Distance of the board's middle along the viewing direction."""
        return float(self.axes[2] @ (pose.apply(board.corners_mm.mean(0)) - self.origin_mm))


def pose_in_words(
    pose: RigidTransform,
    board: BoardSpec,
    viewpoint: Viewpoint,
    *,
    middle_px: FloatArray,
    image_size_px: tuple[int, int],
    camera: str,
) -> str:
    """Say how to hold a board.

    Parameters
    ----------
    pose : RigidTransform
        camera1_from_board.
    board : BoardSpec
    viewpoint : Viewpoint
    middle_px : (2,) float64
        Where the board's middle appears in the picture of `camera`, as recorded.
    image_size_px : (width, height) of that picture
    camera : str
        Its name.

    Returns
    -------
    str
        The rest of a sentence, no full stop: distance to 5 mm, place in a 3 x 3 division of the picture, tilt to
        5 degrees and which edge or corner of the board is nearest. Edges are the board's own; it is not said which
        way up the board is.
    """
    distance = 5.0 * round(viewpoint.distance_mm(pose, board) / 5.0)
    many = "camera" if np.allclose(viewpoint.origin_mm, 0.0) else "cameras"
    where = _place(middle_px, image_size_px)
    at = "in" if where == "middle" or (" " in where and "edge" not in where) else "at"
    return (
        f"hold the board about {distance:.0f} mm from the {many}, its middle {at} the {where} of "
        f"{camera}'s picture, {_tilt(pose, viewpoint, many)}"
    )


def _place(middle_px: FloatArray, image_size_px: tuple[int, int]) -> str:
    column, row = (
        min(max(int(3 * at / size), 0), 2) for at, size in zip(middle_px + 0.5, image_size_px, strict=True)
    )
    return PLACES[row][column]


def _tilt(pose: RigidTransform, viewpoint: Viewpoint, many: str) -> str:
    tilt = viewpoint.tilt_deg(pose)
    if tilt < _FLAT_BELOW_DEG:
        return f"facing the {many} squarely"
    deeper = viewpoint.axes[2] @ pose.rotation[:, :2]
    eighth = round(math.degrees(math.atan2(-deeper[1], -deeper[0])) / 45.0) % 8
    return f"its {_NEAREST[eighth]} tilted {5 * round(tilt / 5.0)} degrees towards the {many}"
