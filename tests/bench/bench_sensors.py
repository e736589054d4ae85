"""How well sensors are told by their hot pixels: run by hand, prints a table.

python tests/bench/bench_sensors.py
"""

import platform
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from planted_pixels import far_from, sensor, shown_by
from small_shoot import HEIGHT, WIDTH, clip_of, moments, seen
from verifying import calibrated

from rigcheck.drift.sensors import SensorMatch
from rigcheck.footage import open_footage
from rigcheck.footage.hot_pixels import HotPixelLook, HotPixelWatch

SENSORS = 6
PIXELS = 60
STORED_PICTURES = 40
# Pictures today, constant rate factor, strength of the hot pixels against the calibration's.
TODAY = [
    (24, 23, 1.0),
    (24, 23, 0.5),
    (24, 28, 1.0),
    (24, 28, 0.35),
    (12, 23, 1.0),
    (10, 23, 1.0),
]
QUICK = {"preset": "ultrafast"}


def say(text: str) -> None:
    sys.stdout.write(f"{text}\n")


def look(folder: Path, pictures, planted, *, quality: int, gain: float = 1.0) -> HotPixelLook:
    """Key pictures, as `verify` looks at them."""
    path = clip_of(
        folder / "clip.mp4",
        shown_by(pictures, planted, gain=gain),
        options={"crf": str(quality), "g": "1"} | QUICK,
    )
    watch = HotPixelWatch()
    for frame in open_footage(str(path), camera="upper").frames():
        watch.add(frame.grey8())
    found = watch.look()
    if found is None:
        raise ValueError("too few pictures")
    return found


def asked(stored: HotPixelLook, today: HotPixelLook) -> SensorMatch:
    x, y = np.array(stored.hot_pixels_px).T
    tells = today.telling[y, x]
    return SensorMatch(
        asked=int(tells.sum()), again=int((today.marked[y, x] & tells).sum()), chance=today.chance
    )


def known(today: HotPixelLook, stored: HotPixelLook) -> int:
    """How many of today's clear hot pixels are stored."""
    places = np.array(stored.hot_pixels_px)
    return sum(int(np.abs(places - np.array(one)).max(1).min() <= 1) for one in today.hot_pixels_px)


def main() -> None:
    say(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}")
    say(
        "pictures  crf  strength | stored false | same: again/asked, by chance; unknown | other: again/asked | chance"
    )
    size = (WIDTH, HEIGHT)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        stored = []
        for k in range(SENSORS):
            shown = seen(moments(20 + k, STORED_PICTURES), seed=20 + k)["upper"]
            stored.append(look(folder, shown, sensor(k, PIXELS, size), quality=23))
        false = sum(far_from(one.hot_pixels_px, sensor(k, PIXELS, size)) for k, one in enumerate(stored))
        kept = sum(len(one.hot_pixels_px) for one in stored)
        for count, quality, gain in TODAY:
            shown = seen(moments(90 + count, count), seed=90)["upper"]
            now = [
                look(folder, shown, sensor(k, PIXELS, size), quality=quality, gain=gain)
                for k in range(SENSORS)
            ]
            same = [asked(one, today) for one, today in zip(stored, now, strict=True)]
            unknown = [len(now[k].hot_pixels_px) - known(now[k], one) for k, one in enumerate(stored)]
            other = [asked(one, now[(k + 1) % SENSORS]) for k, one in enumerate(stored)]
            say(
                f"{count:8d} {quality:4d} {gain:9.2f} | {false} of {kept} | "
                f"{sum(m.again for m in same)}/{sum(m.asked for m in same)} "
                f"(least {min(m.again / max(m.asked, 1) for m in same):.2f}), "
                f"{max(m.by_chance for m in same):.0e}; {max(unknown)} | "
                f"{sum(m.again for m in other)}/{sum(m.asked for m in other)} | "
                f"{max(today.chance for today in now):.1e}"
            )
    timed()


def timed() -> None:
    width, height = calibrated().cameras[0].camera.image_size_px
    picture = np.random.default_rng([95, 0]).integers(0, 200, (height, width)).astype(np.uint8)
    watch = HotPixelWatch()
    watch.add(picture)
    begin = time.thread_time()
    for _ in range(40):
        watch.add(picture)
    say(f"{1e3 * (time.thread_time() - begin) / 40:.1f} ms of one core a picture of {width} x {height} px")


if __name__ == "__main__":
    main()
