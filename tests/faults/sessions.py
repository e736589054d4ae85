"""The commands that go on until they are ended, `live` and `demo`: ended at random moments as a terminal, a shell or
the system would, and given disks that refuse. Each runs as typed, in a process group of its own.
"""

import http.client
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from faults.cases import Outcome, fresh
from faults.commands import COMMANDS, Command
from faults.judging import output_complaints, part_complaints, show, sums, unfit_for_terminal
from faults.kills import SIGNALS, still_hidden
from faults.machine import mounted
from faults.stage import build, given_to, typed

from rigcheck.errors import INTERRUPTED
from rigcheck.records.staging import STAGING_PREFIX

BEGINS_S, ENDS_S, DEMO_S = 180.0, 120.0, 40.0
# A name of a folder that would do something in a page, a terminal or a shell.
NAME = '"><img src=x onerror=alert(1)>\x1b[2J$(x) \u202e'


@dataclass(kw_only=True)
class Session:
    """A command that runs: its process, and where it says what."""

    process: subprocess.Popen[bytes]
    said: Path

    @property
    def text(self) -> str:
        """All that it said so far."""
        return self.said.read_text(errors="replace")

    def children(self) -> list[int]:
        """Processes that it or one of its own started (Linux)."""
        parents = {}
        for entry in Path("/proc").glob("[0-9]*/stat"):
            with suppress(OSError):
                state, parent = entry.read_text().rpartition(")")[2].split()[:2]
                if state != "Z":
                    parents[int(entry.parent.name)] = int(parent)
        found, fresh_ones = [], [self.process.pid]
        while fresh_ones:
            fresh_ones = [pid for pid, parent in parents.items() if parent in fresh_ones]
            found += fresh_ones
        return found

    def end(self, number: signal.Signals) -> list[str]:
        """Send the signal and wait; what is wrong with how it ended. A terminal sends its own to the whole group."""
        children = self.children()
        send = os.killpg if number in (signal.SIGINT, signal.SIGHUP) else os.kill
        with suppress(ProcessLookupError):
            send(self.process.pid, number)
        try:
            code = self.process.wait(ENDS_S)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            return [f"{number.name} does not end it within {ENDS_S:g} s"]
        found = [] if code in (INTERRUPTED, -signal.SIGKILL) else [f"exit code {code}: {self.text[-400:]}"]
        until = time.monotonic() + ENDS_S
        while (left := [pid for pid in children if _lives(pid)]) and time.monotonic() < until:
            time.sleep(0.1)
        found += [f"process {pid} runs on" for pid in left]
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        found += ["a traceback: " + self.text[-600:]] if "Traceback" in self.text else []
        return found + [f"the terminal got {what}" for what in unfit_for_terminal(self.text)]


def _lives(pid: int) -> bool:
    with suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def started(words: list[str], said: Path) -> Session:
    """Start a command with the signals that a terminal's shell gives it."""

    def as_from_a_terminal() -> None:
        for number in SIGNALS[1:]:
            signal.signal(number, signal.SIG_DFL)

    with said.open("wb") as file:
        process = subprocess.Popen(
            [sys.executable, "-u", "-m", "rigcheck", *words],
            stdout=file,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            preexec_fn=as_from_a_terminal,
        )
    return Session(process=process, said=said)


def port_of(session: Session) -> int:
    """Wait until the page is served."""
    until = time.monotonic() + BEGINS_S
    while time.monotonic() < until and session.process.poll() is None:
        if match := re.search(r"http://127\.0\.0\.1:(\d+)/", session.text):
            return int(match[1])
        time.sleep(0.05)
    raise RuntimeError(f"the live page does not begin: {session.text[-500:]}")


def asked_to_keep(port: int) -> str:
    """Press the page's button until a picture is there; what it answers."""
    until = time.monotonic() + BEGINS_S
    answer = ""
    while time.monotonic() < until:
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        line.request("POST", "/keep", headers={"Origin": f"http://127.0.0.1:{port}"})
        answer = line.getresponse().read().decode()
        line.close()
        if "no picture in the last" not in answer:
            return answer
        time.sleep(0.1)
    raise RuntimeError(f"no picture is ever there to keep: {answer}")


def sessions(count: int, *, seed: int, only: str = "") -> list[Outcome]:
    """End so many live sessions and a fifth as many demos, run the demo whole once, and refuse a live one its disk."""
    rng = random.Random(seed)
    live, demo = (next(one for one in COMMANDS if one.name == name) for name in ("live", "demo"))
    outcomes = []
    with tempfile.TemporaryDirectory(prefix="sessions-") as name:
        folder = Path(name)
        stage = build(folder / "stage", whole=True)
        parts = {
            "live | disk": lambda: _live_on_disks(live, stage, folder),
            "live | end": lambda: (_live_ended(live, stage, folder, k, rng) for k in range(count)),
            "demo | end": lambda: (_demo_ended(demo, stage, folder, k, rng) for k in range(count // 5)),
            "demo | whole": lambda: iter([_demo_whole(demo, stage, folder)]),
        }
        for part, cases in parts.items():
            for outcome in cases() if only in part else ():
                outcomes.append(outcome)
                show(f"{outcome.case}: {outcome.result} {'; '.join(outcome.complaints)}"[:900])
    return outcomes


def _outcome(command: Command, kind: str, case: str, found: list[str], result: str) -> Outcome:
    return Outcome(
        case=f"{command.name} | {case}",
        command=command.name,
        kind=kind,
        result="fault" if found else result,
        complaints=tuple(found),
    )


def _live_ended(command: Command, stage: Path, folder: Path, k: int, rng: random.Random) -> Outcome:
    """Ended before or after its processes stand, while a moment is kept or not."""
    number, keeps = SIGNALS[k % len(SIGNALS)], rng.random() < 0.5
    place = fresh(folder / "place")
    out, before = place / "results" / "out", sums(stage)
    session = started(typed(command, given_to(stage), out), place / "said")
    answer = ""
    try:
        port = port_of(session)
        if keeps:
            answer = asked_to_keep(port)
        after_s = rng.random() * (6.0 if keeps else 4.0)
        time.sleep(after_s)
    finally:
        found = session.end(number)
    found += ["an input was changed"] if sums(stage) != before else []
    kept = keeps and "moment-001" in answer
    found += _live_left(out, kept=kept, killed=number == signal.SIGKILL)
    found += still_hidden(place / "results")
    case = f"{number.name} {after_s:.1f} s {'after keeping began' if keeps else 'after its begin'}"
    return _outcome(command, number.name, case, found, "whole" if out.exists() else "absent")


def _live_left(out: Path, *, kept: bool, killed: bool) -> list[str]:
    """A moment asked for is there whole, or after a kill not at all; nothing else is."""
    hidden = [path for path in out.parent.rglob(f"{STAGING_PREFIX}*")]
    found = [f"{path.name} was left" for path in hidden if not killed]
    for path in hidden:
        shutil.move(path, out.parent.parent / path.name)
    names = sorted(path.name for path in out.iterdir()) if out.is_dir() else []
    if names not in ([], ["moment-001"]) or (names and not kept):
        found.append(f"{names} was left")
    if names:
        cameras = [len(list((out / names[0] / camera).glob("*.png"))) for camera in ("upper", "lower")]
        found += [f"{cameras} pictures of the cameras"] if min(cameras) < 1 or len(set(cameras)) > 1 else []
        found += part_complaints(out)
    if kept and not killed and not (out / "moment-001" / "result.json").is_file():
        found.append(f"the moment that was asked for was not written: {names}")
    for path in hidden:
        shutil.move(out.parent.parent / path.name, path)
    return found


def _live_on_disks(command: Command, stage: Path, folder: Path) -> Iterator[Outcome]:
    """Asked to keep a moment on a disk that is full, nearly full, or may only be read."""
    for index, options in enumerate(("size=4k", "size=64k", "size=400k", "size=1m,ro")):
        kind = "read-only disk" if "ro" in options else "full disk"
        with mounted(folder / f"live-disk-{index}", options) as disk:
            if disk is None:
                yield _outcome(command, kind, options, [], "skipped")
                continue
            session = started(typed(command, given_to(stage), disk / "out"), folder / "said")
            try:
                answer = asked_to_keep(port_of(session))
            finally:
                found = session.end(signal.SIGINT)
            told = answer + session.text
            out = disk / "out"
            whole = (out / "moment-001" / "result.json").is_file()
            if not whole and "cannot be written" not in told and "cannot be made" not in told:
                found.append(f"nothing was written, and nobody was told: {told[-300:]!r}")
            if not whole and out.exists() and not list(out.glob("moment-001/*/*.png")):
                found.append(f"{sorted(str(path.relative_to(disk)) for path in out.rglob('*'))} was left")
            found += part_complaints(out) if out.exists() else []
            found += [f"{path.name} was left" for path in disk.iterdir() if path.name != "out"]
            yield _outcome(command, kind, options, found, "whole" if whole else "refused")


def _demo_ended(command: Command, stage: Path, folder: Path, k: int, rng: random.Random) -> Outcome:
    number = SIGNALS[k % len(SIGNALS)]
    place = fresh(folder / "place")
    out = place / "results" / "out"
    session = started(typed(command, given_to(stage), out), place / "said")
    after_s = 2.0 + rng.random() * DEMO_S
    try:
        time.sleep(after_s)
    finally:
        begun = time.monotonic()
        found = session.end(number)
        took_s = time.monotonic() - begun
    hidden = [path for path in out.rglob(f"{STAGING_PREFIX}*") if path.is_dir()]
    found += [f"{path.name} was left" for path in hidden if number != signal.SIGKILL]
    for path in hidden:
        shutil.rmtree(path, ignore_errors=True)  # the next demo into the folder does the same
    files = [path for path in out.rglob("*") if path.is_file()] if out.exists() else []
    if files and number != signal.SIGKILL and "kept in" not in session.text:
        found.append(f"{len(files)} files are kept, unsaid: {session.text[-300:]!r}")
    found += part_complaints(out) if out.exists() else []
    case = f"{number.name} after {after_s:.1f} s, took {took_s:.1f} s, {len(files)} files kept"
    return _outcome(command, number.name, case, found, "kept" if files else "absent")


def _demo_whole(command: Command, stage: Path, folder: Path) -> Outcome:
    """Run the demo to its end in a folder of a hostile name."""
    place = fresh(folder / "place")
    out = place / "results" / NAME
    session = started(typed(command, given_to(stage), out), place / "said")
    code = session.process.wait(1800)
    found = output_complaints(out, command.outputs)
    found += [] if code in (0, 4) else [f"exit code {code}: {session.text[-400:]}"]
    found += [f"the terminal got {what}" for what in unfit_for_terminal(session.text)]
    return _outcome(command, "hostile output name", NAME.encode("unicode_escape").decode(), found, str(code))
