"""Machines that fail: a full disk, one that may only be read, two runs at once, a clock that runs backwards, a video
of 4 GB. Each case starts the program as typed, in a process of its own; those that need a disk of their own are
skipped where none can be mounted.
"""

import os
import resource
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from faults.cases import RESULTS, Outcome
from faults.commands import COMMANDS, Command
from faults.judging import Told, complaints, show, sums, unfit_for_terminal
from faults.stage import build, given_to, typed

LIMIT_S = 400.0
_CLOCK = """
import datetime, time, sys
back = 86400.0 * {days}
real, begun = time.time, time.time()
time.time = lambda: real() - back - 40 * (real() - begun)
class Clock(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return cls.fromtimestamp(time.time(), tz)
datetime.datetime = Clock
from rigcheck.main import main
sys.argv[0] = "rigcheck"
main()
"""


def started(words: list[str], *, before: Callable[[], None] | None = None, code: str | None = None) -> Told:
    """Run a command line in a process of its own."""
    program = ["-m", "rigcheck"] if code is None else ["-c", code]
    try:
        done = subprocess.run(
            [sys.executable, *program, *words],
            capture_output=True,
            preexec_fn=before,
            timeout=LIMIT_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return Told(code=None, out="", err="", raised=f"hang: more than {LIMIT_S:g} s")
    return Told(
        code=done.returncode,
        out=done.stdout.decode(errors="replace"),
        err=done.stderr.decode(errors="replace"),
    )


@contextmanager
def mounted(place: Path, options: str) -> Iterator[Path | None]:
    """A small disk of its own in memory; None where this process may not mount."""
    place.mkdir(parents=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)], capture_output=True, check=False
    )
    if done.returncode:
        yield None
        return
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def machine(only: str = "") -> list[Outcome]:
    """Every case with this in its name; prints what is found as it goes."""
    outcomes = []
    with tempfile.TemporaryDirectory(prefix="machine-") as name:
        folder = Path(name)
        stage = build(folder / "stage", whole=True)
        before = sums(stage)
        for outcome in _cases(stage, folder, only):
            if sums(stage) != before:
                outcome = _outcome(
                    outcome.case, outcome.command, outcome.kind, ["an input was changed"], None
                )
            outcomes.append(outcome)
            show(f"{outcome.case}: {outcome.result} {'; '.join(outcome.complaints)}"[:600])
    return outcomes


def _cases(stage: Path, folder: Path, only: str) -> Iterator[Outcome]:
    writing = [command for command in COMMANDS if command.writes]
    kinds: dict[str, Callable[[Command, Path, Path], Iterator[Outcome]]] = {
        "full disk": _full_disk,
        "read-only disk": _read_only,
        "two at once": _two_at_once,
        "clock backwards": _backwards,
    }
    for kind, cases in kinds.items():
        for command in writing:
            alone = command.session and kind in ("two at once", "clock backwards")
            if only in f"{command.name} | {kind}" and not alone:
                yield from cases(command, stage, folder)
    if only in "4 GB video":
        yield from large_videos(stage, folder)


def _outcome(case: str, command: str, kind: str, found: list[str], code: int | None) -> Outcome:
    result = "fault" if found else "skipped" if code is None else RESULTS.get(code, str(code))
    return Outcome(
        case=f"{command} | {kind} | {case}",
        command=command,
        kind=kind,
        result=result,
        complaints=tuple(found),
    )


def _skipped(command: str, kind: str) -> Outcome:
    return Outcome(case=f"{command} | {kind}", command=command, kind=kind, result="skipped", complaints=())


def _full_disk(command: Command, stage: Path, folder: Path) -> Iterator[Outcome]:
    """Disks with less room than the command needs, down to none; and a limit on the size of a file."""
    # The demo renders half a minute before it writes: one size is enough.
    for index, size in enumerate(("160k",) if command.session else ("4k", "16k", "64k", "160k")):
        place = folder / f"full-{command.name}-{index}"
        with mounted(place, f"size={size}") as disk:
            if disk is None:
                yield _skipped(command.name, "full disk")
                continue
            told = started(typed(command, given_to(stage), disk / "out"))
            found = complaints(told, disk / "out", command.outputs, ("out",), keeps=command.keeps)
            found += [f"{path.name} was left" for path in disk.iterdir() if path.name != "out"]
            yield _outcome(size, command.name, "full disk", found, told.code)
    place = folder / f"limit-{command.name}"
    place.mkdir()

    def limited() -> None:
        import signal

        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (900, 900))

    told = started(typed(command, given_to(stage), place / "out"), before=limited)
    found = complaints(told, place / "out", command.outputs, ("out",), keeps=command.keeps)
    found += [f"{path.name} was left" for path in place.iterdir() if path.name != "out"]
    yield _outcome("900 bytes a file", command.name, "limit on files", found, told.code)


def _read_only(command: Command, stage: Path, folder: Path) -> Iterator[Outcome]:
    with mounted(folder / f"locked-{command.name}", "size=1m,ro") as disk:
        if disk is None:
            yield _skipped(command.name, "read-only disk")
            return
        told = started(typed(command, given_to(stage), disk / "out"))
        found = complaints(told, disk / "out", command.outputs, ("out",))
        if told.code not in (2, 3):
            found.append(f"exit code {told.code} on a disk that cannot be written")
        yield _outcome("", command.name, "read-only disk", found, told.code)


def _two_at_once(command: Command, stage: Path, folder: Path) -> Iterator[Outcome]:
    """Two runs into one new folder: one of them writes it whole, the other is refused."""
    place = folder / f"two-{command.name}"
    place.mkdir()
    words = [sys.executable, "-m", "rigcheck", *typed(command, given_to(stage), place / "out")]
    runs = [
        subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(2)
    ]
    tolds = []
    for one in runs:
        out, err = one.communicate(timeout=LIMIT_S)
        tolds.append(Told(code=one.returncode, out=out, err=err))
    found = [] if any(told.code in (0, 4, 5) for told in tolds) else ["neither wrote"]
    for told in tolds:
        if told.code in (0, 4, 5):
            found += complaints(told, place / "out", command.outputs, ())
        elif told.code != 3 or "Traceback" in told.err:
            found.append(f"exit code {told.code}: {told.err[-300:]}")
    found += [f"{path.name} was left" for path in place.iterdir() if path.name != "out"]
    yield _outcome("", command.name, "two at once", found, max(told.code or 0 for told in tolds))


def _backwards(command: Command, stage: Path, folder: Path) -> Iterator[Outcome]:
    """The clock stands a year back and runs backwards."""
    place = folder / f"clock-{command.name}"
    place.mkdir()
    told = started(typed(command, given_to(stage), place / "out"), code=_CLOCK.format(days=400))
    found = complaints(told, place / "out", command.outputs, ())
    if told.code not in (0, 4, 5):
        found.append(f"exit code {told.code}: {told.err[-300:]}")
    yield _outcome("", command.name, "clock backwards", found, told.code)


def with_huge_hole(source: Path, path: Path, *, size: int) -> Path:
    """A right video of `size` bytes: a box that is to be skipped, a hole on the disk, stands before its end."""
    content = source.read_bytes()
    with path.open("wb") as file:
        file.write(content)
        hole = size - len(content)
        file.write(struct.pack(">I4sQ", 1, b"free", hole))
        file.truncate(size)
    return path


def large_videos(stage: Path, folder: Path, *, size: int = (4 << 30) + 5000) -> Iterator[Outcome]:
    """Videos past 4 GB, whole and cut, given to every command that takes footage: little memory, no hang."""
    place = folder / "large"
    place.mkdir()
    whole = with_huge_hole(stage / "shoot" / "lower.mp4", place / "whole.mp4", size=size)
    cut = place / "cut.mp4"
    with cut.open("wb") as file:
        file.write((stage / "shoot" / "lower.mp4").read_bytes()[:3000])
        file.truncate(size)
    for command in COMMANDS:
        argument = "lower" if "{lower}" in command.arguments else "face2"
        if f"{{{argument}}}" not in command.arguments:
            continue
        for video in (whole, cut):
            out = place / f"out-{command.name}-{video.stem}"
            begun = time.monotonic()
            told = started(
                typed(command, given_to(stage) | {argument: str(video)}, out), before=_little_memory
            )
            found = complaints(told, out, command.outputs, (video.name, "lower", "upper"))
            found += [f"the terminal got {what}" for what in unfit_for_terminal(told.err)]
            yield _outcome(
                f"{video.name}, {time.monotonic() - begun:.0f} s",
                command.name,
                "4 GB video",
                found,
                told.code,
            )
            with suppress(OSError):
                shutil.rmtree(out)


def _little_memory() -> None:
    """Less memory to address than the video is long."""
    resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))
    os.environ["OMP_NUM_THREADS"] = "1"
