"""Time and memory of `history` for thousands of results. Run by hand: ``python tests/bench/bench_history.py [N]``."""

import os
import platform
import resource
import sys
import tempfile
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from results_made import START, made, write

from rigcheck.drift.change_point import behaviour, n_tried, threshold
from rigcheck.jobs.history import history, write_history
from rigcheck.model import CheckResult, Estimate

RIGS = ("kestrel", "heron", "avocet", "dunlin", "plover")
# What a real result of calibrate holds beside: 20 to 60 KB.
FILLER = {f"face_depth_after_{k:02d}_views": Estimate(value=0.01 * k, unit="mm", n=k) for k in range(2, 62)}
CHECKS = tuple(
    CheckResult(
        code=f"CAL{k:02d}",
        title="A check",
        status="pass",
        estimate=Estimate(value=0.1, sigma=0.01, unit="mm", n=20),
        limit="≤ 0.1 mm, fail > 0.25 mm",
        message="A sentence about as long as those of a real check, with a number or two in it. " * 2,
        action="",
    )
    for k in range(1, 31)
)


def say(line):
    sys.stdout.write(line + "\n")


def processor():
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    return next((line.split(":")[1].strip() for line in lines if line.startswith("model name")), "unknown")


def peak_mib():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def fill(folder, count):
    """Five rigs, recalibrated every fortnight, verified several times a day, worn and on the stand."""
    for k in range(count):
        rng = np.random.default_rng([98, k])
        day, hour = divmod(k // len(RIGS), 4)
        calibration = START + timedelta(days=14 * (day // 14))
        moment = START + timedelta(days=day, hours=1 + hour)
        first = day % 14 == 0 and hour == 0
        report = made(
            calibration if first else moment,
            rng=rng,
            command="calibrate" if first else "verify",
            rig=RIGS[k % len(RIGS)],
            label=None if first else ("worn" if hour % 2 else "stand"),
            calibration=calibration,
        )
        report = replace(report, checks=CHECKS, measurements=dict(report.measurements) | FILLER)
        write(folder / f"{moment:%Y-%m}" / f"{k:05d}", report)


def alarms():
    """Share of untouched histories (six series) with any alarm, and steps told, by number of results."""
    say("results  false alarms  step told in 95 % (sigmas of one result)  told as a step")
    say("         of 1000       at the newest   half-way              at the newest   half-way")
    for n in (5, 10, 20, 60):
        times = 24.0 * np.arange(n)
        needed, one = threshold(6 * n_tried(times)), np.ones(n)
        rng = np.random.default_rng([99, n])
        false = sum(
            any(behaviour(times, rng.normal(size=n), one, needed=needed).kind != "steady" for _ in range(6))
            for _ in range(1000)
        )
        stated = behaviour(times, np.zeros(n), one, needed=needed)
        told = []
        for size, place in ((stated.seen_last, n - 1), (stated.seen_middle, n // 2)):
            step = np.where(np.arange(n) >= place, size, 0.0)
            kinds = [behaviour(times, rng.normal(size=n) + step, one, needed=needed).kind for _ in range(400)]
            told.append(
                (np.mean([kind != "steady" for kind in kinds]), np.mean([kind == "step" for kind in kinds]))
            )
        say(
            f"{n:7d}  {false / 10:5.1f} %       {stated.seen_last:5.2f} ({told[0][0]:.0%})    "
            f"{stated.seen_middle:5.2f} ({told[1][0]:.0%})          {told[0][1]:.0%}             {told[1][1]:.0%}"
        )


def main():
    alarms()
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "in"
        fill(folder, count)
        size = sum(one.stat().st_size for one in folder.rglob("*.json"))
        before = peak_mib()
        start, wall = time.process_time(), time.perf_counter()
        result = history(folder, now=START + timedelta(days=400))
        read = time.process_time() - start
        write_history(result, Path(place) / "out")
        whole = time.process_time() - start
        page = (Path(place) / "out" / "report.html").stat().st_size
        table = (Path(place) / "out" / "history.csv").stat().st_size
    told = sum(
        s.behaviour.kind not in ("steady", "too few") for rig in result.history.rigs for s in rig.series
    )
    say(f"{processor()}, {os.cpu_count()} processors, Python {platform.python_version()}")
    say(f"{count} results of {len(RIGS)} untouched rigs, {size / 2**20:.0f} MiB")
    taken = time.perf_counter() - wall
    say(
        f"read and tell: {read:.1f} s of processor; with page and table {whole:.1f} s ({taken:.1f} s by the clock)"
    )
    say(f"memory: {peak_mib():.0f} MiB at most, {before:.0f} MiB before reading")
    say(
        f"report.html {page / 1024:.0f} KiB, history.csv {table / 1024:.0f} KiB; {told} series wrongly told to change"
    )


if __name__ == "__main__":
    main()
