"""Runs cases in a process of its own, one after the other, so that a crash or a hang costs one case only.

Reads numbers of cases from standard input, writes an outcome a line, as JSON. Started by `run_faults.py`.
"""

import json
import os
import resource
import sys
from dataclasses import asdict
from pathlib import Path

from faults.cases import Outcome, all_cases, outcome_of, undamaged
from faults.judging import Told, memory_mb

LIMIT_S = 30.0
MEMORY = 6 << 30


def main() -> None:
    stage, place = Path(sys.argv[1]), Path(sys.argv[2])
    answers = os.fdopen(os.dup(1), "w")
    # What C libraries print belongs to no answer.
    for stream in (1, 2):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    cases = all_cases(stage)
    right: dict[str, Told] = {}
    print("ready", file=answers, flush=True)
    for line in sys.stdin:
        case = cases[int(line)]
        name = case.command.name
        if name not in right:
            right[name] = undamaged(case.command, stage, place, limit_s=LIMIT_S)
        outcome: Outcome = outcome_of(case, stage, place, right=right[name], limit_s=LIMIT_S)
        print(json.dumps(asdict(outcome) | {"memory_mb": memory_mb()}), file=answers, flush=True)


if __name__ == "__main__":
    main()
