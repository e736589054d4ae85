"""Takes as a folder and as a list: order, names, and every slip said clearly."""

import pytest

from rigcheck.errors import InputError, SchemaError
from rigcheck.model import Estimate
from rigcheck.records.takes_file import camera_names_of, read_takes
from rigcheck.records.takes_table import TableRow, takes_csv

CAMERAS = ("upper", "lower")


def folder(root, *names, files=("upper.mov", "lower.mov")):
    for name in names:
        (root / name).mkdir(parents=True)
        for file in files:
            (root / name / file).write_bytes(b"x")
    return root


def listed(tmp_path, text):
    path = tmp_path / "takes.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_sub_folders_in_natural_order(tmp_path):
    takes = read_takes(folder(tmp_path, "take_10", "take_9", "Take_2"), cameras=CAMERAS)
    assert [take.name for take in takes] == ["Take_2", "take_9", "take_10"]
    assert [name.rpartition("/")[2] for name in takes[0].footage] == ["upper.mov", "lower.mov"]


def test_files_are_told_by_the_cameras_names_as_words(tmp_path):
    root = folder(tmp_path, "a", files=("roll7_LOWER_003.mov", "roll7_upper_003.mov", "notes.txt", ".hidden"))
    (take,) = read_takes(root, cameras=CAMERAS)
    assert [name.rpartition("/")[2] for name in take.footage] == [
        "roll7_upper_003.mov",
        "roll7_LOWER_003.mov",
    ]


def test_names_come_from_the_first_take_where_nothing_else_names_them(tmp_path):
    takes = read_takes(folder(tmp_path, "a", "b"))
    assert camera_names_of(takes) == ("lower", "upper")
    folder(tmp_path, "c", files=("left_over.mov", "upper.mov"))
    assert "names of the cameras needed (lower, upper)" in read_takes(tmp_path)[2].fault


@pytest.mark.parametrize(
    ("files", "said"),
    [
        (
            ("upper.mov", "lower.mov", "spare.mov"),
            "3 files or folders found (lower.mov, spare.mov, upper.mov)",
        ),
        (("upper.mov",), "1 files or folders found (upper.mov), one for each of upper, lower needed"),
        ((), "the folder is empty"),
        (("one.mov", "two.mov"), "names of the cameras needed (upper, lower)"),
    ],
)
def test_a_folder_that_is_no_take_is_a_take_with_a_fault(tmp_path, files, said):
    folder(tmp_path, "good")
    folder(tmp_path, "odd", files=files)
    takes = read_takes(tmp_path, cameras=CAMERAS)
    assert not takes[0].fault
    assert said in takes[1].fault
    assert takes[1].hint


def test_no_takes_at_all(tmp_path):
    with pytest.raises(InputError, match="0 sub-folders found"):
        read_takes(tmp_path)
    with pytest.raises(InputError, match="no such folder or list"):
        read_takes(tmp_path / "none")


def test_a_list_in_the_order_of_recording(tmp_path):
    path = listed(
        tmp_path,
        "- {name: b, footage: [u.mov, l.mov], recorded: '2026-03-02T11:00:00+01:00', performer: heron}\n"
        "- {name: a, footage: [u2.mov, l2.mov], recorded: '2026-03-02T09:30:00+00:00', performer: heron}\n"
        "- {name: c, footage: [u3.mov, l3.mov], recorded: '2026-03-02T09:00:00+01:00', performer: heron}\n",
    )
    takes = read_takes(path)
    # 11:00+01:00 is 10:00 UTC, after 09:30 UTC.
    assert [take.name for take in takes] == ["c", "a", "b"]
    assert takes[0].footage == (str(tmp_path / "u3.mov"), str(tmp_path / "l3.mov"))
    assert takes[0].performer == "heron"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name: a\n", "no list found"),
        ("- {name: a, footage: [u, l, m]}\n", "at most 2 entries"),
        ("- {name: a, footage: [u], extra: 1}\n", "unknown key 'takes[0].extra'"),
        (
            "- {name: a, footage: [u, l]}\n- {name: A, footage: [x, y]}\n",
            "takes.yaml:2: takes[1].name: the name 'A'",
        ),
        ("- {name: a, footage: [u, l]}\n- {name: b, footage: [x]}\n", "of 1 camera(s) found, of 2 needed"),
        ("- {name: a, footage: [u], recorded: yesterday}\n", "a date and time needed"),
        (
            "- {name: a, footage: [u], recorded: '2026-03-02T09:30:00'}\n- {name: b, footage: [x]}\n",
            "some takes have a recorded time and some have not",
        ),
        (
            "- {name: a, footage: [u], recorded: '2026-03-02T09:30:00'}\n"
            "- {name: b, footage: [x], recorded: '2026-03-02T09:30:00Z'}\n",
            "a time with its zone",
        ),
        ("- {name: ../a, footage: [u]}\n", "a short name"),
        ("[]\n", "at least 1 entries"),
    ],
)
def test_slips_in_a_list(tmp_path, text, said):
    with pytest.raises(SchemaError) as caught:
        read_takes(listed(tmp_path, text))
    assert said in str(caught.value)


def test_a_table_never_starts_a_formula():
    none = Estimate(value=None, reason="not measured")
    row = TableRow(
        take="=1+1",
        recorded=None,
        performer="-x",
        status="fail",
        use="not measured",
        share=None,
        left_mm=none,
        start_mm=none,
        because='a, "b"',
        fault="",
    )
    assert takes_csv([row]).splitlines()[1] == '\'=1+1,,\'-x,fail,not measured,,,,,,"a, ""b""",'
