"""Which squares of a board are black, and which marker sits in which white square."""

import difflib
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import ConfigError
from rigcheck.model import BoardSpec
from rigcheck.opencv import cv2
from rigcheck.records.board_file import dictionary_names

BoolGrid = NDArray[np.bool_]
IntGrid = NDArray[np.int64]

__all__ = [
    "BoardLayout",
    "board_layout",
    "check_board",
    "marker_modules",
    "marker_side_modules",
    "open_dictionary",
]

BORDER_MODULES = 1
MIN_SQUARES = 3
MAX_SQUARES = 200


@dataclass(frozen=True, kw_only=True, eq=False)
class BoardLayout:
    """A board cell by cell.

    Parameters
    ----------
    black : (rows, columns) bool
        True where a square is black. A ChArUco board of the current layout and every
        checkerboard have a black square at the origin.
    marker_ids : (M,) int
        Ids in the dictionary, 0 to M - 1, row by row; empty for a checkerboard.
    marker_cells : (M, 2) int
        (column, row) of the white square that holds each marker.
    marker_ratio : float
        Marker side over square side; 0 for a checkerboard.
    """

    black: BoolGrid
    marker_ids: IntGrid
    marker_cells: IntGrid
    marker_ratio: float

    @property
    def marker_corners(self) -> NDArray[np.float64]:
        """Outer corners of the markers, (M, 4, 2) float64, in squares from the board's origin.

        Clockwise from the marker's own top-left corner, as the board is seen.
        """
        half = 0.5 * self.marker_ratio
        around = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
        centres = self.marker_cells.astype(np.float64) + 0.5
        return np.asarray(centres[:, None, :] + around[None, :, :], dtype=np.float64)


def board_layout(spec: BoardSpec) -> BoardLayout:
    """Lay out a board's squares and markers.

    Parameters
    ----------
    spec : BoardSpec
        Checked with :func:`check_board` beforehand.

    Returns
    -------
    BoardLayout

    Notes
    -----
    The layout `before_4_6` differs from the current one only where the number of rows is even:
    the square at the origin is then white and holds marker 0 (OpenCV changed this in version 4.6).
    """
    columns, rows = spec.squares
    parity = np.add.outer(np.arange(rows), np.arange(columns)) % 2
    white_origin = spec.kind == "charuco" and spec.layout == "before_4_6" and rows % 2 == 0
    black = parity == (1 if white_origin else 0)
    if spec.kind == "checkerboard" or spec.marker_mm is None:
        nothing = np.zeros((0, 2), dtype=np.int64)
        return BoardLayout(black=black, marker_ids=nothing[:, 0], marker_cells=nothing, marker_ratio=0.0)
    cells = np.argwhere(~black)[:, ::-1].astype(np.int64)
    ids = np.arange(len(cells), dtype=np.int64)
    ratio = spec.marker_mm / spec.square_mm
    return BoardLayout(black=black, marker_ids=ids, marker_cells=cells, marker_ratio=ratio)


def open_dictionary(name: str) -> "cv2.aruco.Dictionary":
    """Open one of OpenCV's predefined marker dictionaries.

    Raises
    ------
    ConfigError
        When OpenCV has no dictionary of that name.
    """
    number = getattr(cv2.aruco, name, None) if name.startswith("DICT_") else None
    if number is None:
        near = difflib.get_close_matches(name.upper(), dictionary_names(), n=1, cutoff=0.4)
        example = near[0] if near else "DICT_5X5_100"
        raise ConfigError(
            f"dictionary: {name!r} found, the name of an OpenCV marker dictionary needed.",
            hint=f"use a name like {example}; known are {', '.join(dictionary_names())}.",
        )
    return cv2.aruco.getPredefinedDictionary(number)


def marker_side_modules(dictionary: str) -> int:
    """Modules along a marker's side, border included."""
    return int(open_dictionary(dictionary).markerSize) + 2 * BORDER_MODULES


def marker_modules(dictionary: str, marker_id: int) -> BoolGrid:
    """Return a marker's modules, (n, n) bool, True where black, border included."""
    opened = open_dictionary(dictionary)
    side = int(opened.markerSize) + 2 * BORDER_MODULES
    picture = np.asarray(opened.generateImageMarker(marker_id, side, borderBits=BORDER_MODULES))
    return picture.reshape(side, side) < 128


def check_board(spec: BoardSpec) -> None:
    """Refuse a description that no board can be drawn or recognised from.

    Parameters
    ----------
    spec : BoardSpec

    Raises
    ------
    ConfigError
        Sizes that are not positive, too few squares, a marker that does not fit its square, a
        dictionary with too few ids, a checkerboard that looks the same upside down.

    Notes
    -----
    A checkerboard with as many columns as rows modulo 2 maps onto itself when turned by 180
    degrees: its corners cannot be told apart, and two cameras of a pair may number them
    differently. Such a board is refused here rather than guessed at.
    """
    columns, rows = spec.squares
    if min(columns, rows) < MIN_SQUARES or max(columns, rows) > MAX_SQUARES:
        raise ConfigError(
            f"{spec.name}: squares {columns} x {rows} found, {MIN_SQUARES} to {MAX_SQUARES} each way needed.",
            hint="count the squares (not the inner corners), columns first.",
        )
    _check_size(spec.name, "square_mm", spec.square_mm)
    if spec.kind == "checkerboard":
        _check_orientation(spec)
    else:
        _check_markers(spec)


def _check_size(board: str, field: str, value_mm: float | None) -> float:
    if value_mm is None or not math.isfinite(value_mm) or value_mm <= 0:
        raise ConfigError(
            f"{board}: {field} {value_mm} found, a positive number of millimetres needed.",
            hint=f"measure the print and write {field} in millimetres.",
        )
    return value_mm


def _check_orientation(spec: BoardSpec) -> None:
    columns, rows = spec.squares
    if (columns + rows) % 2 == 0:
        raise ConfigError(
            f"{spec.name}: a checkerboard of {columns} x {rows} squares looks the same upside down; "
            "an odd number of squares one way and an even number the other way are needed.",
            hint=f"use {columns} x {rows + 1} squares, or a ChArUco board.",
        )


def _check_markers(spec: BoardSpec) -> None:
    if spec.dictionary is None:
        raise ConfigError(
            f"{spec.name}: no dictionary found, the name of the markers' dictionary needed.",
            hint="write the dictionary the board was made with, such as DICT_5X5_100.",
        )
    marker_mm = _check_size(spec.name, "marker_mm", spec.marker_mm)
    dictionary = open_dictionary(spec.dictionary)
    if marker_mm >= spec.square_mm:
        raise ConfigError(
            f"{spec.name}: marker_mm {marker_mm:g} found, less than square_mm {spec.square_mm:g} needed.",
            hint="marker_mm is the black square of a marker, square_mm the square around it.",
        )
    needed, held = len(board_layout(spec).marker_ids), len(dictionary.bytesList)
    if needed > held:
        raise ConfigError(
            f"{spec.name}: {spec.dictionary} holds {held} markers, "
            f"{needed} needed for {spec.squares[0]} x {spec.squares[1]} squares.",
            hint="choose a larger dictionary, or fewer squares.",
        )
