"""First bad input: each names file, finding, need and remedy; nothing is written."""

import hashlib
import os
import shutil

import numpy as np
import pytest
from rendered import BOARD_YAML, write_picture

from rigcheck.main import run


@pytest.fixture
def refused(shoot, tmp_path, capsys):
    """Run calibrate and demand exit code 3, a two-line error with the given words, and no output at all."""
    before = hashes(shoot.folder)

    def call(*footage, board=None, extra=(), out=None, code=3, says=()):
        target = tmp_path / "out" if out is None else out
        known = listing(target)
        given = [*map(str, footage), "--board", str(board or shoot.board), "--out", str(target), *extra]
        assert run(["calibrate", *given]) == code
        told = capsys.readouterr()
        assert "Traceback" not in told.err
        if code == 3:
            lines = told.err.strip().splitlines()
            assert lines[0].startswith("Stopped: ")
            assert lines[-1].startswith("What to do: ")
            assert len(lines[-1]) > 20
        for words in says:
            assert words in told.err, (words, told.err)
        assert listing(target) == known
        assert not [p for p in tmp_path.rglob(".rigcheck-unfinished*")]
        assert hashes(shoot.folder) == before
        return told.err

    return call


def hashes(folder):
    return {
        str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def listing(folder):
    return sorted(str(p) for p in folder.rglob("*")) if folder.is_dir() else folder.exists()


def test_missing_file(refused, shoot, tmp_path):
    refused(tmp_path / "gone.mov", shoot.lower, says=("gone.mov",))


def test_empty_folder(refused, shoot, tmp_path):
    (tmp_path / "empty").mkdir()
    refused(tmp_path / "empty", shoot.lower, says=("empty", "picture"))


def test_not_a_video(refused, shoot, tmp_path):
    (tmp_path / "notes.mp4").write_text("Tuesday: the boom was loose.\n" * 50)
    refused(tmp_path / "notes.mp4", shoot.lower, says=("notes.mp4",))


def test_zero_bytes(refused, shoot, tmp_path):
    (tmp_path / "nothing.mov").write_bytes(b"")
    refused(tmp_path / "nothing.mov", shoot.lower, says=("nothing.mov",))


def plain_pictures(folder, *, count=10, size=(1440, 1080), level=90):
    folder.mkdir()
    rng = np.random.default_rng([51, 0])
    for k in range(count):
        noise = rng.normal(level, 6, size)
        write_picture(folder / f"{k:04d}.png", noise.clip(0, 255).astype(np.uint8))
    return folder


def test_no_board_in_view(refused, shoot, tmp_path):
    bare = plain_pictures(tmp_path / "bare")
    refused(bare, shoot.lower, says=("bare", "none of 10 pictures", "reference"))


def test_wrong_board(refused, shoot, tmp_path):
    other = tmp_path / "other.yaml"
    other.write_text(BOARD_YAML.replace("DICT_4X4_100", "DICT_5X5_100"))
    said = refused(shoot.upper, shoot.lower, board=other, says=("upper",))
    assert "DICT_4X4" in said  # the dictionary that does fit is named


def test_unequal_frame_counts(refused, shoot, tmp_path):
    shorter = tmp_path / "shorter"
    shutil.copytree(shoot.lower, shorter)
    (shorter / "0009.png").unlink()
    refused(shoot.upper, shorter, says=("10", "9", "--offset-frames"))


def test_the_same_footage_twice(refused, shoot, tmp_path):
    refused(shoot.upper, shoot.upper, says=("upper",))
    copied = tmp_path / "copied"
    shutil.copytree(shoot.upper, copied)
    refused(shoot.upper, copied, says=("copied",))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (BOARD_YAML + "colour: black\n", ("colour",)),
        (BOARD_YAML.replace("marker_mm", "marker_m"), ("marker_m", "marker_mm")),
        (BOARD_YAML + "square_mm: 10.0\n", ("square_mm", "second time")),
        (BOARD_YAML.replace("square_mm: 9.0", "square_mm: -9.0"), ("square_mm",)),
        (BOARD_YAML.replace("square_mm: 9.0", "square_mm: .nan"), ("square_mm",)),
        (BOARD_YAML.replace("squares: [9, 12]", "squares: [9]"), ("squares",)),
        ("just a sentence", ()),
        ("", ()),
    ],
)
def test_wrong_board_files(refused, shoot, tmp_path, text, words):
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(text)
    refused(shoot.upper, shoot.lower, board=wrong, says=("wrong.yaml", *words))


def test_missing_board_file(refused, shoot, tmp_path):
    refused(shoot.upper, shoot.lower, board=tmp_path / "gone.yaml", says=("gone.yaml",))


def test_output_that_is_a_file(refused, shoot, tmp_path):
    target = tmp_path / "taken"
    target.write_text("mine")
    refused(shoot.upper, shoot.lower, out=target, says=("taken",))
    assert target.read_text() == "mine"


def test_output_below_a_missing_folder(refused, shoot, tmp_path):
    refused(shoot.upper, shoot.lower, out=tmp_path / "no" / "such" / "place", says=("no",))


def test_unwritable_output(refused, shoot, tmp_path):
    # Root ignores permissions, so a place where nobody can make a folder is used.
    out = tmp_path / "locked" / "o"
    if os.geteuid() == 0:
        refused(shoot.upper, shoot.lower, out=type(tmp_path)("/proc/calibration"))
    else:
        out.parent.mkdir()
        out.parent.chmod(0o500)
        refused(shoot.upper, shoot.lower, out=out, says=("locked",))
        out.parent.chmod(0o700)


def test_output_into_the_footage(refused, shoot):
    refused(shoot.upper, shoot.lower, out=shoot.upper)


def test_too_few_views(refused, shoot, tmp_path):
    few = {}
    for name, folder in (("upper", shoot.upper), ("lower", shoot.lower)):
        few[name] = tmp_path / name
        few[name].mkdir()
        for path in sorted(folder.iterdir())[:2]:
            shutil.copy(path, few[name])
    refused(few["upper"], few["lower"], says=("2 usable views", "3 needed"))


def test_proxy_is_refused(refused, shoot, tmp_path):
    rig = tmp_path / "proxy.yaml"
    rig.write_text(shoot.rig.read_text() + "proxy: {scale: 0.5}\n")
    refused(shoot.upper, shoot.lower, extra=("--rig", str(rig)), says=("proxy", "original"))


def test_rig_file_of_another_number_of_cameras(refused, shoot):
    refused(shoot.upper, extra=("--rig", str(shoot.rig)), says=("2 camera",))


def test_unknown_lens(refused, shoot):
    refused(shoot.upper, shoot.lower, extra=("--lens", "brown9"), says=("brown9", "brown5"))


def test_usage_errors_exit_2(refused, shoot):
    refused(code=2)
    refused(shoot.upper, shoot.lower, extra=("--pair", "guess"), code=2)
    refused(shoot.upper, shoot.lower, extra=("--offset-frames", "two"), code=2)
