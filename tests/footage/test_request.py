"""Footage as typed."""

from pathlib import Path

import pytest

from rigcheck.errors import InputError
from rigcheck.footage import parse_footage


def _parts(text):
    return [
        (part.path.name, part.in_point, part.out_point, part.layout, part.stream)
        for part in parse_footage(text).parts
    ]


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("a.mov", [("a.mov", None, None, None, None)]),
        ("x/a.mov,x/b.mov", [("a.mov", None, None, None, None), ("b.mov", None, None, None, None)]),
        ("a.mov@3.0-21.5", [("a.mov", "3.0", "21.5", None, None)]),
        ("a.mov@3-", [("a.mov", "3", None, None, None)]),
        ("a.mov@-21.5", [("a.mov", None, "21.5", None, None)]),
        ("a.mov@00:00:03:00-00:00:21:12", [("a.mov", "00:00:03:00", "00:00:21:12", None, None)]),
        ("a.mov@10:00:03;02-10:00:21;12", [("a.mov", "10:00:03;02", "10:00:21;12", None, None)]),
        ("a.mov#stacked", [("a.mov", None, None, "stacked", None)]),
        ("a.mov@1-2#side-by-side", [("a.mov", "1", "2", "side-by-side", None)]),
        ("a.mov#side-by-side@1-2", [("a.mov", "1", "2", "side-by-side", None)]),
        ("a.mov#stream=1", [("a.mov", None, None, None, 1)]),
        ("a.mov@0-1,b.mov@2-3", [("a.mov", "0", "1", None, None), ("b.mov", "2", "3", None, None)]),
        ("me@home/take#3.mov", [("take#3.mov", None, None, None, None)]),
    ],
)
def test_syntax(text, parts):
    assert _parts(text) == parts


@pytest.mark.parametrize("name", ["take@1-2", "a,b.mov", "a#stacked", "a@1-2#stacked", "x,y,z.mov"])
def test_an_existing_file_whose_name_holds_the_marks_wins(tmp_path, name):
    file = tmp_path / name
    file.write_bytes(b"x")
    (tmp_path / "plain.mov").write_bytes(b"x")
    assert [part.path for part in parse_footage(str(file)).parts] == [file]
    request = parse_footage(f"{tmp_path}/plain.mov@0-1,{file}@3-4,{tmp_path}/plain.mov")
    assert [part.path.name for part in request.parts] == ["plain.mov", name, "plain.mov"]
    assert request.parts[1].in_point == "3"


def test_the_same_text_means_points_where_no_such_file_exists(tmp_path):
    (tmp_path / "take").write_bytes(b"x")
    (part,) = parse_footage(f"{tmp_path}/take@1-2").parts
    assert (part.path, part.in_point, part.out_point) == (tmp_path / "take", "1", "2")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("a.mov@5-3", "the out point 3 lies before the in point 5"),
        ("a.mov@00:00:05:00-00:00:04:29", "lies before the in point"),
        ("a.mov@3-00:00:21:12", "mix timecode and seconds"),
        ("a.mov@", "not a pair of in and out points"),
        ("a.mov@-", "not a pair of in and out points"),
        ("a.mov@3", "not a pair of in and out points"),
        ("a.mov@1-2-3", "not a pair of in and out points"),
        ("a.mov#stream=", "'#stream=' is not understood"),
        ("a.mov#sidebyside", "'#sidebyside' is not understood"),
        ("a.mov,,b.mov", "between two commas"),
        ("", "nothing is named"),
        (" , ", "nothing is named"),
        ("a.mov#stacked,b.mov", "all must be alike"),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_remedy(text, found):
    with pytest.raises(InputError, match=r"footage|a\.mov") as caught:
        parse_footage(text)
    assert found in str(caught.value)
    assert caught.value.hint


@pytest.mark.parametrize("value", ["x-2", "3,5-4"])
def test_garbled_points_on_an_existing_file_are_refused(tmp_path, value):
    (tmp_path / "a.mov").write_bytes(b"x")
    with pytest.raises(InputError, match="not a pair of in and out points"):
        parse_footage(f"{tmp_path}/a.mov@{value}")


def test_a_part_reads_back_as_typed():
    text = "a.mov@1-2#stacked"
    assert parse_footage(text).parts[0].text == text
    assert parse_footage("a.mov#stream=1").parts[0].text == "a.mov#stream=1"
    assert parse_footage("a.mov@1-2#stacked").layout == "stacked"


def test_a_name_that_no_file_system_takes_is_no_crash():
    assert parse_footage("a" * 5000).parts[0].path == Path("a" * 5000)
    assert parse_footage("a\0b").parts[0].path == Path("a\0b")
