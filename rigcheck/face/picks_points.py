"""The mesh's points from a region that only the eyes decide, so that two moments of one face compare.

The mesh otherwise takes its region from its own points: a mouth taken for open stays open, and the same face gives
other points by another way there.
"""

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.upright import recorded_points, upright_picture, upright_points
from rigcheck.landmarks.gates import LEAST_LOGIT, face_shape, shape_fault
from rigcheck.landmarks.mesh import FaceMesh
from rigcheck.landmarks.sampling import PictureLevels, Square
from rigcheck.model import FACE_POINTS
from rigcheck.model._arrays import FloatArray

__all__ = ["SteadyMesh"]

# Side of the region, and how far below the eyes its centre lies, in outer-eye distances. Of three sizes tried on
# rendered heads the one whose points repeat best between moments: a tenth larger than the face's own region.
_SIDE, _BELOW = 3.2, 0.46
_EYES = ("eye_outer_right", "eye_inner_right", "eye_inner_left", "eye_outer_left")


class SteadyMesh:
    """The face mesh, looking at the region that the eyes decide. Not thread-safe."""

    def __init__(self) -> None:
        self._mesh = FaceMesh()

    def points(
        self, grey: NDArray[np.uint8], start_px: FloatArray, turn_deg: int, *, rounds: int = 1
    ) -> FloatArray | None:
        """Find the points of a face whose eyes are roughly known.

        Parameters
        ----------
        grey : (H, W) uint8
            As recorded.
        start_px : (478, 2) float64, px, as recorded
            Where the face was a moment ago, or by another look.
        turn_deg : int
            By how much the picture is turned clockwise to stand upright.
        rounds : int
            Looks at the eyes before the last one.

        Returns
        -------
        (478, 2) float64, px, as recorded, or None
            The mean of the plain and the mirrored look; None when no face is there any more.
        """
        size = (grey.shape[1], grey.shape[0])
        picture = PictureLevels(upright_picture(grey, turn_deg))
        points = upright_points(start_px, size, turn_deg)
        for _ in range(rounds - 1):
            points = self._mesh.look(picture, _region(points)).points_px
        region = _region(points)
        plain = self._mesh.look(picture, region)
        if plain.logit < LEAST_LOGIT or shape_fault(face_shape(plain.points_px)) is not None:
            return None
        mirrored = self._mesh.look(picture, region, mirrored=True)
        return recorded_points((plain.points_px + mirrored.points_px) / 2.0, size, turn_deg)


def _region(points_px: FloatArray) -> Square:
    """Region of an upright picture, from the corners of the eyes alone."""
    across = points_px[FACE_POINTS["eye_outer_left"]] - points_px[FACE_POINTS["eye_outer_right"]]
    unit = float(np.linalg.norm(across))
    down = np.array([-across[1], across[0]])
    middle = points_px[[FACE_POINTS[name] for name in _EYES]].mean(axis=0)
    return Square(
        centre_px=middle + _BELOW * down,
        side_px=_SIDE * unit,
        angle_rad=float(np.arctan2(across[1], across[0])),
    )
