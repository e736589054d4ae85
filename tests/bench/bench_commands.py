"""Every command on the demo day beside the least that any program must do for it: one table, the ratio first.

By hand, on a machine that does nothing else::

    rigcheck demo DAY
    PYTHONPATH=tests:tests/bench python tests/bench/bench_commands.py DAY [--runs N] [--only COMMAND]

Each row is a process of its own, start-up and imports included, median of N runs (3 unless given); the reference runs
beside it, as often. Footage is decoded or read by two threads and thrown away; files are parsed by the bare library;
a folder is copied and summed; the smallest commands stand beside Python importing the library of their options. The
live page does not end by itself and has benches of its own (``bench_live.py``, ``bench_live_page.py``); a whole
calibration beside the plain recipe is ``bench_calibrate.py``.
"""

import argparse
import re
import shlex
import statistics
import sys
import tempfile
from dataclasses import dataclass
from html import unescape
from pathlib import Path

from bench_calibrate import machine, say, spent

HERE = Path(__file__).parent
_DECODE = """
import sys, av
from concurrent.futures import ThreadPoolExecutor
def count(path):
    with av.open(path) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        return sum(1 for _ in container.decode(stream))
with ThreadPoolExecutor(2) as pool:
    print(sum(pool.map(count, sys.argv[1:])))
"""
_READ = """
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from rigcheck.opencv import cv2
files = sorted(str(file) for folder in sys.argv[1:] for file in Path(folder).rglob("*.png"))
with ThreadPoolExecutor(2) as pool:
    print(sum(1 for each in pool.map(lambda file: cv2.imread(file, cv2.IMREAD_UNCHANGED), files) if each is not None))
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
            footage = words[1:2] if name == "audit" else words[1:3]
            videos = all(Path(each).is_file() for each in footage)
            beside = "footage decoded" if videos else "pictures read"
            made.append(Row(name, command, beside, _DECODE if videos else _READ, tuple(footage)))
    return made


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
                ours.append(spent("-m", "rigcheck", *row.command))
                theirs.append(spent("-c", row.program, *row.arguments))
            wall = statistics.median(each.wall_s for each in ours)
            bare = statistics.median(each.wall_s for each in theirs)
            say(
                f"{wall / bare:7.1f}  {row.name:<10}{wall:8.2f}{statistics.median(e.cpu_s for e in ours):8.2f}"
                f"{max(each.peak_mb for each in ours):9.0f}  {row.beside:<20}{bare:8.2f}"
            )


if __name__ == "__main__":
    sys.exit(main())
