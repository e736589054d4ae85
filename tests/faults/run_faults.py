"""The fault suite with its counts.

Run by hand::

    PYTHONPATH=tests python tests/faults/run_faults.py files [COUNT] [--seed N] [--cheap] [--only TEXT]
    PYTHONPATH=tests python tests/faults/run_faults.py kills [COUNT] [--seed N] [--signals SIGINT SIGHUP]
    PYTHONPATH=tests python tests/faults/run_faults.py sessions [COUNT] [--seed N] [--only TEXT]
    PYTHONPATH=tests python tests/faults/run_faults.py machine [--only TEXT]
    PYTHONPATH=tests python tests/faults/run_faults.py pages

`files` damages inputs of every command and judges what each command does; `kills` ends commands at random moments,
`sessions` those that go on until they are ended (`live`, `demo`);
`machine` fills disks, locks them, turns the clock back and feeds a video of 4 GB; `pages` opens reports made of hostile
names in a headless browser. Every part ends with a table of counts, and with exit code 1 when it found a fault.
"""

import argparse
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

from faults.cases import RESULTS, Outcome, all_cases, chosen
from faults.judging import show
from faults.stage import build
from faults.worker import LIMIT_S

HARD_LIMIT_S = 12 * LIMIT_S


class Worker:
    """A process that runs cases; ended and started again when it dies or takes too long."""

    def __init__(self, stage: Path, place: Path) -> None:
        self.stage, self.place = stage, place
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "faults.worker", str(self.stage), str(self.place)]
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        assert process.stdout is not None
        if process.stdout.readline().strip() != "ready":
            raise RuntimeError("the worker does not start")
        return process

    def ask(self, number: int) -> dict[str, object] | str:
        """The outcome of a case, or how the process ended over it."""
        process = self.process = self.process or self.start()
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(f"{number}\n")
        process.stdin.flush()
        if not select.select([process.stdout], [], [], HARD_LIMIT_S)[0]:
            self.end()
            return f"hang: more than {HARD_LIMIT_S:g} s, not to be stopped"
        line = process.stdout.readline()
        if line:
            return json.loads(line)
        code = process.wait()
        self.process = None
        return f"the process died with {code}"

    def end(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


def files(count: int, *, seed: int, whole: bool, only: str) -> list[Outcome]:
    """Damage so many inputs."""
    outcomes, started, most = [], time.process_time(), 0
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        stage = build(Path(folder) / "stage", whole=whole)
        cases = all_cases(stage)
        numbers = {id(case): number for number, case in enumerate(cases)}
        wanted = chosen([case for case in cases if only in case.name], count, seed)
        show(f"{len(cases)} cases, {len(wanted)} chosen (seed {seed}), inputs that can be measured: {whole}")
        worker = Worker(stage, Path(folder) / "place")
        try:
            for done, case in enumerate(wanted, start=1):
                answer = worker.ask(numbers[id(case)])
                if isinstance(answer, str):
                    outcome = Outcome(
                        case=case.name,
                        command=case.command.name,
                        kind=case.kind,
                        result="fault",
                        complaints=(answer,),
                    )
                else:
                    most = max(most, int(answer.pop("memory_mb")))
                    outcome = Outcome(**(answer | {"complaints": tuple(answer["complaints"])}))
                outcomes.append(outcome)
                if done % 100 == 0:
                    sys.stderr.write(f"{done} of {len(wanted)}\n")
                if outcome.complaints:
                    show(f"{done}: {outcome.case}\n    " + "\n    ".join(outcome.complaints))
        finally:
            worker.end()
    children = os.times()
    spent = time.process_time() - started + children.children_user + children.children_system
    show(f"processor time {spent:.0f} s, most memory {most} MB")
    return outcomes


def table(title: str, counts: Counter[tuple[str, str]], columns: Sequence[str]) -> Iterator[str]:
    """Rows by the first of the pair, columns by the second, and sums."""
    rows = sorted({row for row, _ in counts})
    wide = max(map(len, [*rows, title]))
    yield f"{title:<{wide}}  " + "  ".join(columns) + "  all"
    for row in [*rows, "all"]:
        cells = [
            sum(n for (r, c), n in counts.items() if c == column and row in (r, "all")) for column in columns
        ]
        numbers = "  ".join(f"{cell:>{len(column)}}" for cell, column in zip(cells, columns, strict=True))
        yield f"{row:<{wide}}  {numbers}  {sum(cells):>3}"


def report(outcomes: Sequence[Outcome]) -> int:
    """Print the counts; 1 when there was a fault."""
    order = (*RESULTS.values(), "whole", "kept", "absent", "held", "skipped")
    results = [one for one in (*order, "fault") if any(o.result == one for o in outcomes) or one == "fault"]
    for title, key in (("command", "command"), ("kind", "kind")):
        counts = Counter((asdict(one)[key], one.result) for one in outcomes)
        show("\n" + "\n".join(table(title, counts, results)))
    faults = sum(one.result == "fault" for one in outcomes)
    show(f"\n{len(outcomes)} cases, {faults} faults")
    return int(faults > 0)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("part", choices=("files", "kills", "sessions", "machine", "pages"))
    parser.add_argument("count", type=int, nargs="?")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--cheap", action="store_true", help="pictures of noise, that nothing can be measured in"
    )
    parser.add_argument("--only", default="", help="cases with this in their name")
    parser.add_argument("--signals", nargs="+", help="of kills: these in turn, by name")
    given = parser.parse_args()
    if given.part == "files":
        return report(files(given.count or 1000, seed=given.seed, whole=not given.cheap, only=given.only))
    if given.part == "kills":
        from faults.kills import SIGNALS, kills

        signals = [signal.Signals[name] for name in given.signals or ()] or SIGNALS
        return report(kills(given.count or 200, seed=given.seed, signals=signals))
    if given.part == "sessions":
        from faults.sessions import sessions

        return report(sessions(given.count or 40, seed=given.seed, only=given.only))
    if given.part == "machine":
        from faults.machine import machine

        return report(machine(given.only))
    from faults.pages import pages

    return report(pages())


if __name__ == "__main__":
    sys.exit(main())
