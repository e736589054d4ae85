"""Board corners in one picture, each refined, checked against its neighbours, with its own sigma."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import BoardSpec, FrameRef, Observation, Rejection
from rigcheck.opencv import cv2
from rigcheck.target.checkerboard import checkerboard_starts
from rigcheck.target.crossing import CrossingFit, Crossings, Settled, fit_crossings
from rigcheck.target.glance import MARKERS_LONG_SIDE_PX, SQUARES_LONG_SIDE_PX, Glance, shrunken
from rigcheck.target.layout import board_layout, check_board, marker_side_modules, open_dictionary
from rigcheck.target.markers import (
    LEAST_MODULE_PX,
    Agreement,
    CornerStart,
    Markers,
    agreement,
    corner_starts,
    find_markers,
    marker_detector,
)
from rigcheck.target.neighbours import local_map, misplaced

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Picture = NDArray[np.uint8]

__all__ = ["MIN_CORNERS", "BoardDetector", "detect_board"]

MIN_CORNERS = 8
MIN_SIDE_PX = 32
SIGMA_FLOOR_PX = 0.002
MIN_SQUARE_PX = 5.0
MIN_SWING = 4.0
MIN_SWING_OVER_NOISE = 3.0
MOST_NOISE = 3.0
MOST_NOISE_OVER_SWING = 0.08
MIN_ANGLE_RAD = 0.26
MAX_SHIFT_SQUARES = 0.2
MAX_GROWN_LEVERAGE = 40.0
MAX_ROUNDS = 8
START_BLUR_PX = 1.0
# Good enough to tell curvature and wrong corners by; the fits that follow go on from there.
_ROUGHLY = Settled(move_px=0.05, blur_share=0.15)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Corners:
    """Corners accepted so far: ids, fit and local steps, row for row."""

    ids: IntArray
    fit: CrossingFit
    steps_px: FloatArray


class BoardDetector:
    """Finds one board in pictures; holds what need not be set up again for each picture.

    Parameters
    ----------
    spec : BoardSpec

    Raises
    ------
    ConfigError
        See :func:`rigcheck.target.check_board`.
    """

    def __init__(self, spec: BoardSpec) -> None:
        check_board(spec)
        self.spec = spec
        self.layout = board_layout(spec)
        columns, rows = spec.corner_grid
        x, y = (grid.ravel() + 1.0 for grid in np.meshgrid(np.arange(columns), np.arange(rows)))
        self._board = np.stack([x, y], axis=1)
        self._signs = np.where(self.layout.black[1:, 1:].ravel(), -1.0, 1.0)
        self._margin = 0.5 * (1.0 - self.layout.marker_ratio)
        self._finders: tuple[cv2.aruco.ArucoDetector, ...] = ()
        if spec.dictionary is not None and spec.kind == "charuco":
            dictionary = open_dictionary(spec.dictionary)
            self._finders = (marker_detector(dictionary, quick=True), marker_detector(dictionary))

    def detect(self, image: Picture, ref: FrameRef) -> Observation | Rejection:
        """Find the board's corners in a picture.

        Parameters
        ----------
        image : (H, W) uint8
        ref : FrameRef

        Returns
        -------
        Observation or Rejection
            A rejection says what was found, what was needed and what to do.

        Notes
        -----
        Corners start from the markers that touch them (or from OpenCV's checkerboard search), are
        fitted with :func:`rigcheck.target.crossing.fit_crossings`, and are kept when the colours
        around them alternate as they should and they lie where their neighbours say. Then the
        edges' curvature is known from the neighbours and all are fitted once more.
        """
        if image.ndim != 2 or image.dtype != np.uint8:
            raise ValueError(f"image: {image.dtype} of shape {image.shape} found, (H, W) uint8 needed")
        if min(image.shape) < MIN_SIDE_PX:
            height, width = image.shape
            return self._rejection(
                ref, "no_board", f"the picture is {width} x {height} px, too small for a board"
            )
        start = self._starts(image, ref)
        if isinstance(start, Rejection):
            return start
        corners = self._corners(image, start)
        if len(corners.ids) < MIN_CORNERS or not self._spread(corners.ids):
            return self._too_few(ref, len(corners.ids))
        return Observation(
            ref=ref,
            corner_ids=corners.ids,
            corners_px=corners.fit.points_px,
            sigma_px=np.maximum(corners.fit.sigma_px, SIGMA_FLOOR_PX),
            blur_px=float(np.median(corners.fit.blur_px)),
        )

    def glance(self, image: Picture) -> Glance:
        """Look for the board in a shrunken picture.

        Parameters
        ----------
        image : (H, W) uint8

        Returns
        -------
        Glance
            Without corners when no board is seen.
        """
        small, factor = shrunken(image, MARKERS_LONG_SIDE_PX if self._finders else SQUARES_LONG_SIDE_PX)
        none = CornerStart(
            ids=np.zeros(0, dtype=np.int64), points_px=np.zeros((0, 2)), steps_px=np.zeros((0, 2, 2))
        )
        start, n_markers = none, 0
        if min(small.shape) >= MIN_SIDE_PX and self._finders:
            markers = find_markers(self._finders[0], small)
            agreed = agreement(markers, self.layout)
            if agreed.sound:
                kept = markers.chosen(agreed.members)
                start, n_markers = corner_starts(kept, self.layout, self.spec.corner_grid), len(kept.ids)
        elif min(small.shape) >= MIN_SIDE_PX:
            start = checkerboard_starts(small, self.spec, quick=True) or none
        return Glance(
            corner_ids=start.ids, corners_px=(start.points_px + 0.5) * factor - 0.5, n_markers=n_markers
        )

    def _starts(self, image: Picture, ref: FrameRef) -> CornerStart | Rejection:
        if not self._finders:
            found = checkerboard_starts(image, self.spec)
            if found is not None:
                return found
            columns, rows = self.spec.corner_grid
            return self._rejection(
                ref,
                "no_board",
                f"no checkerboard with {columns} x {rows} inner corners found; all must be in view",
            )
        markers, agreed = self._markers(image)
        kept = markers.chosen(agreed.members)
        if len(kept.ids) == 0 or not agreed.sound:
            return self._no_markers(ref, markers)
        return corner_starts(kept, self.layout, self.spec.corner_grid)

    def _markers(self, image: Picture) -> tuple[Markers, Agreement]:
        """All markers found, and which of them agree.

        A quick look first, a thorough one unless all were there, and if not even half were there one
        more with the local contrast raised: in near infrared a print may be only a few grey values
        darker than its paper.
        """
        looks: list[tuple[Markers, Agreement]] = []
        total, seen = len(self.layout.marker_ids), 0
        for finder, raised, enough in ((0, False, 0), (1, False, total), (1, True, total // 2)):
            if looks and seen >= enough:
                break
            markers = find_markers(self._finders[finder], _raised(image) if raised else image)
            looks.append((markers, agreement(markers, self.layout)))
            seen = max(int(look[1].members.sum()) for look in looks)
        return max(looks, key=lambda look: (int(look[1].members.sum()), len(look[0].ids)))

    def _corners(self, image: Picture, start: CornerStart) -> _Corners:
        straight, blur = np.zeros((len(start.ids), 2)), np.full(len(start.ids), START_BLUR_PX)
        corners = self._fitted(image, start, straight, blur, settled=_ROUGHLY)
        for _ in range(MAX_ROUNDS):
            before = len(corners.ids)
            if before < 4 or not self._spread(corners.ids):
                return corners
            corners = self._again(image, corners)
            if len(corners.ids) <= before:
                break
        return corners

    def _again(self, image: Picture, corners: _Corners) -> _Corners:
        """Fit once more, with curvature from the neighbours and with corners the markers did not give."""
        board = self._board[corners.ids]
        every = local_map(self._board, board, corners.fit.points_px)
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
        return self._fitted(image, start, every.curvature_per_px[ids], blur[ids], earlier=earlier)

    def _fitted(
        self,
        image: Picture,
        start: CornerStart,
        curvature: FloatArray,
        blur_px: FloatArray,
        *,
        earlier: FloatArray | None = None,
        settled: Settled | None = None,
    ) -> _Corners:
        """Fit corners and keep the sound ones; `earlier` (all corners, 11) are fits to go on from."""
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
        fit = fit_crossings(image, crossings, settled=settled)
        keep = _is_crossing(fit, crossings)
        if keep.any():
            keep[keep] = ~misplaced(self._board[start.ids[keep]], fit.points_px[keep])
        return _Corners(ids=start.ids[keep], fit=fit.chosen(keep), steps_px=start.steps_px[keep])

    def _spread(self, ids: IntArray) -> bool:
        """Whether the corners lie in at least two rows and two columns."""
        columns = self.spec.corner_grid[0]
        return len(np.unique(ids % columns)) > 1 and len(np.unique(ids // columns)) > 1

    def _no_markers(self, ref: FrameRef, markers: Markers) -> Rejection:
        if len(markers.ids) < 2:
            return self._rejection(
                ref,
                "no_board",
                f"{len(markers.ids)} markers of {self.spec.dictionary} found, at least 2 neighbours needed: "
                "is the board in view, sharp, evenly lit, and described as printed?",
            )
        module_px = markers.side_px / marker_side_modules(str(self.spec.dictionary))
        if module_px < LEAST_MODULE_PX:
            return self._rejection(
                ref,
                "small_markers",
                f"the board is too small in the picture: {module_px:.1f} px a module of its markers found, "
                f"{LEAST_MODULE_PX:g} needed: bring it nearer, or use a board with larger squares",
            )
        known = int((markers.ids < len(self.layout.marker_ids)).sum())
        if 2 * known < len(markers.ids):
            found = (
                f"{len(markers.ids)} markers found, only {known} of them with ids that {self.spec.name} has"
            )
        else:
            found = f"{len(markers.ids)} markers found, but they do not stand as on {self.spec.name}"
        return self._rejection(
            ref,
            "wrong_board",
            f"{found}: are squares (columns, rows), dictionary and layout those of the board in the picture?",
        )

    def _too_few(self, ref: FrameRef, count: int) -> Rejection:
        return self._rejection(
            ref,
            "few_corners",
            f"{count} usable corners found, {MIN_CORNERS} in two rows or more needed: "
            "bring the board further into the picture, hold it still and keep it uncovered",
        )

    def _rejection(self, ref: FrameRef, code: str, words: str) -> Rejection:
        return Rejection(ref=ref, code=code, sentence=f"{ref.label}: {words}.".replace("?.", "?"))


def _raised(image: Picture) -> Picture:
    """Raise local contrast, to find markers by; corners are fitted in the picture as it is."""
    levelled = cv2.createCLAHE(clipLimit=8.0, tileGridSize=(8, 8)).apply(image)
    return np.asarray(levelled, dtype=np.uint8)


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


def detect_board(image: Picture, spec: BoardSpec, ref: FrameRef) -> Observation | Rejection:
    """Find a board's corners in one picture; see :class:`BoardDetector` for many pictures.

    Parameters
    ----------
    image : (H, W) uint8
    spec : BoardSpec
    ref : FrameRef

    Returns
    -------
    Observation or Rejection

    Raises
    ------
    ConfigError
        See :func:`rigcheck.target.check_board`.
    """
    return BoardDetector(spec).detect(image, ref)
