"""How good framing is on rendered performers; run by hand: python tests/bench/bench_fitting.py [performers].

Prints, with and without a calibration: bias, spread, spread of error over sigma, and how often two sigmas hold.
"""

import platform
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from face_study import QUANTITIES, rows_of

from rigcheck.landmarks import FaceFinder


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def table(count: int, *, calibrated: bool) -> None:
    finder = FaceFinder()
    rows = [row for case in range(count) for row in rows_of(case, calibrated=calibrated, finder=finder)]
    off = [
        np.hypot(*(row.errors[f"nostril_offset_{axis}_px"] for axis in "xy")) / row.eyes_px for row in rows
    ]
    say(f"\n{'calibrated' if calibrated else 'no calibration'}: {len(rows)} pictures of {count} performers")
    say(f"nostril base off by {100 * np.median(off):.2f} % of the eye distance (median)")
    say(f"{'quantity':22}{'bias':>9}{'sd':>9}{'sigma':>9}{'sd of z':>9}{'within 2 sigma':>16}")
    for name in QUANTITIES:
        error = np.array([row.errors[name] for row in rows])
        sigma = np.array([row.sigmas[name] for row in rows])
        inside = 100 * np.mean(np.abs(error) < 2 * sigma)
        numbers = (error.mean(), error.std(), sigma.mean(), (error / sigma).std())
        say(f"{name:22}" + "".join(f"{number:9.2f}" for number in numbers) + f"{inside:15.1f}%")


if __name__ == "__main__":
    performers = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    say(f"{platform.platform()} {platform.processor()}")
    start = time.process_time()
    table(performers, calibrated=True)
    table(performers, calibrated=False)
    say(f"\n{time.process_time() - start:.0f} s of CPU")
