"""Troubles of the plate and its print over a clip: fingers, glare, fading ink, a plate that flexes."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from rigcheck.geometry.board_shape import QUADRATIC, shape_basis
from rigcheck.geometry.projection import intrinsics_vector, project_with_derivatives
from rigcheck.geometry.rotation import skew
from rigcheck.model import CalibrationRun, Estimate, Finding, ViewResult
from rigcheck.target.surface import SurfaceLook

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

__all__ = ["plate_findings", "plate_flex"]

# A place counts when it is so in at least this many pictures of one camera, and this share of those showing it.
MIN_PICTURES, MIN_SHARE = 3, 0.15
# One square at the very edge costs no corner.
MIN_COVERED = 2
# Light of the ink over that of the paper from which it is fading; the second where values may not be linear.
FADED_RATIO, FADED_CODE_RATIO = 0.3, 0.5
# Flexing from which it is named; smooth errors of the corners of 0.05 px look like 0.005 mm.
NAMED_FLEX_MM = 0.02
NAMED_SIGMAS = 4.0
MIN_FLEX_VIEWS = 6
_KEPT_WEIGHT = 0.1


def plate_findings(looks: Iterable[SurfaceLook], flex: Estimate | None = None) -> tuple[Finding, ...]:
    """Name the troubles of board and print.

    Parameters
    ----------
    looks : iterable of SurfaceLook
        Of every picture with a board, of all cameras.
    flex : Estimate, optional
        See :func:`plate_flex`.

    Returns
    -------
    tuple of Finding
        ``board_fingers``, ``board_glare``, ``board_fading``, ``board_flexing``: what was seen, and what to do.
        Empty when nothing is wrong.
    """
    looks = [look for look in looks if np.isfinite(look.ink_ratio)]
    found: list[Finding] = []
    for camera in dict.fromkeys(look.ref.camera for look in looks):
        mine = [look for look in looks if look.ref.camera == camera]
        found += [*_fingers(camera, mine), *_glare(camera, mine), *_fading(camera, mine)]
    if flex is not None:
        found += _flexing(flex)
    return tuple(found)


def _often(looks: Sequence[SurfaceLook], which: Callable[[SurfaceLook], BoolArray]) -> BoolArray:
    """Squares marked often enough, (rows, columns)."""
    marked = np.sum([which(look) for look in looks], axis=0)
    visible = np.sum([look.visible for look in looks], axis=0)
    return np.asarray(marked >= np.maximum(MIN_PICTURES, MIN_SHARE * visible))


def _fingers(camera: str, looks: Sequence[SurfaceLook]) -> list[Finding]:
    often = _often(looks, lambda look: look.covered)
    rows, columns = often.shape
    # Two squares deep: what reaches in from the edge is a hand, what lies in the middle is not.
    edges = {
        "top": often[:2].any(axis=0),
        "bottom": often[-2:].any(axis=0),
        "left": often[:, :2].any(axis=1),
        "right": often[:, -2:].any(axis=1),
    }
    outer = often.copy()
    outer[2 : rows - 2, 2 : columns - 2] = False
    if outer.sum() < MIN_COVERED:
        return []
    where = max(edges, key=lambda edge: int(edges[edge].sum()))
    pictures = sum(bool((look.covered & outer).any()) for look in looks)
    return [
        Finding(
            code="board_fingers",
            sentence=(
                f"{camera}: something covers squares at the board's {where} edge (as its file describes it) in "
                f"{pictures} of {len(looks)} pictures, most likely fingers. Hold the plate by its rim or by a "
                "handle behind it, so that every square can be seen."
            ),
        )
    ]


def _glare(camera: str, looks: Sequence[SurfaceLook]) -> list[Finding]:
    pictures = sum(bool(look.glare.any()) for look in looks)
    if pictures < max(MIN_PICTURES, MIN_SHARE * len(looks)):
        return []
    squares = float(np.mean([look.glare.sum() for look in looks if look.glare.any()]))
    return [
        Finding(
            code="board_glare",
            sentence=(
                f"{camera}: lamps mirror in the board: in {pictures} of {len(looks)} pictures black squares are "
                f"as bright as paper, {squares:.0f} at a time. Dim or diffuse the lamps, tilt the board out of "
                "their reflection, or use a matt print."
            ),
        )
    ]


def _fading(camera: str, looks: Sequence[SurfaceLook]) -> list[Finding]:
    ratio = float(np.median([look.ink_ratio for look in looks]))
    linear = all(look.linear for look in looks)
    if len(looks) < MIN_PICTURES or ratio <= (FADED_RATIO if linear else FADED_CODE_RATIO):
        return []
    of = "the light" if linear else "the code value"
    return [
        Finding(
            code="board_fading",
            sentence=(
                f"{camera}: the board's black squares have {100 * ratio:.0f} % of {of} of its white ones. Some "
                "inks fade out in near infrared, and stray light washes out the rest: print the board with "
                "carbon-based ink or toner, and check it through this camera."
            ),
        )
    ]


def _flexing(flex: Estimate) -> list[Finding]:
    if flex.value is None or flex.value < NAMED_FLEX_MM:
        return []
    if flex.sigma is not None and flex.value < NAMED_SIGMAS * flex.sigma:
        return []
    return [
        Finding(
            code="board_flexing",
            sentence=(
                f"The board's shape changes from view to view by {flex.value:.2f} mm (standard deviation): the "
                "plate bends in the hand. Use a stiffer plate (glass, aluminium, ceramic), held without force."
            ),
        )
    ]


@dataclass(frozen=True, kw_only=True, eq=False)
class _ViewShape:
    """Heights (3,) of one view against the solution's shape, mm, with their covariance."""

    heights_mm: FloatArray
    covariance: FloatArray


def plate_flex(run: CalibrationRun) -> Estimate:
    """How much the board's shape varies from view to view.

    Parameters
    ----------
    run : CalibrationRun
        Its views carry residuals.

    Returns
    -------
    Estimate
        mm: standard deviation between views of the height at the edges of a quadratic surface, in the
        direction in which it varies most, noise taken off. `sigma` is that of the noise, so that value over
        sigma says how sure it is. No value with fewer than six views.

    Notes
    -----
    Each view's residuals are explained by a small move of the board and by three heights (bent along x, along
    y, twisted), linearised at the solution. A shape that all views share is no flexing. Errors of the lens
    model look like a shape that depends on where the board was, and set the floor.

    References
    ----------
    DerSimonian & Laird, Controlled Clinical Trials 7, 1986 (variance between groups beyond their own).
    """
    shapes = [shape for view in run.views if (shape := _view_shape(run, view)) is not None]
    if len(shapes) < MIN_FLEX_VIEWS:
        return Estimate(
            value=None, reason=f"{len(shapes)} views with enough corners found, {MIN_FLEX_VIEWS} needed"
        )
    best_mm, best_sigma_mm = 0.0, 0.0
    for term in range(len(QUADRATIC)):
        values = np.array([shape.heights_mm[term] for shape in shapes])
        weights = 1.0 / np.array([shape.covariance[term, term] for shape in shapes])
        middle = float((weights * values).sum() / weights.sum())
        excess = float((weights * (values - middle) ** 2).sum()) - (len(values) - 1)
        scale = float(weights.sum() - (weights**2).sum() / weights.sum())
        spread_mm = float(np.sqrt(max(excess, 0.0) / scale))
        # What noise alone would reach in one clip of a thousand.
        chance = float(scipy.special.chdtri(len(values) - 1, 0.001)) - (len(values) - 1)
        chance_mm = float(np.sqrt(chance / scale))
        if spread_mm >= best_mm:
            best_mm, best_sigma_mm = spread_mm, chance_mm / 3.0
    return Estimate(value=best_mm, sigma=best_sigma_mm, unit="mm", n=len(shapes))


def _view_shape(run: CalibrationRun, view: ViewResult) -> _ViewShape | None:
    rows, seen = [], []
    for number, side in enumerate(view.sides):
        if side is None:
            continue
        keep = side.weights > _KEPT_WEIGHT
        ids = side.observation.corner_ids[keep]
        by_move, by_height = _derivatives(run, view, number, ids)
        scale = 1.0 / side.observation.sigma_px[keep].repeat(2)
        rows.append(scale[:, None] * np.concatenate([by_move, by_height], axis=1))
        seen.append(scale * side.residuals_px[keep].ravel())
    if not rows:
        return None
    design, residual = np.concatenate(rows), np.concatenate(seen)
    unknowns = design.shape[1]
    freedom = len(residual) - unknowns
    if freedom < unknowns:
        return None
    normal = design.T @ design
    inverse = np.linalg.pinv(normal, hermitian=True)
    solved = inverse @ (design.T @ residual)
    left = residual - design @ solved
    # The middle of the residuals' size, not their mean square: outliers do not widen the sigma.
    noise = float(np.median(np.abs(left))) / 0.6745
    return _ViewShape(heights_mm=solved[6:], covariance=noise**2 * len(residual) / freedom * inverse[6:, 6:])


def _derivatives(
    run: CalibrationRun, view: ViewResult, number: int, ids: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Derivatives of a camera's corners by a move of the board (2N, 6) and by its heights (2N, 3)."""
    board = run.calibration.board
    flat = board.corners_mm[ids]
    camera = run.calibration.cameras[number].camera
    turned = flat @ view.camera1_from_board.rotation.T
    rotation, translation = np.eye(3), np.zeros(3)
    if number == 1 and run.calibration.stereo is not None:
        pose = run.calibration.stereo.camera2_from_camera1
        rotation, translation = pose.rotation, pose.translation_mm
    points = (turned + view.camera1_from_board.translation_mm) @ rotation.T + translation
    by_point = project_with_derivatives(points, intrinsics_vector(camera), camera.model).by_point @ rotation
    by_turn = -by_point @ skew(turned)
    normal = view.camera1_from_board.rotation[:, 2]
    by_height = (by_point @ normal)[..., None] * shape_basis(board, flat[:, :2], QUADRATIC)[:, None, :]
    by_move = np.concatenate([by_turn, by_point], axis=2)
    return by_move.reshape(-1, 6), by_height.reshape(-1, len(QUADRATIC))
