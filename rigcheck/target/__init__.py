"""Boards: drawing them, finding their corners, and telling a wrong description."""

from rigcheck.target.detect import BoardDetector, detect_board
from rigcheck.target.diagnosis import diagnose_description
from rigcheck.target.glance import Glance
from rigcheck.target.layout import BoardLayout, board_layout, check_board
from rigcheck.target.outline import BoardOutline, board_outline, board_picture, picture_from_board_px
from rigcheck.target.printing import board_pdf, board_svg
from rigcheck.target.sheet import PAPERS_MM, Sheet, board_sheet

__all__ = [
    "PAPERS_MM",
    "BoardDetector",
    "BoardLayout",
    "BoardOutline",
    "Glance",
    "Sheet",
    "board_layout",
    "board_outline",
    "board_pdf",
    "board_picture",
    "board_sheet",
    "board_svg",
    "check_board",
    "detect_board",
    "diagnose_description",
    "picture_from_board_px",
]
