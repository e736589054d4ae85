"""Markers of a ChArUco board: found, checked against their neighbours, turned into starts for corners."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.opencv import cv2
from rigcheck.target.layout import BoardLayout
from rigcheck.target.neighbours import homography, mapped

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

__all__ = [
    "LEAST_MODULE_PX",
    "NO_MARKERS",
    "Agreement",
    "CornerStart",
    "Markers",
    "agreement",
    "corner_starts",
    "find_markers",
    "marker_detector",
    "share_seen",
]

NEAR_SQUARES = 3.2
AGREE_SQUARES = 0.35
AGREE_GROWTH = 0.12
MIN_SHARE = 0.55
MOST_AGAINST = 0.06
# Half diagonal of a square: the centre of the marker beside a corner is this far from it.
BESIDE_SQUARES = 0.71
# Smaller modules are read, but the markers' corners are then too rough to say how markers stand to each other.
LEAST_MODULE_PX = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Markers:
    """Markers seen: `ids` (M,), `corners_px` (M, 4, 2) clockwise from the marker's own top left."""

    ids: IntArray
    corners_px: FloatArray

    @property
    def side_px(self) -> float:
        """Median side of the markers, px; 0 without any.

        OpenCV gives the centres of the outermost black pixels, half a pixel inside at either end.
        """
        if not len(self.ids):
            return 0.0
        sides = np.linalg.norm(self.corners_px - np.roll(self.corners_px, 1, axis=1), axis=2)
        return float(np.median(sides)) + 1.0

    def chosen(self, keep: NDArray[np.bool_]) -> "Markers":
        """Keep some of the markers."""
        return Markers(ids=self.ids[keep], corners_px=self.corners_px[keep])

    def enlarged(self, factor: int) -> "Markers":
        """The same markers in the picture that was shrunken by `factor`."""
        return Markers(ids=self.ids, corners_px=(self.corners_px + 0.5) * factor - 0.5)


NO_MARKERS = Markers(ids=np.zeros(0, dtype=np.int64), corners_px=np.zeros((0, 4, 2)))


@dataclass(frozen=True, kw_only=True, eq=False)
class CornerStart:
    """Predicted corners: `ids` (N,), `points_px` (N, 2), `steps_px` (N, 2, 2) for a square along x and y."""

    ids: IntArray
    points_px: FloatArray
    steps_px: FloatArray

    def chosen(self, keep: NDArray[np.bool_]) -> "CornerStart":
        """Keep some of the corners."""
        return CornerStart(ids=self.ids[keep], points_px=self.points_px[keep], steps_px=self.steps_px[keep])


def marker_detector(dictionary: "cv2.aruco.Dictionary", *, quick: bool = False) -> "cv2.aruco.ArucoDetector":
    """Set up OpenCV's marker detector; `quick` thresholds once instead of three times."""
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 0.02
    if quick:
        settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = 13
    return cv2.aruco.ArucoDetector(dictionary, settings)


def find_markers(detector: "cv2.aruco.ArucoDetector", image: NDArray[np.uint8]) -> Markers:
    """Find a dictionary's markers in a picture (H, W) uint8."""
    corners, ids, _ = detector.detectMarkers(image)
    if ids is None or len(corners) == 0:
        return NO_MARKERS
    places = np.array([np.asarray(one, dtype=np.float64).reshape(4, 2) for one in corners])
    return Markers(ids=np.asarray(ids, dtype=np.int64).reshape(-1), corners_px=places)


@dataclass(frozen=True, kw_only=True, eq=False)
class Agreement:
    """How found markers stand to a board's layout.

    Parameters
    ----------
    members : (M,) bool
        The largest group of markers that agree with one another; none when no two agree.
    share : float
        Share of the pairs of neighbours (by their ids) that agree; 0 without any such pair.
    against : int
        Markers that should have members for neighbours and agree with none of these.
    """

    members: NDArray[np.bool_]
    share: float
    against: int

    @property
    def sound(self) -> bool:
        """Whether the layout can be the picture's.

        A few misread ids leave a share of 0.9 and one or two markers against it, modules of 2 px as little
        as 0.65. Columns and rows swapped leave 0.4 or less; the other layout on an odd number of columns
        agrees but where one row of markers meets the next, which sets a tenth of them against it.
        """
        count = int(self.members.sum())
        return self.share >= MIN_SHARE and self.against <= max(2, MOST_AGAINST * count)


def agreement(markers: Markers, layout: BoardLayout) -> Agreement:
    """Say which markers stand to their neighbours as the board's layout says, and how many do.

    Parameters
    ----------
    markers : Markers
        May hold ids that are not on the board, ids seen twice, and wrong ones.
    layout : BoardLayout

    Returns
    -------
    Agreement

    Notes
    -----
    Each marker predicts the centres of markers up to three squares away from its own four corners;
    two agree when each lies where the other says within 0.35 square, and 0.12 square more for
    each square of distance (a marker's own corners are rough). A single marker has nobody to
    vouch for it and is left out.
    """
    known = (markers.ids >= 0) & (markers.ids < len(layout.marker_ids))
    members = np.zeros(len(markers.ids), dtype=bool)
    index = np.flatnonzero(known)
    if len(index) < 2:
        return Agreement(members=members, share=0.0, against=0)
    ids = markers.ids[index]
    near, agree = _agreement(layout.marker_corners[ids], markers.corners_px[index])
    group = _largest_group(agree)
    unique, counts = np.unique(ids[group], return_counts=True)
    group &= ~np.isin(ids, unique[counts > 1])
    members[index[group]] = group.sum() >= 2
    against = int((near[:, group].any(axis=1) & ~group).sum())
    return Agreement(members=members, share=float(agree.sum() / max(near.sum(), 1)), against=against)


def _agreement(board: FloatArray, places: FloatArray) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Neighbours, and neighbours that agree, (M, M) bool, from corners (M, 4, 2) in squares and in px."""
    own = homography(board, places)
    centres_b, centres_p = board.mean(axis=1), places.mean(axis=1)
    distance = np.linalg.norm(centres_b[:, None] - centres_b[None], axis=2)
    homogeneous = np.column_stack([centres_b, np.ones(len(board))])
    image = np.moveaxis(own @ homogeneous.T, 1, 2)
    said = image[..., :2] / np.where(image[..., 2:] > 0, image[..., 2:], np.nan)
    error_px = np.linalg.norm(said - centres_p[None], axis=2)
    square_px = np.sqrt(np.abs(np.linalg.det(mapped(own, centres_b)[1])))[:, None]
    fits = error_px < (AGREE_SQUARES + AGREE_GROWTH * distance) * square_px
    near = (distance < NEAR_SQUARES) & (distance > 0.0)
    return near, near & fits & fits.T


def _largest_group(agree: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Members of the largest connected group, (M,) bool."""
    label = np.arange(len(agree))
    for _ in range(len(agree)):
        spread = np.where(agree, label[None, :], len(agree)).min(axis=1)
        merged = np.minimum(label, spread)
        if np.array_equal(merged, label):
            break
        label = merged
    return np.asarray(label == np.bincount(label).argmax())


def share_seen(
    markers: Markers, members: NDArray[np.bool_], layout: BoardLayout, size_px: tuple[int, int]
) -> float:
    """Share that was found of the board's markers that should be in the picture, by where the found ones are.

    Parameters
    ----------
    markers : Markers
    members : (M,) bool
        Those that agree with one another; with fewer than two the share is 0.
    layout : BoardLayout
    size_px : (width, height)
        Of the picture.
    """
    if members.sum() < 2:
        return 0.0
    board = layout.marker_corners[markers.ids[members]].reshape(-1, 2)
    whole = homography(board, markers.corners_px[members].reshape(-1, 2))
    centres = np.column_stack([layout.marker_corners.mean(axis=1), np.ones(len(layout.marker_corners))])
    image = centres @ whole.T
    depth = image[:, 2] * np.sign(np.median(np.column_stack([board, np.ones(len(board))]) @ whole[2]))
    places = image[:, :2] / np.where(depth > 0, image[:, 2], np.nan)[:, None]
    within = ((places > 0) & (places < np.array(size_px) - 1)).all(axis=1)
    return float(members.sum() / max(int(within.sum()), 1))


def corner_starts(markers: Markers, layout: BoardLayout, corner_grid: tuple[int, int]) -> CornerStart:
    """Predict each chessboard corner from the markers that touch it, and from no other.

    Parameters
    ----------
    markers : Markers
        Agreeing ones, ids on the board.
    layout : BoardLayout
    corner_grid : (columns, rows)

    Returns
    -------
    CornerStart
        Corners with one or two seen markers beside them.
    """
    columns, rows = corner_grid
    x, y = (grid.ravel() + 1.0 for grid in np.meshgrid(np.arange(columns), np.arange(rows)))
    corners = np.stack([x, y], axis=1)
    board = layout.marker_corners[markers.ids]
    apart = np.linalg.norm(board.mean(axis=1)[None] - corners[:, None], axis=2)
    beside = apart < BESIDE_SQUARES
    ids = np.flatnonzero(beside.any(axis=1)) if len(board) else np.zeros(0, dtype=np.int64)
    if len(ids) == 0:
        return CornerStart(ids=ids, points_px=np.zeros((0, 2)), steps_px=np.zeros((0, 2, 2)))
    two = np.argsort(~beside[ids], axis=1, kind="stable")[:, :2]
    weights = np.repeat(np.take_along_axis(beside[ids], two, axis=1), 4, axis=1).astype(np.float64)
    count = two.shape[1] * 4
    h = homography(board[two].reshape(-1, count, 2), markers.corners_px[two].reshape(-1, count, 2), weights)
    points, steps = mapped(h, corners[ids])
    return CornerStart(ids=ids.astype(np.int64), points_px=points, steps_px=steps)
