"""Every command on the demo day beside the least that any program must do for it: one table, the ratio first.

By hand, on a machine that does nothing else::

    rigcheck demo DAY
    PYTHONPATH=tests:tests/bench python tests/bench/bench_commands.py DAY [--runs N] [--only COMMAND]

Each row is a process of its own, start-up and imports included, median of N runs (3 unless given); the reference runs
beside it, as often. Footage is decoded or read by two threads and thrown away; files are parsed by the bare library;
a folder is copied and summed; the smallest commands stand beside Python importing the library of their options. `day`
runs what the demo's page lists up to the audit, from a day file; `demo` stands beside its footage decoded and encoded
again; `live` runs until its page is served, beside the first pictures decoded. What a live session costs has benches of
its own (``bench_live.py``, ``bench_live_page.py``); a whole calibration beside the plain recipe is
``bench_calibrate.py``. The last three take minutes: with ``--only`` one is timed alone.
"""

import argparse
import re
import shlex
import statistics
import sys
import tempfile
from dataclasses import dataclass
from html import unescape
from itertools import pairwise
from pathlib import Path

import yaml
from bench_calibrate import machine, say, spent

_FOOTAGE = """
import sys, av
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from rigcheck.opencv import cv2
def count(path):
    if path.suffix == ".png":
        return int(cv2.imread(str(path), cv2.IMREAD_UNCHANGED) is not None)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        return sum(1 for _ in container.decode(stream))
given = [Path(each) for each in sys.argv[1:]]
files = [each for path in given for each in (sorted(path.rglob("*.png")) if path.is_dir() else [path])]
with ThreadPoolExecutor(2) as pool:
    print(sum(pool.map(count, files)))
"""
_AGAIN = """
import sys, av
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from rigcheck.opencv import cv2
place = Path(sys.argv[1])
def again(numbered):
    number, path = numbered
    copy = place / f"{number}{path.suffix}"
    if path.suffix == ".png":
        return cv2.imwrite(str(copy), cv2.imread(str(path), cv2.IMREAD_UNCHANGED))
    with av.open(str(path)) as old, av.open(str(copy), "w") as new:
        stream = new.add_stream("libx264", rate=30)
        first = old.streams.video[0]
        stream.width, stream.height, stream.pix_fmt = first.width, first.height, "yuv420p"
        stream.options = {"preset": "ultrafast", "threads": "1"}
        for count, frame in enumerate(old.decode(first)):
            frame.pts, frame.time_base = count, Fraction(1, 30)
            new.mux(stream.encode(frame))
        new.mux(stream.encode())
place.mkdir()
files = sorted(each for each in Path(sys.argv[2]).rglob("*") if each.suffix in (".png", ".mp4"))
with ThreadPoolExecutor(2) as pool:
    print(sum(1 for _ in pool.map(again, enumerate(files))))
"""
_FIRST = """
import sys, av
for path in sys.argv[1:]:
    with av.open(path) as container:
        next(container.decode(video=0)).to_ndarray(format="gray")
"""
_TO_ITS_PAGE = """
import io, os, signal, sys, threading, time
from rigcheck.main import run
said, sys.stdout = sys.stdout, io.StringIO()
def watch():
    while "The page is at" not in sys.stdout.getvalue():
        time.sleep(0.005)
    os.kill(os.getpid(), signal.SIGINT)
signal.signal(signal.SIGINT, signal.default_int_handler)
threading.Thread(target=watch, daemon=True).start()
sys.exit(run(sys.argv[1:]) != 130)
"""
_PARSE = """
import json, sys, yaml
from pathlib import Path
for root in map(Path, sys.argv[1:]):
    for file in [root] if root.is_file() else sorted(root.rglob("result.json")):
        text = file.read_text(encoding="utf-8")
        json.loads(text) if file.suffix == ".json" else yaml.safe_load(text)
"""
_COPY = """
import hashlib, shutil, sys
from pathlib import Path
copy = Path(shutil.copytree(sys.argv[1], sys.argv[2]))
for file in sorted(copy.rglob("*")):
    if file.is_file():
        hashlib.sha256(file.read_bytes()).hexdigest()
"""
_DRAW = """
import sys
from rigcheck.opencv import cv2
dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
board = cv2.aruco.CharucoBoard((9, 12), 9.0, 6.75, dictionary)
cv2.imwrite(sys.argv[1], board.generateImage((2551, 3402)))
"""


@dataclass(frozen=True)
class Row:
    """A command, and what it is held against: words for it, a program, and the program's arguments."""

    name: str
    command: tuple[str, ...]
    beside: str
    program: str
    arguments: tuple[str, ...]
    starts: tuple[str, ...] = ("-m", "rigcheck")


def by_hand(day: Path) -> list[list[str]]:
    """The commands that the demo's page lists, as typed, without `rigcheck`, paths made whole."""
    page = (day / "index.html").read_text(encoding="utf-8")
    listed = [
        shlex.split(unescape(each))[1:] for each in re.findall(r"<code>(rigcheck [a-z]+ [^<]*)</code>", page)
    ]
    whole = [
        [str(day / word) if word.split("/")[0] in ("footage", "results") else word for word in words]
        for words in listed
    ]
    return [words[: words.index("--out")] for words in whole if "--out" in words]


def rows(day: Path, out: Path) -> list[Row]:
    """One row for the first use of each command on the day, and the small ones."""
    found: dict[str, list[str]] = {}
    for words in by_hand(day):
        found.setdefault(words[0], words)
    made = [
        Row("--help", ("--help",), "import of typer", "import typer", ()),
        Row("limits", ("limits",), "import of typer", "import typer", ()),
        Row("formats", ("formats",), "import of typer", "import typer", ()),
        Row(
            "board",
            ("board", str(day / "footage/board-morning/board.yaml"), "--out", str(out / "board")),
            "OpenCV draws it",
            _DRAW,
            (str(out / "board.png"),),
        ),
    ]
    for name, words in found.items():
        command = (*words, "--out", str(out / name))
        given = tuple(word for word in words[1:] if word.startswith(str(day)) and "--" not in word)
        if name in ("compare", "history"):
            made.append(Row(name, command, "files parsed", _PARSE, given))
        elif name == "handover":
            made.append(Row(name, command, "copied and summed", _COPY, (given[0], str(out / "copy"))))
        else:
            made.append(Row(name, command, "footage read", _FOOTAGE, footage_of(words)))
    return [*made, *whole_days(day, out)]


def footage_of(words: list[str]) -> tuple[str, ...]:
    """The footage among a command's words."""
    return tuple(words[1:2] if words[0] == "audit" else words[1:3])


def whole_days(day: Path, out: Path) -> list[Row]:
    """The day again from a day file, its rendering, and a live page on the clips that picks were made from."""
    listed = [
        words for words in by_hand(day) if words[0] in ("calibrate", "verify", "fitting", "picks", "audit")
    ]
    file = out / "day.yaml"
    file.write_text(yaml.safe_dump(day_of(listed, day)), encoding="utf-8")
    read = tuple(path for words in listed for path in footage_of(words))
    clips = next(footage_of(words) for words in listed if words[0] == "picks")
    live = ("live", *clips, "--port", "0", "--out", str(out / "kept"))
    return [
        Row("day", ("day", str(file), "--out", str(out / "day")), "footage read", _FOOTAGE, read),
        Row(
            "demo",
            ("demo", str(out / "demo")),
            "footage encoded again",
            _AGAIN,
            (str(out / "again"), str(day / "footage")),
        ),
        Row("live", live, "first pictures decoded", _FIRST, clips, starts=("-c", _TO_ITS_PAGE)),
    ]


def day_of(listed: list[list[str]], day: Path) -> dict[str, object]:
    """A day file of commands as typed."""
    rig = {
        "rig": str(day / "footage/board-morning/rig.yaml"),
        "board": str(day / "footage/board-morning/board.yaml"),
    }
    steps = []
    for number, words in enumerate(listed, start=1):
        given = dict(pairwise(words))
        step: dict[str, object] = {"name": f"{number} {words[0]}", "run": words[0], "rig": "demo"}
        step |= {"takes": words[1]} if words[0] == "audit" else {"footage": list(footage_of(words))}
        for what, option in _FILES.items():
            step |= {what: {"file": given[option]}} if option in given else {}
        step |= {"label": given["--label"]} if "--label" in given else {}
        steps.append(step)
    return {
        "format": "rigcheck-day",
        "version": 1,
        "reads_from": [str(day)],
        "rigs": {"demo": rig},
        "steps": steps,
    }


_FILES = {
    "calibration": "--calibration",
    "end_calibration": "--end-calibration",
    "approved": "--approved",
    "record": "--performer",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("day", type=Path, help="folder of a demo day that has ended")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--only", help="one command")
    asked = parser.parse_args()
    say(machine())
    say(
        f"{'ratio':>7}  {'command':<10}{'wall s':>8}{'CPU s':>8}{'peak MB':>9}  {'beside it':<20}{'wall s':>8}"
    )
    with tempfile.TemporaryDirectory() as folder:
        names = rows(asked.day.resolve(), Path(folder))
        for number in range(len(names)):
            ours, theirs, row = [], [], names[number]
            if asked.only not in (None, row.name):
                continue
            for run in range(asked.runs):
                place = Path(folder) / str(run)
                place.mkdir(exist_ok=True)
                row = rows(asked.day.resolve(), place)[number]
                ours.append(spent(*row.starts, *row.command))
                theirs.append(spent("-c", row.program, *row.arguments))
            wall = statistics.median(each.wall_s for each in ours)
            bare = statistics.median(each.wall_s for each in theirs)
            say(
                f"{wall / bare:7.1f}  {row.name:<10}{wall:8.2f}{statistics.median(e.cpu_s for e in ours):8.2f}"
                f"{max(each.peak_mb for each in ours):9.0f}  {row.beside:<20}{bare:8.2f}"
            )


if __name__ == "__main__":
    sys.exit(main())
