"""Boards: drawing them, finding their corners, and telling a wrong description."""

from rigcheck.target.detect import BoardDetector, detect_board
from rigcheck.target.layout import BoardLayout, board_layout, check_board
from rigcheck.target.outline import BoardOutline, board_outline, board_picture, picture_from_board_px

__all__ = [
    "BoardDetector",
    "BoardLayout",
    "BoardOutline",
    "board_layout",
    "board_outline",
    "board_picture",
    "check_board",
    "detect_board",
    "picture_from_board_px",
]
