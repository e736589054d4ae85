"""Wrong descriptions of the board in the picture are refused, and named."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.model import Observation, Rejection
from rigcheck.target import detect_board, diagnose_description

OTHERS = {
    "layout": ({"layout": "before_4_6"}, {}, "layout before_4_6"),
    "swapped": ({"squares": (12, 9)}, {}, "Columns and rows are swapped"),
    "another": ({"squares": (8, 11)}, {}, "it has 8 columns"),
    "dictionary": ({"dictionary": "DICT_5X5_100"}, {}, "of DICT_5X5_100"),
    "ratio": ({"marker_mm": 5.4}, {}, "0.6"),
    "mirrored": ({}, {"mirrored": True}, "mirrored"),
}


@pytest.mark.parametrize("case", OTHERS)
def test_misdescription_is_refused_and_named(case, reference_board, scene, ref):
    board, picture, words = OTHERS[case]
    shown = scene(replace(reference_board, **board), **picture)
    image = shown.picture(np.random.default_rng([50]))
    seen = detect_board(image, reference_board, ref)
    assert isinstance(seen, Rejection)
    assert seen.code == ("no_board" if case == "dictionary" else "wrong_board")
    assert words in (diagnose_description(image, reference_board) or "")
    # Described rightly, the same picture is a board and nothing is named.
    if case != "mirrored":
        assert isinstance(detect_board(image, shown.spec, ref), Observation)
        assert diagnose_description(image, shown.spec) is None


@pytest.mark.parametrize("marker_mm", [6.0, 7.5])
def test_a_ratio_that_is_only_a_little_wrong_is_named_too(marker_mm, reference_board, scene):
    image = scene(reference_board).picture(np.random.default_rng([51]))
    sentence = diagnose_description(image, replace(reference_board, marker_mm=marker_mm))
    assert sentence is not None
    assert "0.7" in sentence  # the true ratio is 0.75


def test_even_columns_and_the_older_layout(reference_board, scene, ref):
    older = replace(reference_board, squares=(8, 12), layout="before_4_6")
    image = scene(older).picture(np.random.default_rng([52]))
    assert isinstance(detect_board(image, older, ref), Observation)
    current = replace(older, layout="current")
    assert isinstance(detect_board(image, current, ref), Rejection)
    assert "layout before_4_6" in (diagnose_description(image, current) or "")


@pytest.mark.parametrize(
    ("squares", "words"),
    [
        ((7, 10), "count inner corners"),
        ((9, 12), "8 x 11 squares"),
        ((7, 12), None),
        ((8, 11), None),
        ((11, 8), None),
    ],
)
def test_checkerboards(squares, words, plain_board, scene):
    image = scene(plain_board, centre_mm=(0.0, 0.0, 200.0)).picture(np.random.default_rng([53]))
    sentence = diagnose_description(image, replace(plain_board, squares=squares))
    assert (words in (sentence or "")) if words else sentence is None


def test_nothing_is_named_where_nothing_is_seen(reference_board, plain_board):
    for spec in (reference_board, plain_board):
        assert diagnose_description(np.full((240, 320), 100, dtype=np.uint8), spec) is None
        assert diagnose_description(np.zeros((1, 1), dtype=np.uint8), spec) is None
