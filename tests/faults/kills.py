"""Commands ended at random moments: what they leave, and whether the next run clears it away."""

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from faults.cases import Outcome, fresh
from faults.commands import COMMANDS, Command
from faults.judging import output_complaints, part_complaints, show, sums
from faults.stage import build, given_to, typed

from rigcheck.main import main
from rigcheck.records import output_folder
from rigcheck.records.staging import STAGING_PREFIX

SIGNALS = (signal.SIGKILL, signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
LONGEST_S = 300.0


@dataclass(frozen=True, kw_only=True)
class Kill:
    """One command to end: by which signal, at which share of its processor time, over an earlier result or not.

    `at` above 1 means so many milliseconds, less a second, after the command's hidden folder appeared.
    """

    command: Command
    number: signal.Signals
    at: float
    over_earlier: bool

    @property
    def name(self) -> str:
        """As a report calls it."""
        when = f"{self.at:.0%} of its time" if self.at <= 1 else f"{(self.at - 1) * 1000:.1f} ms into writing"
        return f"{self.command.name} | {self.number.name} at {when}{', over an earlier result' * self.over_earlier}"


def child(words: list[str], said: Path) -> int:
    """Run a command in a forked process, which has everything loaded already."""
    pid = os.fork()
    if pid:
        return pid
    handle = os.open(said, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
    os.dup2(handle, 1)
    os.dup2(handle, 2)
    # Started in the background, this process may have been told to ignore some.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    sys.argv = ["rigcheck", *words]
    code = 1
    try:
        main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def processor_s(pid: int) -> float:
    """Processor time of another process (Linux: clock_getcpuclockid(3))."""
    return time.clock_gettime((~pid << 3) | 2)


def ended(pid: int, *, number: signal.Signals | None, at: float, whole_s: float, watched: Path) -> int:
    """Wait for the moment, send the signal, and wait for the end; the status as `os.waitpid` has it."""
    begun = time.monotonic()
    written: float | None = None
    while True:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return status
        if time.monotonic() - begun > LONGEST_S:
            os.kill(pid, signal.SIGKILL)
            raise RuntimeError("the command went on for ever")
        if number is not None:
            if written is None and _writing(watched):
                written = processor_s(pid)
            due = (
                processor_s(pid) >= at * whole_s
                if at <= 1
                else written is not None and processor_s(pid) >= written + at - 1
            )
            if due:
                os.kill(pid, number)
                number = None
        time.sleep(0.002)


def _writing(results: Path) -> bool:
    """Whether a hidden folder with files in it stands beside the output, or in it."""
    for folder in (results, results / "out"):
        with suppress(OSError):  # gone again meanwhile
            for entry in os.scandir(folder):
                if entry.name.startswith(STAGING_PREFIX) and (Path(entry.path) / "files").is_dir():
                    return True
    return False


def plan(commands: list[Command], count: int, seed: int, signals: Sequence[signal.Signals]) -> Iterator[Kill]:
    rng = random.Random(seed)
    for k in range(count):
        yield Kill(
            command=commands[k % len(commands)],
            number=signals[(k // len(commands)) % len(signals)],
            at=rng.random() if rng.random() < 0.5 else 1 + rng.random() * 0.03,
            over_earlier=rng.random() < 0.4,
        )


def kills(count: int, *, seed: int, signals: Sequence[signal.Signals] = SIGNALS) -> list[Outcome]:
    """End so many commands that end by themselves; for the others see `sessions`."""
    commands = [command for command in COMMANDS if command.writes and not command.session]
    outcomes = []
    with tempfile.TemporaryDirectory(prefix="kills-") as name:
        folder = Path(name)
        stage, place = build(folder / "stage", whole=True), folder / "place"
        earlier = {
            command.name: _whole_run(command, stage, place, folder / "earlier") for command in commands
        }
        for number, kill in enumerate(plan(commands, count, seed, signals), start=1):
            outcome = _killed(kill, stage, place, folder / "earlier", earlier[kill.command.name])
            outcomes.append(outcome)
            if number % 20 == 0:
                show(f"{number} of {count}: {dict(Counter(one.result for one in outcomes))}")
            if outcome.complaints:
                show(f"{number}: {outcome.case}\n    " + "\n    ".join(outcome.complaints))
    mixed = sum(one.said.startswith("mixed") for one in outcomes)
    show(f"{mixed} of {count} left files of both runs side by side, each whole")
    return outcomes


def _whole_run(command: Command, stage: Path, place: Path, earlier: Path) -> float:
    """Run a command to its end, keep its output as the earlier result, and return its processor time."""
    out = earlier / command.name / "out"
    out.parent.mkdir(parents=True)
    begun = time.process_time()
    children = os.times()
    pid = child(typed(command, given_to(stage), out), fresh(place) / "said")
    ended(pid, number=None, at=1, whole_s=0, watched=place)
    after = os.times()
    shutil.rmtree(out / "work", ignore_errors=True)
    if found := output_complaints(out, command.outputs):
        raise RuntimeError(f"{command.name} does not run: {found}")
    spent = after.children_user + after.children_system - children.children_user - children.children_system
    return max(spent, time.process_time() - begun, 0.01)


def _killed(kill: Kill, stage: Path, place: Path, earlier: Path, whole_s: float) -> Outcome:
    results = fresh(place) / "results"
    out = results / "out"
    words = typed(kill.command, given_to(stage), out)
    known: dict[str, str] = {}
    if kill.over_earlier:
        shutil.copytree(earlier / kill.command.name / "out", out)
        words.append("--replace")
        known = {name.removeprefix(str(out)): digest for name, digest in sums(out).items()}
    before = sums(stage)
    said = place / "said"
    status = ended(child(words, said), number=kill.number, at=kill.at, whole_s=whole_s, watched=results)
    found, result, note = [], "absent", ""
    if sums(stage) != before:
        found.append("an input was changed")
    left = [path for path in results.rglob(f"{STAGING_PREFIX}*")]
    if left and kill.number != signal.SIGKILL:
        found.append(f"{kill.number.name} left {left[0].name}")
    text = said.read_text(errors="replace")
    if "Traceback" in text:
        found.append(f"a traceback: {text[-600:]}")
    for path in left:
        shutil.move(path, place / path.name)  # aside while the output itself is judged
    kept = set(kill.command.keeps)
    if out.is_dir() and not {path.name for path in out.iterdir()} - kept:
        result = "kept" if any(path.is_file() for path in out.rglob("*")) else "absent"
        found += part_complaints(out)
        if result == "kept" and kill.number != signal.SIGKILL and "kept in" not in text:
            found.append(f"{sorted(path.name for path in out.iterdir())} are kept, unsaid: {text[-300:]!r}")
    elif out.exists():
        result = "whole"
        found += output_complaints(out, kill.command.outputs)
        now = {
            name.removeprefix(str(out)): digest for name, digest in sums(out).items() if "/work" not in name
        }
        same = [known.get(name) == digest for name, digest in now.items() if digest != "folder"]
        note = "mixed" if kill.over_earlier and any(same) and not all(same) else ""
        if "nothing was written" in text and not (kill.over_earlier and all(same)):
            found.append("said that nothing was written, and had")
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 1:
        found.append(f"exit code 1: {text[-300:]}")
    for path in left:
        shutil.move(place / path.name, path)
    found += still_hidden(results)
    return Outcome(
        case=kill.name,
        command=kill.command.name,
        kind=kill.number.name,
        result="fault" if found else result,
        complaints=tuple(found),
        said=f"{note} {text[:200]}",
    )


def still_hidden(results: Path) -> list[str]:
    """What stays hidden after the next run beside it, and the next into each folder that holds something hidden."""
    hidden = [path.parent for path in results.rglob(f"{STAGING_PREFIX}*")]
    for place in dict.fromkeys([results, *hidden]):
        with output_folder(place / "next") as target:
            target.write_text("result.json", "{}")
    return [f"{path.name} stays after the next run" for path in results.rglob(f"{STAGING_PREFIX}*")]
