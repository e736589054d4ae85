"""A board that does not fit its description: the likely misdescription that does."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import ConfigError
from rigcheck.model import BoardSpec
from rigcheck.opencv import cv2
from rigcheck.records.board_file import dictionary_names
from rigcheck.target.checkerboard import checkerboard_starts
from rigcheck.target.layout import board_layout, check_board, marker_side_modules, open_dictionary
from rigcheck.target.markers import (
    LEAST_MODULE_PX,
    Agreement,
    Markers,
    agreement,
    find_markers,
    marker_detector,
)

Picture = NDArray[np.uint8]

__all__ = ["diagnose_description"]

MIN_MARKERS = 4
MIN_ROWS = 4
MOST_SQUARES = 40
RATIO_TOLERANCE = 0.06
RATIOS = (0.5, 0.6, 0.7, 0.8, 0.9)


@dataclass(frozen=True, kw_only=True)
class _Suspicion:
    """Another description, and the sentence that names it when it fits."""

    spec: BoardSpec
    sentence: str


def diagnose_description(image: Picture, spec: BoardSpec) -> str | None:
    """Say how the board in the picture differs from its description.

    Parameters
    ----------
    image : (H, W) uint8
        A picture with the board in view, best one in which it should have been found.
    spec : BoardSpec

    Returns
    -------
    str or None
        One sentence that names the misdescription which fits what is seen; None when the
        description fits, or when nothing tried here does.

    Raises
    ------
    ConfigError
        See :func:`rigcheck.target.check_board`.

    Notes
    -----
    For a ChArUco board: the other layout, columns and rows swapped, other numbers of squares, a
    mirrored picture, other dictionaries, another ratio of marker to square, a second board of the same
    dictionary. For a checkerboard: inner corners counted instead of squares and the reverse, and one row or
    column more or less. The number of rows is judged by the highest id seen, so it may be larger than said.
    Nothing is named where a marker's modules are smaller than three pixels: right boards look wrong there.
    What cannot be seen in a picture: the size of the squares; a second board of another dictionary, which
    does no harm.
    """
    check_board(spec)
    if min(image.shape) < 32:
        return None
    if spec.kind == "checkerboard":
        return _checkerboard(image, spec)
    markers = _markers(image, str(spec.dictionary))
    if 0.0 < markers.side_px < LEAST_MODULE_PX * marker_side_modules(str(spec.dictionary)):
        return None
    members = int(_agreed(markers, spec).members.sum())
    suspicions = [one for one in _other_shapes(spec) if _fits(markers, one.spec, more_than=members)]
    if suspicions:
        return suspicions[0].sentence
    if _fits(markers, spec):
        return _marker_ratio(markers, spec, spec)
    if (second := _second_board(markers, spec)) is not None:
        return second
    for ratio in RATIOS:
        resized = replace(spec, marker_mm=ratio * spec.square_mm)
        if _fits(markers, resized):
            return _marker_ratio(markers, resized, spec)
    for suspicion in _other_squares(spec, markers):
        if _fits(markers, suspicion.spec):
            return suspicion.sentence
    mirrored = np.ascontiguousarray(image[:, ::-1])
    if _fits(_markers(mirrored, str(spec.dictionary)), spec):
        return "The picture is mirrored: the board's markers are read only after flipping it."
    return _other_dictionary(image, spec)


def _markers(image: Picture, dictionary: str) -> Markers:
    return find_markers(marker_detector(open_dictionary(dictionary)), image)


def _agreed(markers: Markers, spec: BoardSpec) -> Agreement:
    return agreement(markers, board_layout(spec))


def _fits(markers: Markers, spec: BoardSpec, *, more_than: int = 0) -> bool:
    """Whether most markers seen are the board's and stand as on it, and clearly more than so many."""
    agreed = _agreed(markers, spec)
    count = int(agreed.members.sum())
    enough = count >= MIN_MARKERS and count > more_than + more_than // 20
    return enough and agreed.sound and 2 * count >= len(markers.ids)


def _second_board(markers: Markers, spec: BoardSpec) -> str | None:
    """Whether the described board is there, and markers that are no part of it besides."""
    members = _agreed(markers, spec).members
    own, others = markers.chosen(members), markers.chosen(~members)
    rows = board_layout(spec).marker_cells[own.ids, 1]
    # A board with other columns agrees with the description along one of its rows, not over several.
    if len(np.unique(rows)) < MIN_ROWS or len(others.ids) < MIN_MARKERS or not _fits(own, spec):
        return None
    return (
        f"Besides the board described, another one with markers of {spec.dictionary} is in the picture "
        f"({len(others.ids)} markers that are no part of it): take it out of view."
    )


def _other_shapes(spec: BoardSpec) -> Iterator[_Suspicion]:
    columns, rows = spec.squares
    other = "before_4_6" if spec.layout == "current" else "current"
    relaid = replace(spec, layout="before_4_6" if spec.layout == "current" else "current")
    yield _Suspicion(
        spec=relaid,
        sentence=f"The board in the picture has the layout {other}, its description says {spec.layout}.",
    )
    swapped = replace(spec, squares=(rows, columns))
    yield _Suspicion(
        spec=swapped,
        sentence=f"Columns and rows are swapped: the board in the picture has {rows} columns and "
        f"{columns} rows, its description says [{columns}, {rows}].",
    )
    yield _Suspicion(
        spec=replace(swapped, layout=relaid.layout),
        sentence=f"Columns and rows are swapped and the layout is {other}: the description says "
        f"[{columns}, {rows}] and {spec.layout}.",
    )


def _other_squares(spec: BoardSpec, markers: Markers) -> Iterator[_Suspicion]:
    """Other numbers of columns; the rows follow from the highest id seen."""
    if len(markers.ids) < MIN_MARKERS:
        return
    highest = int(np.sort(markers.ids)[-1 - len(markers.ids) // 10])
    for columns in sorted(range(3, MOST_SQUARES + 1), key=lambda n: abs(n - spec.squares[0])):
        least = max(3, int(np.ceil(2 * (highest + 1) / columns)))
        for rows in (least, least + 1):
            yield _Suspicion(
                spec=replace(spec, squares=(columns, rows)),
                sentence=f"Another board is in the picture: it has {columns} columns and at least "
                f"{rows - 1} rows of squares, the description says [{spec.squares[0]}, {spec.squares[1]}].",
            )


def _other_dictionary(image: Picture, spec: BoardSpec) -> str | None:
    """The dictionary whose markers fit best, with the described squares or without."""
    best, best_count = "", 0
    for name in dictionary_names():
        if name == spec.dictionary:
            continue
        other = replace(spec, dictionary=name)
        try:
            check_board(other)
        except ConfigError:
            continue
        markers = _markers(image, name)
        if _fits(markers, other) and len(markers.ids) > best_count:
            best, best_count = name, len(markers.ids)
    if not best:
        return None
    return f"The markers in the picture are of {best}, the description says {spec.dictionary}."


def _marker_ratio(markers: Markers, fitting: BoardSpec, spec: BoardSpec) -> str | None:
    """Compare the markers' sides with the distance of their centres; `fitting` finds the neighbours."""
    layout = board_layout(fitting)
    kept = markers.chosen(_agreed(markers, fitting).members)
    cells, corners = layout.marker_cells[kept.ids], kept.corners_px
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    ratios = []
    for one, cell in enumerate(cells):
        offset = cells - cell
        for axis in (0, 1):
            for other in np.flatnonzero((offset[:, axis] == 2) & (offset[:, 1 - axis] == 0)):
                square_px = np.linalg.norm(corners[other].mean(axis=0) - corners[one].mean(axis=0)) / 2
                # Sides 1 and 3 of a marker run along the board's x, 0 and 2 along its y.
                # A marker's corners are the centres of its outermost black pixels: half a pixel inside.
                along = sides[[one, other]][:, [1 - axis, 3 - axis]].mean() + 1.0
                ratios.append(along / square_px)
    if len(ratios) < MIN_MARKERS:
        return None
    seen, said = float(np.median(ratios)), board_layout(spec).marker_ratio
    if abs(seen / said - 1.0) < RATIO_TOLERANCE:
        return None
    return (
        f"The markers are {seen:.2f} of their squares in the picture, the description says {said:.2f} "
        f"(marker_mm {spec.marker_mm:g}, square_mm {spec.square_mm:g})."
    )


def _checkerboard(image: Picture, spec: BoardSpec) -> str | None:
    if checkerboard_starts(image, spec) is not None:
        return None
    columns, rows = spec.squares
    steps = [(1, 1), (-1, -1), (1, 0), (0, 1), (-1, 0), (0, -1)]
    for dx, dy in steps:
        grid = (columns + dx - 1, rows + dy - 1)
        if min(grid) < 3:
            continue
        found, _ = cv2.findChessboardCorners(image, grid, flags=cv2.CALIB_CB_ADAPTIVE_THRESH)
        if found:
            why = " (the description seems to count inner corners)" if (dx, dy) == (1, 1) else ""
            return (
                f"The board in the picture has {columns + dx} x {rows + dy} squares, "
                f"the description says {columns} x {rows}{why}."
            )
    return None
