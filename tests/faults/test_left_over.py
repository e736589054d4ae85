"""Ended runs: nothing half-written, and what a killed one left is cleared away, what a living one holds is not."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from rendered import BOARD_YAML

from rigcheck import main as start
from rigcheck.records import output_folder
from rigcheck.records.staging import STAGING_PREFIX, clear_left_over, staging
from rigcheck.records.walking import files_under

HOLDS = """
import sys, time
from rigcheck.records.staging import staging
from pathlib import Path
with staging(Path(sys.argv[1])) as place:
    (place / "result.json").write_text("{}")
    print("holds", flush=True)
    time.sleep(600)
"""


KILLED = """
import fcntl, os, signal, sys
from pathlib import Path
from rigcheck.records.staging import staging
die = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
setattr(os if sys.argv[2] == "open" else fcntl, sys.argv[2], die)
with staging(Path(sys.argv[1])):
    pass
"""


POOL = """
import os, time
from rigcheck.jobs.fresh_processes import fresh_processes
if __name__ == "__main__":
    with fresh_processes(1) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        time.sleep(600)
"""


INTERRUPTED = """
import os, sys, time
from pathlib import Path
from rigcheck.jobs.side_process import SideContext, SidePool, end_when_asked, ending_others
from rigcheck.records.staging import staging
if __name__ == "__mp_main__" and sys.argv[2] == "starts":
    print(os.getpid(), flush=True)
    time.sleep(60)
def works(folder):
    with staging(Path(folder)):
        print(os.getpid(), flush=True)
        time.sleep(60)
if __name__ == "__main__":
    try:
        if sys.argv[2] == "starts":
            first = SideContext().Process(target=works, args=(sys.argv[1],))
            first.start()
            try:
                first.join()
            finally:
                time.sleep(1.0)  # time enough for a word of its own
                first.terminate()
        with SidePool(1, mp_context=SideContext(), initializer=end_when_asked) as pool, ending_others():
            calls = [pool.submit(works, sys.argv[1]) for _ in range(4)]
            calls[0].result()
    except KeyboardInterrupt:
        print("ended", flush=True)
"""


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="asks Linux which processes run")
@pytest.mark.parametrize("when", ["starts", "works"])
def test_an_interrupt_ends_the_others_without_a_word(tmp_path, when):
    """A terminal sends it to every process: they tidy up, take on nothing new, and only the first says so."""
    place = tmp_path / "place"
    place.mkdir()
    (tmp_path / "pool.py").write_text(INTERRUPTED)
    process = subprocess.Popen(
        [sys.executable, str(tmp_path / "pool.py"), str(place), when],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    worker = int(process.stdout.readline())
    os.killpg(process.pid, signal.SIGINT)
    said, told = process.communicate(timeout=50)
    assert (said, told, process.returncode) == ("ended\n", "", 0)
    assert not lives(worker)
    assert os.listdir(place) == []


def lives(pid):
    """Whether a process runs still; one that nobody has asked after since its end counts as ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="asks Linux which processes run")
def test_processes_end_with_the_one_that_started_them(tmp_path):
    (tmp_path / "pool.py").write_text(POOL)
    process = subprocess.Popen([sys.executable, str(tmp_path / "pool.py")], stdout=subprocess.PIPE, text=True)
    worker = int(process.stdout.readline())
    assert lives(worker)
    process.kill()
    process.wait()
    process.stdout.close()
    until = time.monotonic() + 60
    while lives(worker) and time.monotonic() < until:
        time.sleep(0.1)
    assert not lives(worker)


@pytest.fixture
def holder(tmp_path):
    """A process that holds a hidden folder."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDS, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout.readline() == "holds\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


def hidden(folder):
    return [path.name for path in folder.rglob(f"{STAGING_PREFIX}*")]


def written(folder):
    with output_folder(folder) as out:
        out.write_text("result.json", "{}")


def test_the_living_are_left_alone_and_the_dead_removed(tmp_path, holder):
    written(tmp_path / "first")
    assert len(hidden(tmp_path)) == 1
    holder.kill()
    holder.wait()
    assert len(hidden(tmp_path)) == 1  # as a killed run leaves it
    written(tmp_path / "second")
    assert hidden(tmp_path) == []
    assert sorted(os.listdir(tmp_path)) == ["first", "second"]


def test_no_result_is_read_from_an_unfinished_folder(tmp_path, holder):
    written(tmp_path / "whole")
    assert [path.parent.name for path in files_under(tmp_path, (".json",), [])] == ["whole"]


def test_where_nothing_can_be_locked_only_what_is_a_day_old_is_removed(tmp_path):
    for name, age_s in (("young", 3600), ("old", 2 * 86400)):
        place = tmp_path / f"{STAGING_PREFIX}{name}"
        place.mkdir()
        (place / "half").write_text("x")
        (place / "no-locks").touch()
        os.utime(place, (time.time() - age_s,) * 2)
    written(tmp_path / "out")
    assert hidden(tmp_path) == [f"{STAGING_PREFIX}young"]


@pytest.mark.skipif(sys.platform == "win32", reason="knows no such locks")
@pytest.mark.parametrize("call", ["open", "flock"])
def test_killed_before_its_folder_is_locked(tmp_path, call):
    """The folder is made and nothing holds it: the next run removes it, however young it is."""
    killed = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path), call], check=False)
    assert killed.returncode == -signal.SIGKILL
    assert len(hidden(tmp_path)) == 1
    written(tmp_path / "out")
    assert os.listdir(tmp_path) == ["out"]


@pytest.mark.skipif(sys.platform == "win32", reason="knows no such locks")
@pytest.mark.parametrize("call", ["open", "flock", "samestat"])
def test_cleared_before_its_folder_is_locked(tmp_path, monkeypatch, call):
    """Another run takes a folder just made for one left over: its maker makes another, and loses nothing."""
    fcntl = pytest.importorskip("fcntl")
    home = {"open": os, "flock": fcntl, "samestat": os.path}[call]
    whole, cleared = getattr(home, call), []

    def late(*args, **named):
        if not cleared:
            cleared.extend(hidden(tmp_path))
            clear_left_over(tmp_path, now_s=time.time(), locks=True)
        return whole(*args, **named)

    with staging(tmp_path) as first:
        monkeypatch.setattr(home, call, late)
        with staging(tmp_path) as second:
            assert first.is_dir()
            (second / "half").write_text("x")
            assert (second.name in cleared) == (call == "samestat")  # locked by then: not to be taken
    assert len(cleared) == 2
    assert os.listdir(tmp_path) == []


def test_a_disk_that_knows_no_locks(tmp_path, monkeypatch):
    fcntl = pytest.importorskip("fcntl")

    def refused(handle, how):
        raise OSError(37, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refused)
    with staging(tmp_path) as place:
        assert [path.name for path in place.iterdir()] == ["no-locks"]
        written(tmp_path / "out")
        assert place.is_dir()
    assert os.listdir(tmp_path) == ["out"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_shut_down_ends_as_an_interrupt_does(tmp_path, monkeypatch, capsys, number):
    """The signal comes while the first file is written; by default it would end the process there and then."""
    (tmp_path / "board.yaml").write_text(BOARD_YAML)
    whole = type(tmp_path).write_bytes

    def ended(path, content):
        whole(path, content[: len(content) // 2])
        signal.raise_signal(number)

    before = signal.getsignal(number)
    monkeypatch.setattr(type(tmp_path), "write_bytes", ended)
    monkeypatch.setattr(
        sys, "argv", ["rigcheck", "board", str(tmp_path / "board.yaml"), "--out", str(tmp_path / "o")]
    )
    try:
        with pytest.raises(SystemExit) as stopped:
            start.main()
    finally:
        signal.signal(number, before)
    assert stopped.value.code == 130
    assert "Interrupted" in capsys.readouterr().err
    assert os.listdir(tmp_path) == ["board.yaml"]
