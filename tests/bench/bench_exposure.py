"""How good and how quick exposure is on rendered performers.

By hand: ``python tests/bench/bench_exposure.py [COUNT] [FIRST]``. FIRST is the first performer's number: 0 to 119
showed what was wrong with the measure, so that other numbers test it. Prints error, spread of error over sigma, overlap
of blown areas with the truth beside the overlap that noise alone leaves, and CPU time of one moment.
"""

import platform
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from exposure_study import at_random, described, exposed, truth_of

from rigcheck.demo.head_sensor import HeadSensor
from rigcheck.face.exposure_light import light_curve
from rigcheck.face.exposure_moment import exposure_moment

_WANTED = 0.85


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def accuracy(count: int, first: int) -> None:
    found: dict[str, list[tuple[float, float]]] = {}
    overlaps = []
    for case in range(first, first + count):
        one = at_random(case)
        true = truth_of(one)
        for name, truth in (
            ("side_ratio_stops", true.side_ratio_stops),
            ("shadow_noise_dn", true.noise_dn),
            ("blown_share", true.blown_share),
            ("room_stops", -true.over_stops),
        ):
            told = one.run.number("a", name).value is not None
            if not told or (name == "blown_share" and true.blown_share < 1e-4):
                continue
            found.setdefault(name, []).append((one.value(name) - truth, one.sigma(name)))
        if true.blown_share > 2e-3:
            overlaps.append((true.overlap, true.noise_overlap, case))
    say(
        f"{'quantity':20}{'n':>5}{'bias':>10}{'sd':>10}{'sigma':>10}{'sd of z':>9}{'within 2':>10}{'worst':>9}"
    )
    for name, pairs in found.items():
        error, sigma = np.array(pairs).T
        z = error / np.maximum(sigma, 1e-9)
        say(
            f"{name:20}{len(error):5}{error.mean():10.4f}{error.std():10.4f}{sigma.mean():10.4f}{z.std():9.2f}"
            f"{100 * np.mean(np.abs(z) < 2):9.0f}%{np.abs(error).max():9.3f}"
        )
    if overlaps:
        told, floor = np.array(overlaps).T[:2]
        say(f"overlap of blown areas: median {np.median(told):.3f}, least {told.min():.3f} of {len(told)}")
        say(f"noise alone leaves: median {np.median(floor):.3f}, least {floor.min():.3f}")
        lost = floor - told
        say(f"lost beyond that: {lost.mean():.3f} on average, at most {lost.max():.3f}")
        low = [f"{int(case)} ({one:.2f} of {other:.2f})" for one, other, case in overlaps if one < _WANTED]
        say(f"below {_WANTED}: {', '.join(low) or 'none'}")


def speed() -> None:
    for name, stops, colour in (
        ("nothing blown", 0.0, False),
        ("much blown", 1.2, False),
        ("in colour", 0.5, True),
    ):
        sensor = HeadSensor(colour=colour)
        one = exposed(size_px=(1080, 1440), exposure_stops=stops, sensor=sensor)
        curve = light_curve(described(), full_range=colour)
        times = []
        for _ in range(40):
            start = time.process_time()
            exposure_moment(one.frame, one.face, curve)
            times.append(1e3 * (time.process_time() - start))
        say(f"one moment of 1080 x 1440, {name}: {np.median(times):.1f} ms of CPU (median of 40)")


if __name__ == "__main__":
    say(f"{platform.platform()} {platform.processor()}")
    speed()
    asked = [int(value) for value in sys.argv[1:]]
    accuracy(*(asked + [60, 0][len(asked) :]))
