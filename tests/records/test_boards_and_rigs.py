"""Board and rig files: what is right is read, what is wrong is named with line and remedy."""

import contextlib
from pathlib import Path

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rigcheck.errors import InputError, RigcheckError, SchemaError
from rigcheck.model import BoardMeasurement, BoardSpec, CameraDescription, Proxy
from rigcheck.opencv import cv2
from rigcheck.records import (
    calibration_text,
    dictionary_names,
    read_board,
    read_calibration,
    read_result,
    read_rig,
    result_text,
)

BOARD = """\
kind: charuco
squares: [9, 12]
square_mm: 9.0
marker_mm: 6.75
dictionary: DICT_5X5_100
layout: current
measured: {across_mm: 81.04, across_squares: 9, down_mm: 108.02, down_squares: 12, u_mm: 2e-2}
held_out_length_mm: 60
"""
CHECKERBOARD = "name: plain\nkind: checkerboard\nsquares: [10, 7]\nsquare_mm: 8\n"
RIG = """\
name: kestrel
cameras:
  - name: upper
    serial: "0123"
    mount_rotation_deg: 90
    pixel_pitch_um: 3.45
    focal_length_mm: 6
    f_number: 4
    focused_at_mm: 200
    transfer: linear
    range: full
    black_level: 0
    shutter_s: 2e-3
    wavelength: visible
  - name: lower
    transfer: {table: curve.csv}
frame_rate: 59.94
working_distance_mm: 200
synchronised: true
proxy: {scale: 0.5, crop: [0, 0, 1080, 1440]}
limits:
  harm.depth_mm.caution: 0.08
"""
READERS = {"board": read_board, "rig": read_rig, "calibration": read_calibration, "result": read_result}


def saved(tmp_path, text, name="my board.yaml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_charuco_board(tmp_path):
    assert read_board(saved(tmp_path, BOARD)) == BoardSpec(
        name="my board",
        kind="charuco",
        squares=(9, 12),
        square_mm=9.0,
        marker_mm=6.75,
        dictionary="DICT_5X5_100",
        layout="current",
        measured=BoardMeasurement(
            across_mm=81.04, across_squares=9, down_mm=108.02, down_squares=12, u_mm=0.02
        ),
        held_out_length_mm=60,
    )


def test_checkerboard(tmp_path):
    board = read_board(saved(tmp_path, CHECKERBOARD))
    assert board == BoardSpec(name="plain", kind="checkerboard", squares=(10, 7), square_mm=8)


def test_rig(tmp_path):
    rig = read_rig(str(saved(tmp_path, RIG)))
    assert rig.cameras[0] == CameraDescription(
        name="upper",
        serial="0123",
        mount_rotation_deg=90,
        pixel_pitch_um=3.45,
        focal_length_mm=6,
        f_number=4,
        focused_at_mm=200,
        transfer="linear",
        value_range="full",
        black_level=0,
        shutter_s=0.002,
        wavelength="visible",
    )
    assert rig.cameras[1] == CameraDescription(name="lower", transfer="table:curve.csv")
    assert (rig.frame_rate, rig.working_distance_mm, rig.synchronised) == (59.94, 200, True)
    assert rig.proxy == Proxy(scale=0.5, crop=(0, 0, 1080, 1440))
    assert rig.limits == {"harm.depth_mm.caution": 0.08}


def test_rig_of_names_only(tmp_path):
    rig = read_rig(saved(tmp_path, "name: r\ncameras: [{name: only}]\nsynchronised:\n"))
    assert rig.cameras == (CameraDescription(name="only"),)
    assert (rig.synchronised, rig.proxy, rig.limits) == (None, None, {})


# What is replaced, by what, the line it must name, what it must say, and what the hint must say.
WRONG_BOARDS = [
    ("square_mm: 9.0", "sqare_mm: 9.0", 3, "unknown key 'sqare_mm'", "'square_mm'"),
    ("square_mm: 9.0\n", "", None, "'square_mm' is missing", "square_mm"),
    ("squares: [9, 12]", "squares: [9, 7, 1]", 2, "list of 3 found, at most 2", ""),
    ("squares: [9, 12]", "squares: [9]", 2, "list of 1 found, at least 2", ""),
    ("squares: [9, 12]", "squares: 9x12", 2, "the text '9x12' found, a list", ""),
    ("squares: [9, 12]", "squares: [9, 12.5]", 2, "a whole number needed", ""),
    ("squares: [9, 12]", "squares: [2, 12]", 2, "at least 3 needed", ""),
    ("squares: [9, 12]", "squares: [-9, 12]", 2, "number -9 found", ""),
    ("squares: [9, 12]", "squares: [true, 12]", 2, "true found", ""),
    ("squares: [9, 12]", "squares: [9, 1000000]", 2, "at most 100", ""),
    ("square_mm: 9.0", "square_mm: -9", 3, "above 0", ""),
    ("square_mm: 9.0", "square_mm: 0", 3, "above 0", ""),
    ("square_mm: 9.0", "square_mm: .nan", 3, "finite", ""),
    ("square_mm: 9.0", "square_mm: nan", 3, "the text 'nan' found, a number needed", ""),
    ("square_mm: 9.0", "square_mm: .inf", 3, "", ""),
    ("square_mm: 9.0", "square_mm: 1e999", 3, "", ""),
    ("square_mm: 9.0", "square_mm: '9'", 3, "the text '9' found, a number needed", ""),
    ("square_mm: 9.0", "square_mm: 9,0", 3, "the text '9,0'", "decimal point"),
    ("square_mm: 9.0", "square_mm: 9 mm", 3, "the text '9 mm'", ""),
    ("square_mm: 9.0", "square_mm:", 3, "nothing found, a number needed", ""),
    ("marker_mm: 6.75", "marker_mm: 9.0", 4, "less than square_mm", "swapped"),
    ("marker_mm: 6.75\n", "", None, "'marker_mm' is missing", ""),
    ("dictionary: DICT_5X5_100\n", "", None, "'dictionary' is missing", ""),
    ("DICT_5X5_100", "DICT_5x5_100", 5, "dictionary of OpenCV needed", "'DICT_5X5_100'"),
    ("DICT_5X5_100", "5x5_100", 5, "dictionary of OpenCV needed", "'DICT_5X5_100'"),
    ("DICT_5X5_100", "__doc__", 5, "dictionary of OpenCV needed", ""),
    ("DICT_5X5_100", "CharucoBoard", 5, "dictionary of OpenCV needed", ""),
    ("DICT_5X5_100", "DICT_5X5_50", 5, "has 50 markers; 54 needed", "squares"),
    ("kind: charuco", "kind: charucco", 1, "'charucco' found", "'charuco'"),
    ("kind: charuco", "kind: checkerboard", 4, "on a checkerboard", "charuco"),
    ("layout: current", "layout: before_46", 6, "'before_46' found", "'before_4_6'"),
    ("across_squares: 9", "across_squares: 10", 7, "at most 9 exist", "count"),
    ("down_squares: 12", "down_squares: 11", 7, "more than 7% from square_mm", "count"),
    ("81.04", "0", 7, "above 0", ""),
    ("u_mm: 2e-2", "u_mm: 20", 7, "uncertainty of 20 mm", ""),
    ("u_mm", "sigma_mm", 7, "unknown key 'measured.sigma_mm'", "across_mm"),
    ("across_mm", "acros_mm", 7, "unknown key 'measured.acros_mm'", "'across_mm'"),
    ("held_out_length_mm: 60", "held_out_length_mm: -60", 8, "above 0", ""),
    ("kind: charuco", "version: 2\nkind: charuco", 1, "number 2 found, at most 1", "newer"),
    ("kind: charuco", "version: 0\nkind: charuco", 1, "number 0 found", ""),
    ("kind: charuco", "name: ''\nkind: charuco", 1, "text needed", ""),
    ("kind: charuco", "name: 12\nkind: charuco", 1, "text (put it in quotes", ""),
]


@pytest.mark.parametrize(("old", "new", "line", "finding", "hint"), WRONG_BOARDS)
def test_wrong_board(tmp_path, old, new, line, finding, hint):
    assert BOARD.count(old) == 1
    path = saved(tmp_path, BOARD.replace(old, new))
    with pytest.raises(SchemaError) as caught:
        read_board(path)
    assert caught.value.message.startswith(f"{path}:{line}: " if line else f"{path}: ")
    assert finding in caught.value.message
    assert hint in caught.value.hint
    assert caught.value.hint


WRONG_RIGS = [
    ("name: upper\n", "name: upper\n    serail: x\n", 4, "unknown key 'cameras[0].serail'", "'serial'"),
    ('serial: "0123"', "serial: 123", 4, "the number 123 found, text (put it in quotes", ""),
    (
        "mount_rotation_deg: 90",
        "mount_rotation_deg: 45",
        5,
        "the number 45 found, 0, 90, 180 or 270 needed",
        "",
    ),
    ("transfer: linear", "transfer: lineal", 10, "the text 'lineal' found", "'linear'"),
    ("{table: curve.csv}", "{tabel: curve.csv}", 16, "unknown key 'cameras[1].transfer.tabel'", "'table'"),
    ("{table: curve.csv}", "{table: 3}", 16, "cameras[1].transfer.table: the number 3 found, text", ""),
    ("{table: curve.csv}", "[linear]", 16, "a list of 1 found, 'linear', ", ""),
    ("synchronised: true", "synchronised: yes", 19, "the text 'yes' found, true or false needed", ""),
    ("synchronised: true", "synchronised: off", 19, "the text 'off' found, true or false needed", ""),
    ("synchronised: true", "synchronised: 1", 19, "the number 1 found, true or false needed", ""),
    ("frame_rate: 59.94", "frame_rate: 0", 17, "above 0", ""),
    ("frame_rate: 59.94", "frame_rate: 60/1", 17, "the text '60/1' found, a number needed", ""),
    ("working_distance_mm: 200", "working_distance_mm: -200", 18, "above 0", ""),
    (
        "crop: [0, 0, 1080, 1440]",
        "crop: [0, 0, 0, 1440]",
        20,
        "without width or height",
        "x, y, width, height",
    ),
    ("scale: 0.5", "scale: 0", 20, "above 0", ""),
    ("harm.depth_mm.caution: 0.08", "harm.depth_mm.caution: low", 22, "a number needed", ""),
    ("name: lower", "name: upper", 15, "a second time", "own name"),
    ("name: lower", "name: Upper", 15, "a second time", "own name"),
    ("name: lower", "name: stereo", 15, "stands for something else", "rename"),
    ("name: lower", "name: ../lower", 15, "a short name", ""),
    ("name: lower", "name: a.b", 15, "a short name", ""),
    ("name: lower", 'name: "<script>"', 15, "a short name", ""),
    ("name: lower", 'name: "lower\\n"', 15, "a short name", ""),
    ("  - name: lower", "  - name: third\n  - name: lower", 2, "at most 2", ""),
    ("name: kestrel", "name: ''", 1, "text needed", ""),
]


@pytest.mark.parametrize(("old", "new", "line", "finding", "hint"), WRONG_RIGS)
def test_wrong_rig(tmp_path, old, new, line, finding, hint):
    assert RIG.count(old) == 1
    path = saved(tmp_path, RIG.replace(old, new))
    with pytest.raises(SchemaError) as caught:
        read_rig(path)
    assert caught.value.message.startswith(f"{path}:{line}: ")
    assert finding in caught.value.message
    assert hint in caught.value.hint


@pytest.mark.parametrize("text", ["name: r\ncameras: []\n", "name: r\n", "cameras: [{name: a}]\n"])
def test_rig_without_the_needful(tmp_path, text):
    with pytest.raises(SchemaError, match=r"missing|at least 1"):
        read_rig(saved(tmp_path, text))


def test_number_of_other_mistakes_is_said(tmp_path):
    text = BOARD.replace("square_mm: 9.0", "square_mm: -1").replace("layout: current", "layout: new")
    with pytest.raises(SchemaError, match="1 more of its entries are wrong"):
        read_board(saved(tmp_path, text))


@pytest.mark.parametrize("given_kind", READERS)
@pytest.mark.parametrize("needed_kind", READERS)
def test_files_given_in_each_others_place(tmp_path, calibration, report, given_kind, needed_kind):
    texts = {
        "board": BOARD,
        "rig": RIG,
        "calibration": calibration_text(calibration),
        "result": result_text(report),
    }
    path = saved(tmp_path, texts[given_kind])
    if given_kind == needed_kind:
        READERS[needed_kind](path)
        return
    with pytest.raises(SchemaError) as caught:
        READERS[needed_kind](path)
    if needed_kind == "result":
        assert "not valid JSON" in caught.value.message
    else:
        assert f"a {given_kind}" in caught.value.message
        assert f"a {needed_kind}" in caught.value.message


@pytest.mark.parametrize("kind", READERS)
@pytest.mark.parametrize("place", ["absent.yaml", "."])
def test_missing_files(tmp_path, kind, place):
    with pytest.raises(InputError):
        READERS[kind](tmp_path / place)


def test_every_dictionary_of_opencv_is_known_once():
    names = dictionary_names()
    assert "DICT_4X4_50" in names
    assert len({name.upper() for name in names}) == len(names)
    assert {getattr(cv2.aruco, name) for name in names} == {
        value for name, value in vars(cv2.aruco).items() if name.startswith("DICT_")
    }


@pytest.mark.parametrize("squares", [(9, 12), (12, 9), (7, 7), (8, 8), (11, 9), (10, 3)])
@pytest.mark.parametrize("before_4_6", [False, True])
def test_marker_count_agrees_with_opencv(squares, before_4_6):
    """OpenCV's own board needs as many markers as half the squares, rounded down."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_1000)
    board = cv2.aruco.CharucoBoard(squares, 9.0, 6.0, dictionary)
    board.setLegacyPattern(before_4_6)
    assert len(board.getIds()) == squares[0] * squares[1] // 2


REPO = Path(__file__).resolve().parents[2]


def test_example_rig_loads_and_its_limits_exist():
    from rigcheck.checks import effective_limits

    path = REPO / "configs" / "example-rig.yaml"
    rig = read_rig(path)
    assert len(rig.cameras) == 2
    assert rig.limits
    assert effective_limits(rig.limits, origin=str(path))


def test_example_rig_explains_each_entry():
    text = (REPO / "configs" / "example-rig.yaml").read_text(encoding="utf-8")
    entries = [line for line in text.splitlines() if ":" in line and not line.lstrip().startswith("#")]
    assert all("#" in line for line in entries if not line.rstrip().endswith(":"))


@pytest.mark.parametrize("path", sorted((REPO / "boards").glob("*.yaml")), ids=lambda path: path.name)
def test_boards_of_the_project_load(path):
    assert read_board(path).kind in ("charuco", "checkerboard")


values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-10, 200)
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["charuco", "checkerboard", "DICT_5X5_100", "current", "linear"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["name", "across_mm", "table", "scale", "x"]), inner, max_size=4)
    ),
    max_leaves=6,
)
keys = st.sampled_from([*yaml.safe_load(BOARD), *yaml.safe_load(RIG), "kind", "version", "format", "marker"])


def refused_or_read(path):
    """Every reader either reads or raises one of ours."""
    for reader in READERS.values():
        with contextlib.suppress(RigcheckError):
            reader(path)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.dictionaries(keys, values, max_size=8))
def test_any_values_are_read_or_refused(tmp_path, content):
    refused_or_read(saved(tmp_path, yaml.safe_dump(content, allow_unicode=True)))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200, deadline=None)
@given(st.sampled_from([BOARD, RIG]), st.integers(0, 500), st.integers(0, 30), st.binary(max_size=6))
def test_any_damage_is_read_or_refused(tmp_path, text, start, length, patch):
    content = text.encode()
    path = tmp_path / "f.yaml"
    path.write_bytes(content[:start] + patch + content[start + length :])
    refused_or_read(path)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(tmp_path, content):
    path = tmp_path / "f.yaml"
    path.write_bytes(content)
    refused_or_read(path)
