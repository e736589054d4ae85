"""How well a day of takes tells what happened to the pair; run by hand.

python tests/bench/bench_audit.py statistics [DAYS]      simulated matches: alarms, steps found, honest sigmas
python tests/bench/bench_audit.py needs [DAYS]           the same steps against the smooth error of the matches
python tests/bench/bench_audit.py rendered [DAYS] [CACHE]  rendered performers through the real matcher
"""

import platform
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from audit_rendered import STEPS, RenderedDay

from rigcheck.drift.audit_day import day_geometry
from rigcheck.drift.audit_take import take_geometry


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def rendered(days: int, cache: Path | None) -> None:
    kinds = ("still", *STEPS, "drift")
    say(f"{'day':5}{'what':13}{'first':>6}  found")
    for case in range(days):
        what = kinds[case % len(kinds)]
        first = int(np.random.default_rng([75, case]).integers(3, 18))
        one = RenderedDay(case=case, what=what, first=first)
        rig = one.rig.stereo
        takes = [
            take_geometry(f"take {k:02d}", one.matches(k, cache), rig, working_distance_mm=195.0)
            for k in range(one.n_takes)
        ]
        day = day_geometry(takes)
        true = np.stack([one.change(k) for k in range(one.n_takes)])
        error = np.stack([take.change for take in takes]) - true
        sigma = np.stack([np.sqrt(np.diag(take.covariance)) for take in takes])
        found = "; ".join(
            f"{e.kind} at {e.first} [{e.earliest}-{e.latest}] {100 * e.confidence:.0f} % gain {e.gain:.0f}"
            for e in day.events
        )
        say(f"{case:<5}{what:13}{first:6}  {found or 'nothing'} (needed {day.threshold:.1f})")
        smooth = np.mean([take.smooth_px for take in takes])
        noise = np.mean([take.measurements["geometry.noise_ratio"].value for take in takes])
        n = np.mean([take.n_matches for take in takes])
        say(
            f"     {n:.0f} matches, noise ratio {noise:.2f}, smooth {smooth:.3f} px, between {day.between:.2f}"
        )
        for name, row in (
            ("mean error", error.mean(axis=0)),
            ("sd of error", error.std(axis=0, ddof=1)),
            ("mean sigma", sigma.mean(axis=0)),
        ):
            say(f"     {name:12}" + "".join(f"{value:10.5f}" for value in row))


def main() -> None:
    say(f"{platform.platform()} {platform.processor()}")
    start = time.process_time()
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    if sys.argv[1] == "rendered":
        rendered(count or 3, Path(sys.argv[3]) if len(sys.argv) > 3 else None)
    say(f"\n{time.process_time() - start:.0f} s of CPU")


if __name__ == "__main__":
    main()
