"""Hostile input, by command line and by library: a sentence that says where, what, what is needed and what to do;
never a traceback, never a part of a file, and the inputs as they were.
"""

import errno
import hashlib
import os
import resource
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from rendered import BOARD_YAML, RIG_YAML, write_picture
from small_shoot import clip_of, small_shoot, written

import rigcheck
from rigcheck.errors import RigcheckError
from rigcheck.jobs import calibrate as job
from rigcheck.main import run
from rigcheck.records import output
from rigcheck.target import BoardDetector

CANNOT, USAGE, INTERRUPTED = 3, 2, 130


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return small_shoot(tmp_path_factory.mktemp("small"))


def hashes(folder):
    return {
        str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def left_over(folder):
    return [p.name for p in folder.rglob("*") if p.name.startswith(".rigcheck")]


@pytest.fixture
def command(small, tmp_path, capsys):
    """Run a command that must not succeed: its code, what it says, and that nothing else happened."""
    place = tmp_path / "results"
    place.mkdir()

    def call(*arguments, code=CANNOT, says=()):
        before = hashes(small.folder)
        assert run([*map(str, arguments), "--out", str(place / "out")]) == code
        told = capsys.readouterr()
        assert "Traceback" not in told.err + told.out
        if code == CANNOT:
            stopped, remedy = told.err.strip().splitlines()[-2:]
            assert stopped.startswith("Stopped: ")
            assert remedy.startswith("What to do: ")
            assert len(remedy) > 25
        for words in says:
            assert words in told.err, told.err
        assert list(place.iterdir()) == []
        assert hashes(small.folder) == before
        return told.err

    return call


def broken(folder, name, small):
    """Make a piece of footage that cannot be used."""
    path = folder / name
    pictures = small.pictures["upper"]
    if name == "cut.mp4":
        whole = clip_of(folder / "whole.mp4", pictures[:4]).read_bytes()
        path.write_bytes(whole[: len(whole) // 2])
    elif name == "start.mp4":
        path.write_bytes(clip_of(folder / "whole.mp4", pictures[:2]).read_bytes()[:48])
    elif name == "empty.mp4":
        path.write_bytes(b"")
    elif name == "text.mp4":
        path.write_text("Tuesday: the boom was loose.\n" * 40)
    elif name in ("dot", "black", "white"):
        size, level = {"dot": ((1, 1), 90), "black": ((HEIGHT, 96), 0), "white": ((HEIGHT, 96), 255)}[name]
        written(path, [np.full(size, level, dtype=np.uint8)] * 5)
    elif name == "huge":
        path.mkdir()
        write_picture(path / "0.png", np.zeros((400, 20_000), dtype=np.uint8))
    elif name in ("black.mp4", "interlaced.mp4"):
        fields = {"x264-params": "tff=1"} if name == "interlaced.mp4" else None
        clip_of(path, [np.full((128, 96), 16, dtype=np.uint8)] * 6, options=fields)
    else:
        shutil.copytree(small.upper, path)
        one = path / "0003.png"
        if name == "cut-picture":
            one.write_bytes(one.read_bytes()[: one.stat().st_size // 2])
        elif name == "empty-picture":
            one.write_bytes(b"")
        else:
            write_picture(one, pictures[3][:600])
    return path


HEIGHT = 128
FOOTAGE = {
    "cut.mp4": ("whole file is needed",),
    "start.mp4": ("start.mp4",),
    "empty.mp4": ("0 bytes",),
    "text.mp4": ("no video that can be read",),
    "dot": ("1 x 1 px found", "64 px each way"),
    "huge": ("20000 x 400 px found", "12000 px a side"),
    "black": ("pictures are black", "none of 5 pictures"),
    "white": ("pictures are white",),
    "black.mp4": ("pictures are black", "none of 6 pictures"),
    "interlaced.mp4": ("interlaced", "progressive"),
    "cut-picture": ("0003.png", "cut short"),
    "empty-picture": ("0003.png", "0 bytes"),
    "unequal": ("0003.png", "540 x 600 px found", "540 x 720 px needed"),
}


@pytest.mark.parametrize("name", FOOTAGE)
def test_footage_that_cannot_be_used(name, small, tmp_path, command):
    bad = broken(tmp_path, name, small)
    command("calibrate", bad, "--board", small.board, says=(name, *FOOTAGE[name]))
    with pytest.raises(RigcheckError) as caught:
        rigcheck.calibrate(bad, board=small.board)
    assert name in caught.value.message
    assert caught.value.hint


@pytest.mark.parametrize("name", ["cut-picture", "unequal"])
def test_the_second_camera_is_named_when_its_footage_is_broken(name, small, tmp_path, command):
    command("calibrate", small.upper, broken(tmp_path, name, small), "--board", small.board, says=(name,))


BOARD_SLIPS = [
    ("square_mm: 9.0", "square_mm: 0"),
    ("square_mm: 9.0", "square_mm: -9"),
    ("square_mm: 9.0", "square_mm: .nan"),
    ("square_mm: 9.0", "square_mm: .inf"),
    ("square_mm: 9.0", "square_mm: nine"),
    ("square_mm: 9.0", "square_mm: '9.0'"),
    ("square_mm: 9.0", "square_mm: 9,0"),
    ("square_mm: 9.0", "square_mm: 1e400"),
    ("square_mm: 9.0", "square_mm: true"),
    ("marker_mm: 6.75", "marker_mm: 9.5"),
    ("marker_mm: 6.75", "marker_mm: 0"),
    ("[9, 12]", "[9.5, 12]"),
    ("[9, 12]", "[0, 12]"),
    ("[9, 12]", "[-9, 12]"),
    ("[9, 12]", "[9, 12, 1]"),
    ("[9, 12]", "[1000000, 12]"),
    ("across_mm: 81.0", "across_mm: 0"),
    ("across_mm: 81.0", "across_mm: 8.1"),
    ("across_squares: 9", "across_squares: 0"),
    ("u_mm: 0.02", "u_mm: -0.02"),
    ("u_mm: 0.02", "u_mm: .nan"),
    ("DICT_4X4_100", "DICT_4X4_99"),
    ("charuco", "charucco"),
]
RIG_SLIPS = [
    ("working_distance_mm: 195", "working_distance_mm: 0"),
    ("working_distance_mm: 195", "working_distance_mm: -195"),
    ("working_distance_mm: 195", "working_distance_mm: .nan"),
    ("working_distance_mm: 195", "working_distance_mm: 195 mm"),
    ("working_distance_mm: 195", "frame_rate: 0"),
    ("working_distance_mm: 195", "synchronised: yes please"),
    ("working_distance_mm: 195", "limits: {harm.depth_mm.fail: -1}"),
    ("working_distance_mm: 195", "limits: {harm.depth_mm.fail: .nan}"),
    ("working_distance_mm: 195", "limits: {harm.dept_mm.fail: 1}"),
    ("working_distance_mm: 195", "limits: {harm.depth_mm.fail: 0.01}"),
    ("working_distance_mm: 195", "proxy: {scale: 0}"),
    ("working_distance_mm: 195", "proxy: {scale: 0.5}"),
    ("  - name: lower", "  - name: upper"),
    ("  - name: lower", "  - {name: lower, focal_length_mm: .nan}"),
    ("  - name: lower", "  - {name: lower, f_number: 0}"),
    ("  - name: lower", "  - {name: lower, pixel_pitch_um: -3.45}"),
    ("  - name: lower", "  - {name: lower, mount_rotation_deg: 45}"),
    ("  - name: lower", "  - {name: lower, transfer: sRGBB}"),
    ("cameras:", "cameras: []\nmore:"),
]


@pytest.mark.parametrize(("right", "wrong"), BOARD_SLIPS)
def test_slips_in_a_board_file(right, wrong, small, tmp_path, command):
    assert right in BOARD_YAML
    slip = tmp_path / "slip.yaml"
    slip.write_text(BOARD_YAML.replace(right, wrong, 1))
    command("calibrate", small.upper, small.lower, "--board", slip, says=("slip.yaml",))
    command("board", slip, says=("slip.yaml",))
    with pytest.raises(RigcheckError):
        rigcheck.read_board(slip)


@pytest.mark.parametrize(("right", "wrong"), RIG_SLIPS)
def test_slips_in_a_rig_file(right, wrong, small, tmp_path, command):
    assert right in RIG_YAML
    slip = tmp_path / "slip.yaml"
    slip.write_text(RIG_YAML.replace(right, wrong, 1))
    said = command("calibrate", small.upper, small.lower, "--board", small.board, "--rig", slip)
    assert "slip.yaml" in said or "kestrel" in said


@pytest.mark.parametrize(
    ("options", "code"),
    [
        (["--offset-frames", "1.5"], USAGE),
        (["--offset-frames", "nan"], USAGE),
        (["--offset-frames", "1000000000"], CANNOT),
        (["--offset-frames", "-9999"], CANNOT),
        (["--pair", "luck"], USAGE),
        (["--pair", "timecode"], CANNOT),
        (["--lens", ""], CANNOT),
        (["--prior", "gone.yaml"], CANNOT),
        (["--no-such-option"], USAGE),
    ],
)
def test_slips_in_options(options, code, small, command):
    command("calibrate", small.upper, small.lower, "--board", small.board, *options, code=code)


@pytest.mark.parametrize("paper", ["A99", "", "-1", "nan"])
def test_slips_in_the_paper(paper, small, command):
    command("board", small.board, "--paper", paper)


def test_a_prior_that_is_none(small, tmp_path, command):
    for name, text in (
        ("board.yaml", BOARD_YAML),
        ("cut.yaml", "format: rigcheck-calibration\nversion: 1\n"),
    ):
        (tmp_path / name).write_text(text)
        command(
            "calibrate",
            small.upper,
            small.lower,
            "--board",
            small.board,
            "--prior",
            tmp_path / name,
            says=(name,),
        )


@pytest.mark.parametrize("name", ["board", "calibrate"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EROFS])
def test_a_full_or_locked_disk(name, code, small, command, monkeypatch):
    """The second file of several cannot be written: none appears."""
    whole, count = Path.write_bytes, []

    def full(path, content):
        count.append(path)
        if len(count) == 2:
            whole(path, content[: len(content) // 2])
            raise OSError(code, os.strerror(code))
        return whole(path, content)

    monkeypatch.setattr(Path, "write_bytes", full)
    arguments = [small.board] if name == "board" else calibrate_quickly(small, monkeypatch)
    said = command(name, *arguments)
    assert "cannot be written" in said
    assert "disk" in said


def calibrate_quickly(small, monkeypatch):
    """Arguments of a calibration whose result is at hand already: writing it is what is tried."""
    # First: the public name is looked up when first used, and must not find the stand-in.
    result = solved_once(small)
    monkeypatch.setattr(job, "calibrate", lambda *given, **how: result)
    return [small.upper, small.lower, "--board", small.board]


_SOLVED = {}


def solved_once(small):
    if small.folder not in _SOLVED:
        _SOLVED[small.folder] = rigcheck.calibrate(small.upper, small.lower, board=small.board, lens="brown4")
    return _SOLVED[small.folder]


def test_a_real_limit_on_file_size(small, tmp_path):
    """The system itself refuses the bytes: a limit of 4 kB a file, set for a process of its own."""

    def limited():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))

    done = subprocess.run(
        [sys.executable, "-m", "rigcheck", "board", str(small.board), "--out", str(tmp_path / "out")],
        preexec_fn=limited,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == CANNOT
    assert "Traceback" not in done.stderr
    assert "cannot be written" in done.stderr
    assert list(tmp_path.iterdir()) == []


def interrupt(*given, **how):
    raise KeyboardInterrupt


def interrupt_in_a_thread(*given, **how):
    """As the system does it: the signal comes while worker threads detect, the main thread gets it."""
    signal.raise_signal(signal.SIGINT)
    return rigcheck.model.Rejection(ref=given[-1], code="no_board", sentence="interrupted")


@pytest.mark.parametrize("when", ["detection", "solve", "write", "moving into place", "board"])
def test_an_interrupt_leaves_nothing(when, small, command, monkeypatch):
    arguments = [small.upper, small.lower, "--board", small.board]
    if when == "detection":
        monkeypatch.setattr(BoardDetector, "detect", interrupt_in_a_thread)
    elif when == "solve":
        monkeypatch.setattr(job, "solve", interrupt)
    elif when in ("write", "board"):
        monkeypatch.setattr(Path, "write_bytes", interrupt)
    else:
        monkeypatch.setattr(output, "_flush", interrupt)
    if when in ("write", "moving into place"):
        arguments = calibrate_quickly(small, monkeypatch)
    name = "board" if when == "board" else "calibrate"
    said = command(name, *([small.board] if when == "board" else arguments), code=INTERRUPTED)
    assert "Interrupted: nothing was written." in said


def test_an_interrupt_keeps_an_earlier_result(small, tmp_path, monkeypatch, capsys):
    """With leave to replace, and the files half moved: the earlier ones are put back."""
    out = tmp_path / "out"
    result = solved_once(small)
    rigcheck.write_calibration(result, out)
    before, moves, move = hashes(out), [], os.replace

    def third(source, target):
        moves.append(target)
        if len(moves) == 3:
            raise KeyboardInterrupt
        move(source, target)

    monkeypatch.setattr(output.os, "replace", third)
    arguments = ["calibrate", *map(str, calibrate_quickly(small, monkeypatch)), "--out", str(out)]
    assert run([*arguments, "--replace"]) == INTERRUPTED
    assert "Interrupted" in capsys.readouterr().err
    assert hashes(out) == before
    assert left_over(tmp_path) == []
