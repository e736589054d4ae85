"""The drawn board against OpenCV's own drawing of the same board."""

import numpy as np
import pytest

from rigcheck.errors import ConfigError
from rigcheck.model import BoardSpec
from rigcheck.opencv import cv2
from rigcheck.target import board_layout, board_outline, board_picture, check_board, picture_from_board_px


def charuco(squares=(9, 12), layout="current", **changes):
    values = {"square_mm": 9.0, "marker_mm": 6.75, "dictionary": "DICT_4X4_100"} | changes
    return BoardSpec(name="test board", kind="charuco", squares=squares, layout=layout, **values)


def opencv_board(spec):
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, spec.dictionary))
    board = cv2.aruco.CharucoBoard(spec.squares, spec.square_mm, spec.marker_mm, dictionary)
    board.setLegacyPattern(spec.layout == "before_4_6")
    return board


LAYOUTS = [
    (squares, layout)
    for squares in [(9, 12), (8, 11), (5, 7), (6, 4), (3, 5), (7, 6)]
    for layout in ["current", "before_4_6"]
]


@pytest.mark.parametrize(("squares", "layout"), LAYOUTS)
def test_picture_is_opencvs_picture_of_the_board(squares, layout):
    # 8 modules a square, 6 of them marker: 4 px a module puts every edge on a whole pixel.
    spec = charuco(squares, layout, square_mm=8.0, marker_mm=6.0)
    ours = board_picture(spec, px_per_mm=4.0)
    size = ((squares[0] + 2) * 32, (squares[1] + 2) * 32)
    theirs = opencv_board(spec).generateImage(size, marginSize=32, borderBits=1)
    assert ours.shape == theirs.shape
    assert np.array_equal(ours, theirs)


@pytest.mark.parametrize(("squares", "layout"), LAYOUTS)
def test_ids_and_marker_positions_are_opencvs(squares, layout):
    spec = charuco(squares, layout)
    board = opencv_board(spec)
    markers = np.array(board.getObjPoints())[..., :2]
    assert np.array_equal(board.getIds().ravel(), board_layout(spec).marker_ids)
    np.testing.assert_allclose(
        board_layout(spec).marker_corners * spec.square_mm, markers, atol=1e-5
    )  # mm: OpenCV keeps float32
    np.testing.assert_allclose(spec.corners_mm, board.getChessboardCorners(), atol=1e-5)  # mm: float32


def test_other_layout_is_another_picture():
    current, older = (
        board_picture(charuco((6, 4), layout), px_per_mm=4.0) for layout in ["current", "before_4_6"]
    )
    assert not np.array_equal(current, older)


@pytest.mark.parametrize("px_per_mm", [3.0, 4.7, 7.31])
def test_picture_covers_the_exact_area(px_per_mm):
    spec = charuco((5, 4), square_mm=10.0, marker_mm=7.3)
    picture = board_picture(spec, px_per_mm=px_per_mm)
    outline = board_outline(spec)
    black_mm2 = (outline.boxes_mm[:, 2] * outline.boxes_mm[:, 3]).sum()
    drawn_mm2 = (1 - picture / 255.0).sum() / px_per_mm**2
    assert drawn_mm2 == pytest.approx(black_mm2, rel=2e-4)  # rounding to 1/255 at the edge pixels
    loops_mm2 = sum(
        0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
        for x, y in (loop.T for loop in outline.loops_mm)
    )
    assert loops_mm2 == pytest.approx(black_mm2, rel=1e-12)  # both exact; float rounding


def test_corners_lie_where_the_picture_says():
    spec = charuco((5, 4))
    scale = 6.3
    picture = cv2.GaussianBlur(board_picture(spec, px_per_mm=scale), (0, 0), 0.8)
    expected = picture_from_board_px(spec, spec.corners_mm[:, :2], px_per_mm=scale)
    start = np.ascontiguousarray(expected + 0.7, dtype=np.float32)
    window = (3, 3)  # px: less than the marker's margin of 1.125 mm * 6.3
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-4)
    found = cv2.cornerSubPix(picture, start, window, (-1, -1), criteria)
    np.testing.assert_allclose(
        found.reshape(-1, 2), expected, atol=0.06
    )  # px: its own bias; a half-pixel slip is 0.5


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"square_mm": -1.0}, "square_mm -1"),
        ({"square_mm": float("nan")}, "square_mm nan"),
        ({"marker_mm": 9.0}, "less than square_mm 9 needed"),
        ({"marker_mm": None}, "marker_mm None"),
        ({"dictionary": "DICT_4X4_50"}, "holds 50 markers, 54 needed"),
        ({"dictionary": "4x4_50"}, "name of an OpenCV marker dictionary"),
        ({"dictionary": None}, "no dictionary"),
        ({"squares": (2, 12)}, "squares 2 x 12"),
    ],
)
def test_impossible_boards_are_refused(changes, words):
    with pytest.raises(ConfigError, match=words.replace("(", r"\(")):
        check_board(charuco(**changes))


def test_checkerboard_that_looks_the_same_upside_down_is_refused():
    def board(squares):
        return BoardSpec(name="plain", kind="checkerboard", squares=squares, square_mm=10.0)

    for squares in [(8, 6), (7, 9), (7, 7)]:
        with pytest.raises(ConfigError, match="same upside down"):
            check_board(board(squares))
        black = board_layout(board(squares)).black
        assert np.array_equal(black, black[::-1, ::-1])  # the reason: a half turn changes nothing
    check_board(board((10, 7)))
    black = board_layout(board((10, 7))).black
    assert np.array_equal(black, ~black[::-1, ::-1])
    assert black[0, 0]
