"""What one picture shows of a board's surface: squares covered, squares in glare, how black the ink is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import BoardSpec, FrameRef, Observation
from rigcheck.target.edges import EdgeBlurs
from rigcheck.target.layout import board_layout
from rigcheck.target.neighbours import homography, mapped

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Picture = NDArray[np.uint8]

__all__ = ["SurfaceLook", "surface_look"]

MIN_EDGES = 12
# Half width of the patch in a square's middle, and of the window around a missing corner, in squares.
PATCH_SQUARES, WINDOW_SQUARES = 0.12, 0.3
MIN_PATCH_PX = 1
# Light of a black square over the ink around it, as a share of the step from ink to paper: covered between the
# first two, glare from the third. Skin gives back about half of what paper does, or less.
COVERED_LIFT, GLARE_LIFT = (0.2, 0.8), 0.9
# A missing corner whose window is nowhere brighter than this share of the step hides behind something not white.
DARK_SHARE = 0.65
# Share of a missing corner's window at the end of the code values from which glare hides it.
GLARE_SHARE, GLARE_CODE = 0.4, 250


@dataclass(frozen=True, kw_only=True, eq=False)
class SurfaceLook:
    """One picture's board, square by square.

    Parameters
    ----------
    ref : FrameRef
    visible, covered, glare : (rows, columns) bool
        Black squares in the picture; those with something over them; those in glare. Squares around a corner
        that is hidden count as well.
    ink_ratio : float
        Light given back by ink over that by paper, median of the edges. NaN when too few edges were measured:
        then nothing is judged, and nothing is visible.
    linear : bool
        Whether the ratio is of light; else of code values taken as linear.
    """

    ref: FrameRef
    visible: BoolArray
    covered: BoolArray
    glare: BoolArray
    ink_ratio: float
    linear: bool


def surface_look(
    image: Picture,
    observation: Observation,
    spec: BoardSpec,
    blurs: EdgeBlurs,
    *,
    black_level: float | None = None,
) -> SurfaceLook:
    """Look at a detected board's surface.

    Parameters
    ----------
    image : (H, W) uint8
    observation : Observation
    spec : BoardSpec
    blurs : EdgeBlurs
        Of the same picture: they give the levels of ink and paper.
    black_level : float, optional
        Code value of darkness; 0 when not known. Already taken off where `blurs` were made linear.

    Returns
    -------
    SurfaceLook

    Notes
    -----
    Places come from one homography over the board, good to a fraction of a square even through a lens that
    distorts. A covered corner is told by the lack of anything white around it, which holds for skin of every
    tone and for gloves; a covered black square in the outer rows by its light, which misses what is as dark as
    the ink.
    """
    columns, rows = spec.squares
    nothing = np.zeros((rows, columns), dtype=np.bool_)
    levels = _levels(image, blurs)
    if levels is None:
        return SurfaceLook(
            ref=observation.ref,
            visible=nothing,
            covered=nothing,
            glare=nothing,
            ink_ratio=float("nan"),
            linear=blurs.linear,
        )
    visible, covered, glare = _squares(image, observation, spec, levels)
    hidden, dazzled = _hidden_corners(image, observation, spec, levels)
    glare |= _around(dazzled, spec) & visible
    halo = _reached_from(glare, covered)
    glare, covered = glare | halo, (covered & ~halo) | (_around(hidden, spec) & visible)
    dark = 0.0 if blurs.linear else (black_level or 0.0)
    ratio = (blurs.black - dark) / np.maximum(blurs.white - dark, 1e-6)
    return SurfaceLook(
        ref=observation.ref,
        visible=visible,
        covered=covered & ~glare,
        glare=glare,
        ink_ratio=float(np.median(ratio)),
        linear=blurs.linear,
    )


def _levels(image: Picture, blurs: EdgeBlurs) -> tuple[float, float] | None:
    """Code values of ink and paper, read beside the measured edges; None when there are too few."""
    if blurs.n < MIN_EDGES:
        return None
    normal = np.stack([-np.sin(blurs.directions_rad), np.cos(blurs.directions_rad)], axis=1)
    reach = 3.0 * float(np.median(blurs.blur_px)) + 1.0
    height, width = image.shape
    sides = []
    for way in (1.0, -1.0):
        at = np.rint(blurs.midpoints_px + way * reach * normal).astype(np.int64)
        x, y = np.clip(at[:, 0], 0, width - 1), np.clip(at[:, 1], 0, height - 1)
        sides.append(image[y, x].astype(np.float64))
    return float(np.median(np.minimum(*sides))), float(np.median(np.maximum(*sides)))


def _patches(image: Picture, points_px: FloatArray, half_px: int) -> tuple[NDArray[np.uint8], BoolArray]:
    """Square patches (N, S, S) around points, and whether they lie in the picture whole."""
    height, width = image.shape
    centre = np.rint(np.nan_to_num(points_px, nan=-1e6)).astype(np.int64)
    within = (centre >= half_px) & (centre < np.array([width, height]) - half_px)
    inside = np.asarray(within.all(axis=1), dtype=np.bool_)
    safe = np.where(inside[:, None], centre, half_px)
    offsets = np.arange(-half_px, half_px + 1)
    y = safe[:, 1, None, None] + offsets[:, None]
    x = safe[:, 0, None, None] + offsets
    return image[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)], inside


def _map(observation: Observation, spec: BoardSpec) -> FloatArray:
    columns = spec.corner_grid[0]
    row, column = np.divmod(observation.corner_ids, columns)
    return homography(np.stack([column + 1.0, row + 1.0], axis=1), observation.corners_px)


def _half_px(steps_px: FloatArray, share: float) -> int:
    square = float(np.sqrt(np.median(np.abs(np.linalg.det(steps_px)))))
    return max(int(share * square), MIN_PATCH_PX)


def _squares(
    image: Picture, observation: Observation, spec: BoardSpec, levels: tuple[float, float]
) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Black squares in the picture, those covered and those in glare, by the light of their middles."""
    layout = board_layout(spec)
    cells = np.argwhere(layout.black)
    points, steps = mapped(_map(observation, spec), cells[:, ::-1].astype(np.float64) + np.array([0.5, 0.5]))
    patches, inside = _patches(image, points, _half_px(steps, PATCH_SQUARES))
    level = np.median(patches.reshape(len(patches), -1), axis=1)
    ink, paper = levels
    base = float(np.median(level[inside])) if inside.any() else ink
    lift = (level - base) / max(paper - base, 1.0)
    out = []
    for chosen in (
        inside,
        inside & (lift > COVERED_LIFT[0]) & (lift < COVERED_LIFT[1]),
        inside & ((lift >= GLARE_LIFT) | (level >= GLARE_CODE)),
    ):
        grid = np.zeros(layout.black.shape, dtype=np.bool_)
        grid[tuple(cells[chosen].T)] = True
        out.append(grid)
    return out[0], out[1], out[2]


def _hidden_corners(
    image: Picture, observation: Observation, spec: BoardSpec, levels: tuple[float, float]
) -> tuple[BoolArray, BoolArray]:
    """Corners in the picture but not found: with nothing white around them, and in glare; (rows, columns)."""
    columns, rows = spec.corner_grid
    missing = np.setdiff1d(np.arange(columns * rows), observation.corner_ids)
    hidden, dazzled = np.zeros((2, columns * rows), dtype=np.bool_)
    if len(missing):
        row, column = np.divmod(missing, columns)
        points, steps = mapped(
            _map(observation, spec), np.stack([column + 1.0, row + 1.0], axis=1).astype(np.float64)
        )
        patches, inside = _patches(image, points, _half_px(steps, WINDOW_SQUARES))
        values = patches.reshape(len(patches), -1)
        ink, paper = levels
        bright = np.quantile(values, 0.9, axis=1)
        hidden[missing] = inside & (bright < ink + DARK_SHARE * (paper - ink))
        dazzled[missing] = inside & ((values >= GLARE_CODE).mean(axis=1) > GLARE_SHARE)
    return hidden.reshape(rows, columns), dazzled.reshape(rows, columns)


def _reached_from(start: BoolArray, among: BoolArray) -> BoolArray:
    """Squares of `among` that are linked to `start` by steps of at most two squares: a reflection's halo."""
    reached, grown = np.zeros_like(start), start
    while True:
        near = np.zeros_like(start)
        padded = np.pad(grown, 2)
        for down in range(5):
            for right in range(5):
                near |= padded[down : down + start.shape[0], right : right + start.shape[1]]
        more = among & near
        if (more == reached).all():
            return reached
        reached, grown = more, start | more


def _around(corners: BoolArray, spec: BoardSpec) -> BoolArray:
    """Squares that touch a marked corner, (rows, columns)."""
    columns, rows = spec.squares
    out = np.zeros((rows, columns), dtype=np.bool_)
    for down in (0, 1):
        for right in (0, 1):
            out[down : down + corners.shape[0], right : right + corners.shape[1]] |= corners
    return out
