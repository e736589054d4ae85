"""Board files: what was printed, and what the calipers said."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from rigcheck.errors import SchemaError
from rigcheck.model import BoardMeasurement, BoardSpec
from rigcheck.opencv import cv2
from rigcheck.records.document import Document, Location
from rigcheck.records.headers import VERSION, require_kind
from rigcheck.records.validation import Format, Positive, Text, nearest, validated
from rigcheck.records.yaml_reading import read_yaml

__all__ = ["BoardFormat", "board_format", "board_spec", "dictionary_names", "read_board"]

# A square counted too many or too few in eight or more is 9 % or more; printing "fit to page" takes 3 to 6 %.
_MOST_PRINT_ERROR = 0.07

Squares = Annotated[int, Field(ge=3, le=100)]


class MeasuredFormat(Format):
    """Two lengths of the print, each across many squares, and their standard uncertainty."""

    across_mm: Positive
    across_squares: Annotated[int, Field(ge=1)]
    down_mm: Positive
    down_squares: Annotated[int, Field(ge=1)]
    u_mm: Positive


class BoardFormat(Format):
    """A calibration board; `squares` counts squares (columns, rows), not inner corners."""

    version: Literal[1] = VERSION
    name: Text | None = None
    kind: Literal["charuco", "checkerboard"]
    squares: Annotated[list[Squares], Field(min_length=2, max_length=2)]
    square_mm: Annotated[float, Field(gt=0, le=1000)]
    marker_mm: Positive | None = None
    dictionary: str | None = None
    layout: Literal["current", "before_4_6"] | None = None
    measured: MeasuredFormat | None = None
    held_out_length_mm: Positive | None = None


def read_board(path: str | Path) -> BoardSpec:
    """Read a board file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    BoardSpec
        Named after the file where it gives no name.

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When its content is not a board that can exist.
    """
    path = Path(path)
    document = read_yaml(path, "a board file")
    require_kind(document, "board")
    return board_spec(validated(document, BoardFormat), document, (), name=_name_of(path))


def _name_of(path: Path) -> str:
    """Name from a file's name: any bytes there make a text that every format of ours can hold."""
    return path.stem.encode("utf-8", "backslashreplace").decode("utf-8")[:200]


def board_spec(content: BoardFormat, document: Document, place: Location, *, name: str) -> BoardSpec:
    """Turn a checked format into a BoardSpec; `place` is where it stands in the document.

    Raises
    ------
    SchemaError
        When entries contradict each other.
    """
    if content.kind == "charuco":
        _check_markers(content, document, place)
    else:
        _check_no_markers(content, document, place)
    if content.measured is not None:
        _check_measured(content, content.measured, document, place)
    measured = content.measured
    return BoardSpec(
        name=content.name or name,
        kind=content.kind,
        squares=(content.squares[0], content.squares[1]),
        square_mm=content.square_mm,
        marker_mm=content.marker_mm,
        dictionary=content.dictionary,
        layout=content.layout or "current",
        measured=None if measured is None else BoardMeasurement(**measured.model_dump()),
        held_out_length_mm=content.held_out_length_mm,
    )


def board_format(board: BoardSpec) -> BoardFormat:
    """Turn a BoardSpec into its format, as it is kept inside a calibration."""
    measured = board.measured
    return BoardFormat(
        name=board.name,
        kind=board.kind,
        squares=list(board.squares),
        square_mm=float(board.square_mm),
        marker_mm=None if board.marker_mm is None else float(board.marker_mm),
        dictionary=board.dictionary,
        layout=board.layout if board.kind == "charuco" else None,
        measured=None if measured is None else MeasuredFormat(**vars(measured)),
        held_out_length_mm=board.held_out_length_mm,
    )


def dictionary_names() -> tuple[str, ...]:
    """Names of OpenCV's marker dictionaries, without those that differ in case only."""
    by_folded = {
        name.upper(): name for name in sorted(vars(cv2.aruco), reverse=True) if name.startswith("DICT_")
    }
    return tuple(sorted(by_folded.values()))


def _check_markers(content: BoardFormat, document: Document, place: Location) -> None:
    for key in ("marker_mm", "dictionary"):
        if getattr(content, key) is None:
            raise document.error(
                place, f"{key!r} is missing and needed for a charuco board", hint=f"add a line '{key}: …'."
            )
    if content.marker_mm is not None and content.marker_mm >= content.square_mm:
        raise document.error(
            (*place, "marker_mm"),
            f"the number {content.marker_mm:g} found, less than square_mm ({content.square_mm:g}) needed",
            hint="the marker sits inside its square: measure both; the two may be swapped.",
        )
    _check_dictionary(content, document, place)


def _check_dictionary(content: BoardFormat, document: Document, place: Location) -> None:
    name = str(content.dictionary)
    here = (*place, "dictionary")
    if not name.startswith("DICT_") or not isinstance(getattr(cv2.aruco, name, None), int):
        known = dictionary_names()
        near = nearest(name if name.upper().startswith("DICT_") else f"DICT_{name}", known)
        hint = f"did you mean {near!r}?" if near else f"known: {', '.join(known)}."
        raise document.error(here, f"the text {name[:60]!r} found, a dictionary of OpenCV needed", hint=hint)
    ids = len(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)).bytesList)
    needed = content.squares[0] * content.squares[1] // 2
    if needed > ids:
        raise document.error(
            here,
            f"{name} found, which has {ids} markers; {needed} needed for these squares",
            hint="check squares (columns, rows) and the dictionary against the print.",
        )


def _check_no_markers(content: BoardFormat, document: Document, place: Location) -> None:
    for key in ("marker_mm", "dictionary", "layout"):
        if getattr(content, key) is not None:
            raise document.error(
                (*place, key),
                "found on a checkerboard, which has no markers",
                hint="remove this line, or write 'kind: charuco' if the board carries markers.",
            )


def _check_measured(
    content: BoardFormat, measured: MeasuredFormat, document: Document, place: Location
) -> None:
    lengths = (
        ("across", measured.across_mm, measured.across_squares, content.squares[0]),
        ("down", measured.down_mm, measured.down_squares, content.squares[1]),
    )
    for side, length_mm, count, most in lengths:
        if count > most:
            raise _measured_error(
                document, place, f"{side}_squares", f"{count} squares found, at most {most} exist"
            )
        pitch_mm = length_mm / count
        if abs(pitch_mm / content.square_mm - 1.0) > _MOST_PRINT_ERROR:
            found = f"{length_mm:g} mm over {count} squares is {pitch_mm:.4g} mm a square"
            problem = f"{found}, more than {_MOST_PRINT_ERROR:.0%} from square_mm ({content.square_mm:g})"
            raise _measured_error(document, place, f"{side}_mm", problem)
        if measured.u_mm > _MOST_PRINT_ERROR * length_mm:
            problem = f"an uncertainty of {measured.u_mm:g} mm found on a length of {length_mm:g} mm"
            raise _measured_error(document, place, "u_mm", problem)


def _measured_error(document: Document, place: Location, key: str, problem: str) -> SchemaError:
    hint = "count the squares and measure again with calipers; or correct square_mm."
    return document.error((*place, "measured", key), problem, hint=hint)
