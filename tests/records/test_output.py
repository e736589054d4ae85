"""A command's files appear whole or not at all, whatever happens."""

import errno
import os
import resource
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from rigcheck.errors import OutputError
from rigcheck.records import check_writable, output_folder


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def write_two(out):
    out.write_text("calibration.yaml", "new ü")
    out.write_bytes("pictures/worst.png", b"new picture")


def write_into(target, *steps, **options):
    """Run the steps, each given the open output folder, inside one `output_folder` block."""
    with output_folder(target, **options) as out:
        for step in steps:
            step(out)


def raising(error):
    def step(out):
        raise error

    return step


NEW = {"calibration.yaml": "new ü".encode(), "pictures/worst.png": b"new picture"}


def test_new_folder_appears_whole(tmp_path):
    target = tmp_path / "out"
    with output_folder(target) as out:
        write_two(out)
        assert not target.exists()
    assert contents(target) == NEW
    assert os.listdir(tmp_path) == ["out"]
    assert target.stat().st_mode & 0o777 == 0o777 & ~_umask()


def _umask():
    mask = os.umask(0)
    os.umask(mask)
    return mask


def test_existing_folder_gains_the_files_and_keeps_the_rest(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    with output_folder(tmp_path) as out:
        write_two(out)
        assert "calibration.yaml" not in os.listdir(tmp_path)
    assert contents(tmp_path) == NEW | {"notes.txt": b"mine"}


class Stop(BaseException):
    """Not an Exception, as an interrupt is not."""


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, Stop, SystemExit])
@pytest.mark.parametrize("exists", [False, True])
@pytest.mark.parametrize("replace", [False, True])
def test_nothing_appears_when_the_work_fails(tmp_path, error, exists, replace):
    target = tmp_path / "out"
    if exists:
        target.mkdir()
        if replace:
            (target / "calibration.yaml").write_text("old")
    before = contents(tmp_path)
    with pytest.raises(error):
        write_into(target, write_two, raising(error), replace=replace)
    assert contents(tmp_path) == before
    assert os.listdir(tmp_path) == (["out"] if exists else [])


def failing_at(monkeypatch, name, step, error):
    """Make the os function `name` fail at one of its moves into place; earlier ones go through."""
    real, calls = getattr(os, name), []

    def failing(source, target):
        if not Path(target).name.startswith("earlier-"):
            calls.append(target)
            if len(calls) == step + 1:
                raise error
        real(source, target)

    monkeypatch.setattr(os, name, failing)


FULL = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize(("error", "seen"), [(FULL, OutputError), (KeyboardInterrupt(), KeyboardInterrupt)])
@pytest.mark.parametrize("step", range(2))
@pytest.mark.parametrize("earlier", [(), ("calibration.yaml",), ("calibration.yaml", "pictures/worst.png")])
def test_moves_are_undone_when_one_fails(tmp_path, monkeypatch, error, seen, step, earlier):
    for name in earlier:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("old")
    before, listed = contents(tmp_path), sorted(os.listdir(tmp_path))
    failing_at(monkeypatch, "replace", step, error)
    with pytest.raises(seen), output_folder(tmp_path, replace=True) as out:
        write_two(out)
    assert contents(tmp_path) == before
    assert sorted(os.listdir(tmp_path)) == listed


@pytest.mark.parametrize("step", range(2))
def test_interrupt_between_two_moves_without_replace(tmp_path, monkeypatch, step):
    failing_at(monkeypatch, "link", step, KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt), output_folder(tmp_path) as out:
        write_two(out)
    assert os.listdir(tmp_path) == []


def test_file_system_without_hard_links(tmp_path, monkeypatch):
    """exFAT and some network disks refuse os.link."""

    def refused(source, target):
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refused)
    with output_folder(tmp_path) as out:
        write_two(out)
    with output_folder(tmp_path, replace=True) as out:
        out.write_text("calibration.yaml", "newer")
    assert contents(tmp_path) == NEW | {"calibration.yaml": b"newer"}


def test_replace_leaves_the_earlier_file_whole_until_the_end(tmp_path):
    earlier = tmp_path / "calibration.yaml"
    earlier.write_text("old")
    with output_folder(tmp_path, replace=True) as out:
        out.write_text("calibration.yaml", "new")
        assert earlier.read_text() == "old"
    assert contents(tmp_path) == {"calibration.yaml": b"new"}


def test_existing_file_is_refused_before_the_work(tmp_path):
    (tmp_path / "calibration.yaml").write_text("old")
    with pytest.raises(OutputError, match="exists already") as caught:
        check_writable(tmp_path, protects=("result.json", "calibration.yaml"))
    assert "--replace" in caught.value.hint
    check_writable(tmp_path, protects=("calibration.yaml",), replace=True)
    assert contents(tmp_path) == {"calibration.yaml": b"old"}


def test_existing_file_is_refused_though_nobody_named_it(tmp_path):
    (tmp_path / "calibration.yaml").write_text("old")
    with pytest.raises(OutputError, match="exists already"), output_folder(tmp_path) as out:
        write_two(out)
    assert contents(tmp_path) == {"calibration.yaml": b"old"}


def test_file_of_another_run_is_not_overwritten(tmp_path):
    def other_run(out):
        (tmp_path / "result.json").write_text("theirs")

    with pytest.raises(OutputError, match="exists already"):
        write_into(tmp_path, lambda out: out.write_text("result.json", "mine"), other_run)
    assert contents(tmp_path) == {"result.json": b"theirs"}


def test_folder_of_another_run_is_not_overwritten(tmp_path):
    target = tmp_path / "out"

    def other_run(out):
        target.mkdir()
        (target / "result.json").write_text("theirs")

    with pytest.raises(OutputError, match="exists already"):
        write_into(target, lambda out: out.write_text("result.json", "mine"), other_run)
    assert contents(tmp_path) == {"out/result.json": b"theirs"}


@pytest.mark.parametrize(
    ("place", "finding"),
    [
        ("file/out", "parent folder does not exist"),
        ("none/out", "parent folder does not exist"),
        ("file", "a file found"),
    ],
)
def test_unusable_places(tmp_path, place, finding):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match=finding):
        check_writable(tmp_path / place)
    assert contents(tmp_path) == {"file": b"x"}


@pytest.mark.skipif(sys.platform != "linux", reason="/proc is Linux's")
def test_place_that_cannot_be_written():
    """Nobody, root included, makes folders in /proc."""
    with pytest.raises(OutputError, match="cannot be written"):
        check_writable("/proc/rigcheck-out")


def test_probing_leaves_nothing(tmp_path):
    check_writable(tmp_path / "out")
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("link", ["same", "symlink", "hardlink"])
def test_inputs_are_never_overwritten(tmp_path, link):
    board = tmp_path / "result.json"
    board.write_text("an input with an unlucky name")
    given = board
    if link == "symlink":
        given = tmp_path / "link.json"
        given.symlink_to(board)
    if link == "hardlink":
        given = tmp_path / "link.json"
        given.hardlink_to(board)
    with pytest.raises(OutputError, match="is an input"):
        check_writable(tmp_path, replace=True, protects=("result.json",), inputs=[given])
    with (
        pytest.raises(OutputError, match="is an input"),
        output_folder(tmp_path, replace=True, inputs=[given]) as out,
    ):
        out.write_text("result.json", "{}")
    assert board.read_text() == "an input with an unlucky name"


def test_results_do_not_go_among_the_input_pictures(tmp_path):
    with pytest.raises(OutputError, match="input folder"):
        check_writable(tmp_path, inputs=[tmp_path / "." / ""])


@pytest.mark.parametrize("name", ["../x", "/x", "a/../../x", "", ".", "a\\b", "C:x"])
def test_names_stay_inside(tmp_path, name):
    with pytest.raises(ValueError, match="inside the output folder"), output_folder(tmp_path / "out") as out:
        out.write_text(name, "x")
    assert os.listdir(tmp_path) == []


def test_a_name_is_written_once(tmp_path):
    steps = [lambda out: out.write_text("a", "x"), lambda out: out.write_text("./a", "x")]
    with pytest.raises(ValueError, match="twice"):
        write_into(tmp_path / "out", *steps)


def test_reserved_path_for_libraries_that_write_themselves(tmp_path):
    with output_folder(tmp_path / "out") as out:
        out.reserve("clips/a.mp4").write_bytes(b"film")
    assert contents(tmp_path / "out") == {"clips/a.mp4": b"film"}


def test_disk_full_is_said_and_cleaned_up(tmp_path, monkeypatch):
    def full(self, content):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError) as caught, output_folder(tmp_path / "out") as out:
        out.write_text("a", "x")
    assert "disk is full" in caught.value.hint
    assert os.listdir(tmp_path) == []


def _in_a_process(tmp_path, body, **options):
    code = "from rigcheck.records import output_folder\n" + textwrap.dedent(body)
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
        **options,
    )


@pytest.mark.skipif(sys.platform == "win32", reason="resource limits are POSIX")
def test_really_running_out_of_room(tmp_path):
    """A file-size limit of the system stands in for a full disk: the write itself fails half-way."""

    def limited():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))

    body = """
        import sys
        from rigcheck.errors import OutputError
        try:
            with output_folder(sys.argv[1] + "/out") as out:
                out.write_text("small", "x")
                out.write_bytes("large", bytes(100000))
        except OutputError as error:
            print(error)
    """
    with _in_a_process(tmp_path, body, preexec_fn=limited) as process:
        text = process.communicate(timeout=60)[0]
    assert "cannot be written" in text
    assert os.listdir(tmp_path) == []


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX")
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGKILL])
def test_interrupted_process_leaves_no_result(tmp_path, sign):
    body = """
        import sys
        with output_folder(sys.argv[1]) as out:
            out.write_text("result.json", "{}")
            print("ready", flush=True)
            sys.stdin.read()
    """
    with _in_a_process(tmp_path, body, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        assert process.stdout.readline() == "ready\n"
        process.send_signal(sign)
        process.wait(timeout=60)
    assert not (tmp_path / "result.json").exists()
    if sign == signal.SIGINT:
        assert os.listdir(tmp_path) == []
