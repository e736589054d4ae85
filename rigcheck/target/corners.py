"""Corners of a board fitted from rough starts, held against their neighbours, and those in between found."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.target.crossing import Care, CrossingFit, Crossings, fit_crossings
from rigcheck.target.following import refined_quickly
from rigcheck.target.markers import CornerStart
from rigcheck.target.neighbours import LocalMap, local_map, misplaced

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Picture = NDArray[np.uint8]

__all__ = ["CornerFinder", "Corners"]

MIN_SQUARE_PX = 5.0
MIN_SWING = 4.0
MIN_SWING_OVER_NOISE = 3.0
MOST_NOISE = 3.0
MOST_NOISE_OVER_SWING = 0.08
MIN_ANGLE_RAD = 0.26
MAX_SHIFT_SQUARES = 0.2
MAX_GROWN_LEVERAGE = 40.0
MAX_ROUNDS, MOST_CAREFUL_ROUNDS = 8, 4
LEAST_TO_PREDICT = 4
# Bends an arm of 8 px by 0.003 px: less than this does not move a corner.
SAME_CURVATURE_PER_PX = 1e-4
START_BLUR_PX = 1.0
# Good enough to tell curvature and wrong corners by; the fits that follow go on from there.
_ROUGHLY = Care(move_px=0.1, blur_share=0.3, most_blurs=3.0, rough=True)


@dataclass(frozen=True, kw_only=True, eq=False)
class Corners:
    """Corners accepted so far, row for row: ids, fit, and the curvature of the edges that it was made with."""

    ids: IntArray
    fit: CrossingFit
    curvature_per_px: FloatArray

    def chosen(self, keep: NDArray[np.bool_]) -> "Corners":
        """Keep some of the corners."""
        return Corners(
            ids=self.ids[keep], fit=self.fit.chosen(keep), curvature_per_px=self.curvature_per_px[keep]
        )

    def joined(self, other: "Corners") -> "Corners":
        """These corners and then the other ones."""
        return Corners(
            ids=np.concatenate([self.ids, other.ids]),
            fit=self.fit.joined(other.fit),
            curvature_per_px=np.concatenate([self.curvature_per_px, other.curvature_per_px]),
        )


class CornerFinder:
    """Finds a board's corners from rough starts.

    Parameters
    ----------
    corner_grid : (columns, rows)
    signs : (N,) float64
        +1 where the square towards +x, +y of a corner is white, -1 where it is black.
    margin_squares : float
        White margin between a square's edge and its marker.
    """

    def __init__(self, corner_grid: tuple[int, int], signs: FloatArray, margin_squares: float) -> None:
        columns, rows = corner_grid
        x, y = (grid.ravel() + 1.0 for grid in np.meshgrid(np.arange(columns), np.arange(rows)))
        self._board = np.stack([x, y], axis=1)
        self._columns, self._signs, self._margin = columns, signs, margin_squares

    def find(self, image: Picture, start: CornerStart) -> Corners:
        """Fit roughly until no more corners are found, then carefully until the edges' curvature is known.

        Corners that no start was given for are fitted where their neighbours say.
        """
        corners = self._sound(self._rough(image, start))
        for _ in range(MAX_ROUNDS):
            before = len(corners.ids)
            if not self._enough(corners):
                return corners
            corners = self._grown(image, corners)
            if len(corners.ids) <= before:
                break
        more = True
        for _ in range(MOST_CAREFUL_ROUNDS):
            if not self._enough(corners):
                break
            every = local_map(self._board, self._board[corners.ids], corners.fit.points_px)
            bent = np.abs(every.curvature_per_px[corners.ids] - corners.curvature_per_px).max()
            if not more and bent < SAME_CURVATURE_PER_PX:
                break
            before = len(corners.ids)
            corners = self._again(image, corners, every)
            more = len(corners.ids) > before
        return corners

    def _enough(self, corners: Corners) -> bool:
        """Whether the corners can tell where their neighbours are."""
        return len(corners.ids) >= LEAST_TO_PREDICT and self.spread(corners.ids)

    def follow(self, image: Picture, start: CornerStart) -> tuple[IntArray, FloatArray]:
        """Ids and places, px, of corners with a start, refined quickly and held against their neighbours."""
        start = start.chosen(_usable(start, image))
        points, refined = refined_quickly(image, start, self._margin)
        ids, points = start.ids[refined], points[refined]
        if len(ids):
            sound = ~misplaced(self._board[ids], points)
            ids, points = ids[sound], points[sound]
        return ids, points

    def _rough(self, image: Picture, start: CornerStart, blur_px: float = START_BLUR_PX) -> Corners:
        straight, blur = np.zeros((len(start.ids), 2)), np.full(len(start.ids), blur_px)
        return self.fitted(image, start, straight, blur, care=_ROUGHLY)

    def _grown(self, image: Picture, corners: Corners) -> Corners:
        """Add corners that the markers did not give, where their neighbours say."""
        others = np.setdiff1d(np.arange(len(self._board)), corners.ids)
        if not len(others):
            return corners
        there = local_map(self._board[others], self._board[corners.ids], corners.fit.points_px)
        near = there.leverage < MAX_GROWN_LEVERAGE
        start = CornerStart(ids=others[near], points_px=there.points_px[near], steps_px=there.steps_px[near])
        more = self._rough(image, start, float(np.median(corners.fit.blur_px)))
        return self._sound(corners.joined(more)) if len(more.ids) else corners

    def _again(self, image: Picture, corners: Corners, every: LocalMap) -> Corners:
        """Fit once more, with curvature from the neighbours, and give those that were refused another chance."""
        known = np.zeros(len(self._board), dtype=bool)
        known[corners.ids] = True
        ids = np.flatnonzero(known | (every.leverage < MAX_GROWN_LEVERAGE)).astype(np.int64)
        places = every.points_px.copy()
        places[corners.ids] = corners.fit.points_px
        blur = np.full(len(self._board), np.median(corners.fit.blur_px))
        blur[corners.ids] = corners.fit.blur_px
        earlier = np.full((len(self._board), corners.fit.parameters.shape[1]), np.nan)
        earlier[corners.ids] = corners.fit.parameters
        start = CornerStart(ids=ids, points_px=places[ids], steps_px=every.steps_px[ids])
        fitted = self.fitted(image, start, every.curvature_per_px[ids], blur[ids], earlier=earlier)
        return self._sound(fitted)

    def fitted(
        self,
        image: Picture,
        start: CornerStart,
        curvature: FloatArray,
        blur_px: FloatArray,
        *,
        earlier: FloatArray | None = None,
        care: Care | None = None,
    ) -> Corners:
        """Fit corners and keep those that show a crossing; `earlier` (all corners, 11) are fits to go on from."""
        sane = _usable(start, image)
        start, curvature, blur_px = start.chosen(sane), curvature[sane], blur_px[sane]
        crossings = Crossings(
            points_px=start.points_px,
            steps_px=start.steps_px,
            signs=self._signs[start.ids],
            margin_squares=self._margin,
            curvature_per_px=curvature,
            blur_px=blur_px,
            earlier=None if earlier is None else earlier[start.ids],
        )
        fit = fit_crossings(image, crossings, care=care)
        keep = _is_crossing(fit, crossings)
        return Corners(ids=start.ids[keep], fit=fit.chosen(keep), curvature_per_px=curvature[keep])

    def _sound(self, corners: Corners) -> Corners:
        """Keep corners that are where their neighbours say."""
        if not len(corners.ids):
            return corners
        return corners.chosen(~misplaced(self._board[corners.ids], corners.fit.points_px))

    def spread(self, ids: IntArray) -> bool:
        """Whether the corners lie in at least two rows and two columns."""
        columns = self._columns
        return len(np.unique(ids % columns)) > 1 and len(np.unique(ids // columns)) > 1


def _usable(start: CornerStart, image: Picture) -> NDArray[np.bool_]:
    """Whether a prediction lies in the picture and describes squares that can be seen."""
    size = np.array(image.shape[::-1])
    with np.errstate(invalid="ignore", over="ignore"):
        square_px2 = np.abs(np.linalg.det(start.steps_px))
        within = (start.points_px > -0.5) & (start.points_px < size - 0.5)
    return np.asarray(
        within.all(axis=1)
        & np.isfinite(start.steps_px).all(axis=(1, 2))
        & (square_px2 > MIN_SQUARE_PX**2)
        & (square_px2 < float(size.max()) ** 2)
    )


def _is_crossing(fit: CrossingFit, crossings: Crossings) -> NDArray[np.bool_]:
    """Whether the pixels show what the model says: contrast of the right sign, two edges, little else."""
    square_px = np.sqrt(np.abs(np.linalg.det(crossings.steps_px)))
    shift = np.linalg.norm(fit.points_px - crossings.points_px, axis=1)
    usual = float(np.median(fit.noise[fit.inside])) if fit.inside.any() else 0.0
    # Something over part of the window, such as a finger: the model cannot follow what is far from usual.
    covered = (fit.noise > MOST_NOISE * usual) & (fit.noise > MOST_NOISE_OVER_SWING * fit.swing)
    turn = np.abs(np.sin(fit.directions_rad[:, 1] - fit.directions_rad[:, 0]))
    return np.asarray(
        fit.inside
        & np.isfinite(fit.points_px).all(axis=1)
        & (fit.swing > MIN_SWING)
        & (fit.swing > MIN_SWING_OVER_NOISE * fit.noise)
        & (turn > np.sin(MIN_ANGLE_RAD))
        & ~covered
        & (shift < np.maximum(MAX_SHIFT_SQUARES * square_px, 1.0))
    )
