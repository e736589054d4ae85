"""Which views to film next: those board poses that would most lower the uncertainty on the face.

References
----------
Peng & Sturm, "Calibration wizard", ICCV 2019: the next pose is the one with the largest expected fall of the
uncertainty; Rojtberg & Kuijper, "Efficient pose selection for interactive camera calibration", ISMAR 2018
(both cited from memory). Pukelsheim, Optimal Design of Experiments, 2006, ch. 6: adding to a design.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.choose import pose_of_view
from rigcheck.calibration.filming_words import Viewpoint, pose_in_words
from rigcheck.calibration.harm import (
    depth_by_scale,
    depth_by_shared,
    face_volume,
    focal_depth_by_shared,
    mapping_by_shared,
    single_camera_harm_mm,
)
from rigcheck.calibration.solve import Solution
from rigcheck.geometry.board_shape import shape_basis
from rigcheck.geometry.board_views import MIN_CORNERS, View
from rigcheck.geometry.bundle import Observations, normal_equations, predict
from rigcheck.geometry.face_volume import face_grid
from rigcheck.geometry.projection import project, unproject
from rigcheck.geometry.rotation import exp_rotation
from rigcheck.model import BoardSpec, RigidTransform, WantedView

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# The board's middle, in working distances: a boom or a chin is in the way nearer and farther.
DISTANCES = (0.8, 1.0, 1.2)
# Corners outside this range, in working distances, are taken to be out of focus and count for nothing.
SHARP_RANGE = (0.65, 1.35)
# Beyond 45 degrees corners foreshorten and blur (Zhang, IEEE PAMI 2000, section 5).
TILTS_DEG = (0.0, 25.0, 45.0)
_DIRECTIONS = 8
# The board's middle in half pictures from the picture's middle.
_PLACES = (-0.6, 0.0, 0.6)
# Corners this near to the picture's edge, as a share of its longer side, are often missed.
_MARGIN = 0.015
_LEAST_SEEN = 1.0 / 3.0
_LEAST_GAIN = 0.05
_AT_ONCE = 64
_POINTS_AN_EDGE = 8

__all__ = [
    "DISTANCES",
    "SHARP_RANGE",
    "TILTS_DEG",
    "Candidates",
    "candidate_views",
    "share_added",
    "viewpoint",
    "wanted_views",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidates:
    """Board poses within reach, with which corners each camera would see there.

    `seen` is (K, cameras, N) bool; `information` (K, G, G) is what each would tell about the shared unknowns, its
    own pose eliminated, at the noise of the solution.
    """

    poses: tuple[RigidTransform, ...]
    seen: BoolArray
    information: FloatArray


def wanted_views(solution: Solution, *, working_distance_mm: float, count: int = 3) -> tuple[WantedView, ...]:
    """Choose the views to film next.

    Parameters
    ----------
    solution : Solution
        Of one camera or two.
    working_distance_mm : float
        From the middle of the baseline (or the camera) to the middle of the face.
    count : int
        At most so many.

    Returns
    -------
    tuple of WantedView
        In the order of their choice; fewer, or none, when the next would lower the uncertainty by less than
        5 %.

    Notes
    -----
    Greedy: each is the best beside those before it. For two cameras the aim is the RMS depth sigma over the
    face; for one, depth from its focal length together with where rays land, carried to the face. Gains are
    predicted from the solution at hand, for one picture a pose with corners as good as its own; where that
    is far off, so are they. The board's scale is not improved by any view. A plain checkerboard must be
    in sight whole.
    """
    candidates = candidate_views(solution, working_distance_mm=working_distance_mm)
    aim = _aim(solution, working_distance_mm)
    unit = np.sqrt(np.diag(solution.covariance.combined))
    both = unit[:, None] * unit[None, :]
    total = np.linalg.inv(solution.covariance.combined / both)
    information = candidates.information * both
    choice, depth = aim.choice * both, aim.depth * both
    wanted: list[WantedView] = []
    before, left = float(_spread(choice, total)), aim.depth_mm(float(_spread(depth, total)))
    while len(wanted) < count and len(information):
        after = _spread(choice, total + information)
        best = int(np.argmin(after))
        if after[best] > (1.0 - _LEAST_GAIN) ** 2 * before:
            break
        total = total + information[best]
        before, reached = float(after[best]), aim.depth_mm(float(_spread(depth, total)))
        wanted.append(_described(solution, candidates.poses[best], (left, reached)))
        left = reached
    return tuple(wanted)


def share_added(solution: Solution, view: View, *, working_distance_mm: float) -> float:
    """By what share one more view would lower what `wanted_views` makes small.

    Parameters
    ----------
    solution : Solution
    view : View
        As seen, in at least one camera.
    working_distance_mm : float

    Returns
    -------
    float
        Between 0 and 1; predicted with corners as good as the solution's.

    Raises
    ------
    ValueError
        When no camera sees the board, or the solution does not explain the view at all.
    """
    adjustment = solution.adjustment
    pose = pose_of_view(view, solution.board, adjustment.state, adjustment.layout.models)
    seen = np.zeros((1, len(solution.setups), len(solution.board.corners_mm)), dtype=np.bool_)
    for camera, side in enumerate(view):
        if side is not None:
            seen[0, camera, side.corner_ids] = True
    unit = np.sqrt(np.diag(solution.covariance.combined))
    both = unit[:, None] * unit[None, :]
    choice = _aim(solution, working_distance_mm).choice * both
    total: FloatArray = np.linalg.inv(solution.covariance.combined / both)
    more = _information(solution, (pose,), seen)[0] * both
    before, after = float(_spread(choice, total)), float(_spread(choice, total + more))
    return 1.0 - float(np.sqrt(max(after, 0.0) / before))


def viewpoint(solution: Solution) -> Viewpoint:
    """From between the cameras along their mean viewing direction; from the camera where there is one."""
    state, pair = solution.adjustment.state, len(solution.setups) == 2
    grid = face_grid(
        state.rotation if pair else None,
        state.translation if pair else None,
        working_distance_mm=1.0,
        cells=(1, 1, 1),
    )
    return Viewpoint(origin_mm=grid.points_mm[0] - grid.axes[2], axes=grid.axes)


def candidate_views(solution: Solution, *, working_distance_mm: float) -> Candidates:
    """List poses within reach: places over the picture, distances about the face's, tilts all round.

    Returns
    -------
    Candidates
        Those that every camera would see at least a third of; a few hundred.
    """
    poses = _poses(solution, working_distance_mm)
    seen = np.stack(
        [_seen(solution, poses, camera, working_distance_mm) for camera in range(len(solution.setups))],
        axis=1,
    )
    share = 1.0 if solution.board.kind == "checkerboard" else _LEAST_SEEN
    enough = (seen.sum(2) >= max(share * seen.shape[2], MIN_CORNERS)).all(1)
    kept = tuple(pose for pose, good in zip(poses, enough, strict=True) if good)
    return Candidates(poses=kept, seen=seen[enough], information=_information(solution, kept, seen[enough]))


def _poses(solution: Solution, working_distance_mm: float) -> list[RigidTransform]:
    at, middle = viewpoint(solution), solution.board.corners_mm.mean(0)
    focal = np.mean([values[:2] for values in solution.adjustment.state.intrinsics], axis=0)
    half = 0.5 * np.array(solution.setups[0].image_size_px) / focal
    turns = np.arange(_DIRECTIONS) * 2.0 * np.pi / _DIRECTIONS
    round_about = np.stack([np.cos(turns), np.sin(turns), np.zeros(_DIRECTIONS)], axis=1)
    tilts = np.concatenate(
        [np.radians(tilt) * (round_about if tilt else np.zeros((1, 3))) for tilt in TILTS_DEG]
    )
    rotations = at.axes.T @ exp_rotation(tilts)
    poses = []
    for distance in working_distance_mm * np.array(DISTANCES):
        for x in _PLACES:
            for y in _PLACES:
                there = at.origin_mm + distance * np.array([x * half[0], y * half[1], 1.0]) @ at.axes
                poses += [
                    RigidTransform(rotation=rotation, translation_mm=there - rotation @ middle)
                    for rotation in rotations
                ]
    return poses


def _in_camera(solution: Solution, camera: int, points_mm: FloatArray) -> FloatArray:
    """Points of the camera-1 frame (N, 3) in a camera's own frame."""
    if camera == 0:
        return points_mm
    state = solution.adjustment.state
    return np.asarray(points_mm @ state.rotation.T + state.translation)


def _seen(
    solution: Solution, poses: Sequence[RigidTransform], camera: int, working_distance_mm: float
) -> BoolArray:
    """Which corners a camera would see well in each pose, (K, N); none where the lens model cannot follow."""
    board, state = solution.board, solution.adjustment.state
    model, intrinsics = solution.adjustment.layout.models[camera], state.intrinsics[camera]
    size = np.array(solution.setups[camera].image_size_px)
    points = np.concatenate([pose.apply(board.corners_mm) for pose in poses])
    depth = (points - viewpoint(solution).origin_mm) @ viewpoint(solution).axes[2]
    near, far = working_distance_mm * np.array(SHARP_RANGE)
    local = _in_camera(solution, camera, points)
    before: BoolArray = local[:, 2] > 0
    pixels = project(np.where(before[:, None], local, [0.0, 0.0, 1.0]), intrinsics, model)
    margin = _MARGIN * size.max()
    inside = ((pixels > margin) & (pixels < size - 1 - margin)).all(1)
    seen = (before & inside & (depth > near) & (depth < far)).reshape(len(poses), -1)
    outer = np.concatenate([pose.apply(_edge_mm(board, 1)) for pose in poses])
    outer = _in_camera(solution, camera, outer)
    rays = outer[:, :2] / np.where(outer[:, 2:] > 0, outer[:, 2:], np.nan)
    followed: BoolArray = outer[:, 2] > 0
    back = unproject(project(outer[followed], intrinsics, model), intrinsics, model)
    followed[followed] = np.abs(back - rays[followed]).max(1) < 1e-6
    whole = np.asarray(followed.reshape(len(poses), -1).all(1))
    return np.asarray(seen & whole[:, None])


def _information(solution: Solution, poses: Sequence[RigidTransform], seen: BoolArray) -> FloatArray:
    """Reduced information of each pose, (K, G, G); alike errors within a view weigh as they do in the fit."""
    adjustment, covariance = solution.adjustment, solution.covariance
    noise = adjustment.summary.noise_px * np.sqrt(covariance.inflation if covariance.correlated else 1.0)
    corners = solution.board.corners_mm
    basis = shape_basis(solution.board, corners[:, :2], solution.terms)
    out = [np.zeros((0, adjustment.layout.size, adjustment.layout.size))]
    for start in range(0, len(poses), _AT_ONCE):
        part = poses[start : start + _AT_ONCE]
        view_idx, camera_idx, ids = np.nonzero(seen[start : start + _AT_ONCE])
        observations = Observations(
            camera_idx=camera_idx,
            view_idx=view_idx,
            points_mm=corners[ids],
            pixels=np.zeros((len(ids), 2)),
            sigma_px=np.full(len(ids), noise),
            shape_basis=basis[ids],
        )
        state = replace(
            adjustment.state,
            board_rotations=np.stack([pose.rotation for pose in part]),
            board_translations=np.stack([pose.translation_mm for pose in part]),
        )
        prediction = predict(observations, adjustment.layout, state)
        weight = 1.0 / observations.sigma_px**2
        out.append(
            normal_equations(observations, prediction, information=weight, pull=weight).reduced_by_view
        )
    return np.concatenate(out)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Aim:
    """What is to become small: mean squares, mm squared, as forms (G, G) on the shared covariance.

    `choice` decides, `depth` is told. The told sigma is sqrt(fixed + factor * spread): `fixed_mm2` is the
    board's scale, `factor` what leads to the number that the solution itself reports.
    """

    choice: FloatArray
    depth: FloatArray
    fixed_mm2: float
    factor: float

    def depth_mm(self, spread: float) -> float:
        """Depth sigma on the face, mm, for a value of the form `depth`."""
        return float(np.sqrt(self.fixed_mm2 + self.factor * spread))


def _aim(solution: Solution, working_distance_mm: float) -> _Aim:
    if len(solution.setups) == 2:
        rows = depth_by_shared(solution, working_distance_mm)
        reported = face_volume(solution, working_distance_mm).depth_mm
        scale = (solution.board.scale_sigma or 0.0) * depth_by_scale(solution, working_distance_mm)
        fixed = float((scale**2).mean())
        choice = depth = rows.T @ rows / len(rows)
    else:
        gradient = focal_depth_by_shared(solution, 0, working_distance_mm)
        reported, fixed = single_camera_harm_mm(solution, 0, working_distance_mm), 0.0
        depth = np.outer(gradient, gradient)
        mapping = mapping_by_shared(solution, 0)
        to_face = working_distance_mm / float(np.mean(solution.adjustment.state.intrinsics[0][:2]))
        choice = depth + to_face**2 * np.einsum("nai,naj->ij", mapping, mapping) / len(mapping)
    spread = float((depth * solution.covariance.combined).sum())
    return _Aim(choice=choice, depth=depth, fixed_mm2=fixed, factor=max(reported**2 - fixed, 0.0) / spread)


def _spread(form: FloatArray, information: FloatArray) -> FloatArray:
    """Trace of the form times the covariance, for one information matrix or many."""
    return np.asarray(np.einsum("ij,...ji->...", form, np.linalg.inv(information)))


def _described(solution: Solution, pose: RigidTransform, depth_mm: tuple[float, float]) -> WantedView:
    middle = pose.apply(solution.board.corners_mm.mean(0))[None]
    middles = [_pixels(solution, camera, middle)[0] for camera in range(len(solution.setups))]
    inside = [
        bool(((at > 0) & (at < np.array(setup.image_size_px) - 1)).all())
        for at, setup in zip(middles, solution.setups, strict=True)
    ]
    camera = inside.index(True) if any(inside) else 0
    setup = solution.setups[camera]
    edge = pose.apply(_edge_mm(solution.board, _POINTS_AN_EDGE))
    return WantedView(
        camera1_from_board=pose,
        words=pose_in_words(
            pose,
            solution.board,
            viewpoint(solution),
            middle_px=middles[camera],
            image_size_px=setup.image_size_px,
            camera=setup.name,
        ),
        depth_before_mm=depth_mm[0],
        depth_after_mm=depth_mm[1],
        outlines_px=tuple(_pixels(solution, number, edge) for number in range(len(solution.setups))),
    )


def _pixels(solution: Solution, camera: int, points_mm: FloatArray) -> FloatArray:
    state, layout = solution.adjustment.state, solution.adjustment.layout
    return project(_in_camera(solution, camera, points_mm), state.intrinsics[camera], layout.models[camera])


def _edge_mm(board: BoardSpec, points_an_edge: int) -> FloatArray:
    """Points along the board's outer edge, (4 K, 3), from the top left along the top edge first."""
    width, height = (n * pitch for n, pitch in zip(board.squares, board.pitch_mm, strict=True))
    corners = np.array([[0, 0, 0], [width, 0, 0], [width, height, 0], [0, height, 0]], dtype=np.float64)
    along = (np.arange(points_an_edge) / points_an_edge)[None, :, None]
    return np.asarray(
        (corners[:, None] * (1 - along) + np.roll(corners, -1, axis=0)[:, None] * along).reshape(-1, 3)
    )
