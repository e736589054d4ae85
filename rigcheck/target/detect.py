"""Board corners in one picture, each refined, checked against its neighbours, with its own sigma."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import BoardSpec, FrameRef, Observation, Rejection
from rigcheck.opencv import cv2
from rigcheck.target.checkerboard import checkerboard_starts
from rigcheck.target.corners import CornerFinder
from rigcheck.target.following import FOLLOWED_SIGMA_PX
from rigcheck.target.glance import MARKERS_LONG_SIDE_PX, SQUARES_LONG_SIDE_PX, Glance, shrunken
from rigcheck.target.layout import board_layout, check_board, marker_side_modules, open_dictionary
from rigcheck.target.markers import (
    LEAST_MODULE_PX,
    NO_MARKERS,
    Agreement,
    CornerStart,
    Markers,
    agreement,
    corner_starts,
    find_markers,
    marker_detector,
    share_seen,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Picture = NDArray[np.uint8]

__all__ = ["MIN_CORNERS", "BoardDetector", "detect_board"]

MIN_CORNERS = 8
MIN_SIDE_PX = 32
SIGMA_FLOOR_PX = 0.002
# Of the markers that should be in the picture: with the first share the board is well found; with less than the
# second the print may be too faint.
MOST_MARKERS, HALF_OF_MARKERS = 0.8, 0.5


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
        signs = np.where(self.layout.black[1:, 1:].ravel(), -1.0, 1.0)
        self._corners = CornerFinder(spec.corner_grid, signs, 0.5 * (1.0 - self.layout.marker_ratio))
        self._finders: tuple[cv2.aruco.ArucoDetector, ...] = ()
        if spec.dictionary is not None and spec.kind == "charuco":
            dictionary = open_dictionary(spec.dictionary)
            self._finders = (marker_detector(dictionary, quick=True), marker_detector(dictionary))

    def detect(
        self, image: Picture, ref: FrameRef, *, glanced: Glance | None = None
    ) -> Observation | Rejection:
        """Find the board's corners in a picture.

        Parameters
        ----------
        image : (H, W) uint8
        ref : FrameRef
        glanced : Glance, optional
            What a glance at this picture gave, whose markers need not be looked for again.

        Returns
        -------
        Observation or Rejection
            A rejection says what was found, what was needed and what to do.

        Notes
        -----
        Corners start from the markers that touch them (or from OpenCV's checkerboard search), are
        fitted with :func:`rigcheck.target.crossing.fit_crossings`, and are kept when the colours
        around them alternate as they should and they lie where their neighbours say. Then the
        edges' curvature is known from the neighbours and all are fitted once more, from where they are.
        """
        start = self._started(image, ref, glanced)
        if isinstance(start, Rejection):
            return start
        corners = self._corners.find(image, start)
        if not self._enough(corners.ids):
            return self._small(ref, self._module_px(start)) or self._too_few(ref, len(corners.ids))
        return Observation(
            ref=ref,
            corner_ids=corners.ids,
            corners_px=corners.fit.points_px,
            sigma_px=np.maximum(corners.fit.sigma_px, SIGMA_FLOOR_PX),
            blur_px=float(np.median(corners.fit.blur_px)),
        )

    def follow(self, image: Picture, ref: FrameRef) -> Observation | Rejection:
        """Find the board's corners at a third of the cost, good to a few hundredths of a pixel.

        For following motion, never for a calibration: see :func:`rigcheck.target.following.refined_quickly`. The
        blur is not measured, and every corner is given the same sigma. Parameters and result as of :meth:`detect`.
        """
        start = self._started(image, ref)
        if isinstance(start, Rejection):
            return start
        ids, points = self._corners.follow(image, start)
        if not self._enough(ids):
            return self._small(ref, self._module_px(start)) or self._too_few(ref, len(ids))
        return Observation(
            ref=ref, corner_ids=ids, corners_px=points, sigma_px=np.full(len(ids), FOLLOWED_SIGMA_PX)
        )

    def _enough(self, ids: IntArray) -> bool:
        return len(ids) >= MIN_CORNERS and self._corners.spread(ids)

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
        start, n_markers, markers = none, 0, NO_MARKERS
        if min(small.shape) >= MIN_SIDE_PX and self._finders:
            markers = find_markers(self._finders[0], small)
            agreed = agreement(markers, self.layout)
            if agreed.sound:
                kept = markers.chosen(agreed.members)
                start, n_markers = corner_starts(kept, self.layout, self.spec.corner_grid), len(kept.ids)
        elif min(small.shape) >= MIN_SIDE_PX:
            start = checkerboard_starts(small, self.spec, quick=True) or none
        return Glance(
            corner_ids=start.ids,
            corners_px=(start.points_px + 0.5) * factor - 0.5,
            n_markers=n_markers,
            markers=markers.enlarged(factor),
        )

    def _started(
        self, image: Picture, ref: FrameRef, glanced: Glance | None = None
    ) -> CornerStart | Rejection:
        """Starts of the corners; refuses what is no picture of a board."""
        if image.ndim != 2 or image.dtype != np.uint8:
            raise ValueError(f"image: {image.dtype} of shape {image.shape} found, (H, W) uint8 needed")
        if min(image.shape) < MIN_SIDE_PX:
            height, width = image.shape
            return self._rejection(
                ref, "no_board", f"the picture is {width} x {height} px, too small for a board"
            )
        return self._starts(image, ref, glanced)

    def _starts(
        self, image: Picture, ref: FrameRef, glanced: Glance | None = None
    ) -> CornerStart | Rejection:
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
        markers, agreed = self._markers(image, glanced)
        kept = markers.chosen(agreed.members)
        if len(kept.ids) == 0 or not agreed.sound:
            return self._no_markers(ref, markers)
        return corner_starts(kept, self.layout, self.spec.corner_grid)

    def _markers(self, image: Picture, glanced: Glance | None) -> tuple[Markers, Agreement]:
        """All markers found, and which of them agree.

        A quick look at a shrunken picture first, then at the whole one, then a thorough one, until most of those
        that should be in the picture are there: corners that no marker gives are found from their neighbours. If
        not even half are there, one more look with the local contrast raised: in near infrared a print may be
        only a few grey values darker than its paper.
        """
        looks: list[tuple[Markers, Agreement]] = []
        quick, thorough = self._finders
        seen, size_px = 0.0, (image.shape[1], image.shape[0])
        kinds = ((quick, "small"), (quick, "whole"), (thorough, "whole"), (thorough, "raised"))
        for finder, kind in kinds:
            if seen >= (HALF_OF_MARKERS if kind == "raised" else MOST_MARKERS):
                break
            markers = _looked(finder, image, kind) if glanced is None or kind != "small" else glanced.markers
            agreed = agreement(markers, self.layout)
            looks.append((markers, agreed))
            if agreed.sound:
                seen = max(seen, share_seen(markers, agreed.members, self.layout, size_px))
        return max(looks, key=lambda look: (look[1].sound, int(look[1].members.sum()), len(look[0].ids)))

    def _no_markers(self, ref: FrameRef, markers: Markers) -> Rejection:
        if len(markers.ids) < 2:
            return self._rejection(
                ref,
                "no_board",
                f"{len(markers.ids)} markers of {self.spec.dictionary} found, at least 2 neighbours needed: "
                "is the board in view, sharp, evenly lit, and described as printed?",
            )
        small = self._small(ref, markers.side_px / marker_side_modules(str(self.spec.dictionary)))
        if small is not None:
            return small
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

    def _module_px(self, start: CornerStart) -> float:
        """How large a module of a marker is about the corners; infinite for a board without markers."""
        if not self._finders or not len(start.ids):
            return np.inf
        square_px = float(np.sqrt(np.median(np.abs(np.linalg.det(start.steps_px)))))
        return square_px * self.layout.marker_ratio / marker_side_modules(str(self.spec.dictionary))

    def _small(self, ref: FrameRef, module_px: float) -> Rejection | None:
        if module_px >= LEAST_MODULE_PX:
            return None
        return self._rejection(
            ref,
            "small_markers",
            f"the board is too small in the picture: {module_px:.1f} px a module of its markers found, "
            f"{LEAST_MODULE_PX:g} needed: bring it nearer, or use a board with larger squares",
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


def _looked(finder: "cv2.aruco.ArucoDetector", image: Picture, kind: str) -> Markers:
    """Markers of the picture, shrunken ("small", unless it is small as it is), "whole" or "raised" in contrast."""
    if kind != "small":
        return find_markers(finder, _raised(image) if kind == "raised" else image)
    small, factor = shrunken(image, MARKERS_LONG_SIDE_PX)
    if factor == 1 or min(small.shape) < MIN_SIDE_PX:
        return NO_MARKERS
    return find_markers(finder, small).enlarged(factor)


def _raised(image: Picture) -> Picture:
    """Raise local contrast, to find markers by; corners are fitted in the picture as it is."""
    levelled = cv2.createCLAHE(clipLimit=8.0, tileGridSize=(8, 8)).apply(image)
    return np.asarray(levelled, dtype=np.uint8)


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
