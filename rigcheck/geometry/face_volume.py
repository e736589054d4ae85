"""What an error of the rig does to points on the face.

The face is stood for by a box 130 x 160 x 80 mm (across, along, deep) centred on the working distance.
Depth is counted along the pair's viewing direction, the mean of both optical axes, in the camera-1 frame.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.projection import project_with_derivatives
from rigcheck.geometry.rotation import skew
from rigcheck.model import LensModel

FloatArray = NDArray[np.float64]

FACE_BOX_MM = (130.0, 160.0, 80.0)
_CELLS = (6, 7, 4)

__all__ = ["FACE_BOX_MM", "FaceGrid", "depth_derivatives", "face_grid"]


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceGrid:
    """Points over the face volume.

    `points_mm` (N, 3) camera-1 frame; `axes` (3, 3) rows: across, along, depth; `offsets_mm` (N, 3) along
    those axes from the centre.
    """

    points_mm: FloatArray
    axes: FloatArray
    offsets_mm: FloatArray


def face_grid(
    rotation: FloatArray | None,
    translation: FloatArray | None,
    *,
    working_distance_mm: float,
    upright_deg: int = 0,
    cells: tuple[int, int, int] = _CELLS,
) -> FaceGrid:
    """Cell centres of the face volume.

    Parameters
    ----------
    rotation, translation : camera2_from_camera1, or None for one camera
    working_distance_mm : float
        From the middle of the baseline (or the camera) to the middle of the face.
    upright_deg : {0, 90, 180, 270}
        How camera 1 is mounted: at 90 and 270 the face's width runs along the picture's height.
    cells : cells along (across, along, depth)
    """
    view, origin = np.array([0.0, 0.0, 1.0]), np.zeros(3)
    if rotation is not None and translation is not None:
        view = view + rotation[2]
        view = view / np.linalg.norm(view)
        origin = -0.5 * rotation.T @ translation
    seed = np.array([1.0, 0.0, 0.0]) if upright_deg % 180 == 0 else np.array([0.0, 1.0, 0.0])
    across = seed - (seed @ view) * view
    across = across / np.linalg.norm(across)
    axes = np.stack([across, np.cross(view, across), view])
    lines = [size * ((np.arange(n) + 0.5) / n - 0.5) for size, n in zip(FACE_BOX_MM, cells, strict=True)]
    offsets = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, 3)
    return FaceGrid(
        points_mm=origin + working_distance_mm * view + offsets @ axes, axes=axes, offsets_mm=offsets
    )


def depth_derivatives(
    points: FloatArray,
    intrinsics: tuple[FloatArray, FloatArray],
    models: tuple[LensModel, LensModel],
    *,
    rotation: FloatArray,
    translation: FloatArray,
) -> FloatArray:
    """Derivative of triangulated points by the rig, the pixels held.

    Parameters
    ----------
    points : (N, 3) float64, mm, camera-1 frame, before both cameras
    intrinsics, models : of both cameras
    rotation, translation : camera2_from_camera1

    Returns
    -------
    (N, 3, P1 + P2 + 6) float64
        By the full intrinsics of camera 1, those of camera 2, three left turns of `rotation` (rad),
        `translation` (mm).

    Notes
    -----
    Implicit differentiation of least reprojection error at points whose pixels agree exactly:
    dX = -(Jx' Jx)^-1 Jx' J_rig.
    """
    relative = points @ rotation.T
    first = project_with_derivatives(points, intrinsics[0], models[0])
    second = project_with_derivatives(relative + translation, intrinsics[1], models[1])
    n1, n2 = len(intrinsics[0]), len(intrinsics[1])
    by_rig = np.zeros((len(points), 4, n1 + n2 + 6))
    by_rig[:, :2, :n1] = first.by_intrinsics
    by_rig[:, 2:, n1 : n1 + n2] = second.by_intrinsics
    by_rig[:, 2:, n1 + n2 : n1 + n2 + 3] = -second.by_point @ skew(relative)
    by_rig[:, 2:, n1 + n2 + 3 :] = second.by_point
    by_x = np.concatenate([first.by_point, second.by_point @ rotation], axis=1)
    transposed = np.swapaxes(by_x, 1, 2)
    return np.asarray(-np.linalg.solve(transposed @ by_x, transposed @ by_rig))
