"""Views: what each camera saw of the board at one moment, gathered for the solver."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.board_shape import shape_basis
from rigcheck.geometry.bundle import Observations
from rigcheck.geometry.planar import homography, pose_from_homography
from rigcheck.geometry.projection import unproject
from rigcheck.model import BoardSpec, LensModel, Observation

FloatArray = NDArray[np.float64]

# A pose has 6 unknowns; 8 corners leave 10 residual coordinates to check it by.
MIN_CORNERS = 8

View = tuple[Observation | None, ...]

__all__ = [
    "MIN_CORNERS",
    "CameraSetup",
    "View",
    "closed_form_pose",
    "corner_sigmas",
    "gather",
    "usable_views",
]


@dataclass(frozen=True, kw_only=True)
class CameraSetup:
    """What is known of a camera before solving."""

    name: str
    image_size_px: tuple[int, int]
    frame_rate_hz: float | None = None
    mount_rotation_deg: int = 0


def spread_out(observation: Observation, board: BoardSpec) -> bool:
    """Whether the corners span two rows and two columns: corners on one line give no pose."""
    columns = board.corner_grid[0]
    ids = observation.corner_ids
    return len(np.unique(ids % columns)) >= 2 and len(np.unique(ids // columns)) >= 2


def usable_views(views: Sequence[View], board: BoardSpec) -> list[View]:
    """Views with each side kept only where it can give a pose; views without a side are dropped."""
    kept = []
    for view in views:
        sides = tuple(
            side if side is not None and side.n >= MIN_CORNERS and spread_out(side, board) else None
            for side in view
        )
        if any(side is not None for side in sides):
            kept.append(sides)
    return kept


def corner_sigmas(sides: Sequence[Observation]) -> FloatArray:
    """Sigma of every corner, px, with the median added in quadrature.

    The detector's own sigma knows noise, blur and contrast, not what print, lens model and plate
    leave over; the common part keeps a few very crisp corners from deciding everything.
    """
    sigma = np.concatenate([side.sigma_px for side in sides])
    return np.asarray(np.sqrt(sigma**2 + np.median(sigma) ** 2))


def gather(
    views: Sequence[View],
    board: BoardSpec,
    *,
    cameras: Sequence[int],
    terms: tuple[tuple[int, int], ...] = (),
) -> Observations:
    """Observations of the given cameras, views numbered as in `views`.

    Parameters
    ----------
    views : sequence of View
        Every one with at least one side among `cameras`.
    board : BoardSpec
    cameras : sequence of int
        Which sides to use; they are renumbered 0, 1 in this order.
    terms : tuple of (i, j)
        Terms of the board's shape that are free (:mod:`rigcheck.geometry.board_shape`); none for a flat board.
    """
    corners = board.corners_mm
    basis = shape_basis(board, corners[:, :2], terms)
    rows: list[tuple[int, int, Observation]] = []
    for view_idx, view in enumerate(views):
        for number, camera in enumerate(cameras):
            side = view[camera]
            if side is not None:
                rows.append((number, view_idx, side))
    sides = [side for _, _, side in rows]
    ids = np.concatenate([side.corner_ids for side in sides])
    counts = [side.n for side in sides]
    return Observations(
        camera_idx=np.repeat([number for number, _, _ in rows], counts).astype(np.int64),
        view_idx=np.repeat([view_idx for _, view_idx, _ in rows], counts).astype(np.int64),
        points_mm=corners[ids],
        pixels=np.concatenate([side.corners_px for side in sides]),
        sigma_px=corner_sigmas(sides),
        shape_basis=basis[ids],
    )


def closed_form_pose(
    side: Observation, board: BoardSpec, intrinsics: FloatArray, model: LensModel
) -> tuple[FloatArray, FloatArray]:
    """Pose of the board seen by a camera that is known: rotation (3, 3) and translation (3,), mm."""
    rays = unproject(side.corners_px, intrinsics, model)
    good = np.isfinite(rays).all(1)
    plane = board.corners_mm[side.corner_ids, :2]
    return pose_from_homography(homography(plane[good], rays[good]))
