"""Wall time and memory of `audit` for many takes, against the time to decode the key pictures nearest the samples.

Run by hand: ``python tests/bench/bench_audit_speed.py --cache FOLDER [--takes 10 30 100] [--workers 2]``.

A few takes of 20 s (and one of 60 s) are rendered and encoded once at 1080 × 1440 px and 60 frames/s with a key picture
a second; the others are hard links to them under other names. Two key pictures a second of a rendered face are shown in
turn and moved by whole pixels, so that encoding costs seconds, not hours: what is decoded and matched is of full size.
"""

import argparse
import os
import platform
import resource
import shutil
import sys
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

# A process that measures takes starts by reading this file again: what only the bench needs is loaded where it is used.
RATE, TAKE_S, LONG_S = 60, 20, 60
ENCODED = 3


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def encode(folder: Path, seconds: int, seed: int) -> None:
    """One take: three rendered moments in turn, swaying by a few pixels."""
    from rigcheck.demo.encoding import ClipWriter
    from rigcheck.demo.head_expression import jaw_open, neutral, smile
    from rigcheck.demo.head_performer import Performer
    from rigcheck.demo.head_rig import head_pose, head_rig
    from rigcheck.demo.head_scene import FaceScene, render_face

    rig = head_rig()
    scenes = [
        FaceScene(
            rig=rig,
            performer=Performer(identity=2, texture_seed=5),
            expression=expression,
            rig_from_head=head_pose(distance_mm=205.0, look_up_deg=10.0, down_mm=-4.0 + 0.2 * k),
            background_seed=None,
        )
        for k, expression in enumerate((neutral(), jaw_open(0.3), smile()))
    ]
    folder.mkdir(parents=True)
    for camera, model in enumerate(rig.cameras):
        pictures = [
            render_face(scene, camera, rng=np.random.default_rng([95, seed, k, camera])).image
            for k, scene in enumerate(scenes)
        ]
        half = folder / f"half-{model.name}.mp4"
        with ClipWriter(half, size_px=model.image_size_px, frame_rate=Fraction(RATE), quality=18) as writer:
            for index in range(RATE * seconds):
                picture = pictures[(index // 20) % len(pictures)]
                writer.add(np.roll(picture, round(2 * np.sin(index / 9)), axis=0))
        half.rename(folder / f"{model.name}.mp4")


def day(cache: Path, count: int, seconds: int) -> Path:
    """A folder of so many takes; the encoded ones under many names."""
    folder = cache / f"day-{count}-{seconds}"
    shutil.rmtree(folder, ignore_errors=True)
    for number in range(1, count + 1):
        source = cache / f"encoded-{seconds}-{(number - 1) % ENCODED if seconds == TAKE_S else 0}"
        (folder / f"take_{number}").mkdir(parents=True)
        for clip in source.glob("*.mp4"):
            os.link(clip, folder / f"take_{number}" / clip.name)
    return folder


def bare_decoding_s(folder: Path, cameras: tuple[str, ...]) -> tuple[float, float]:
    """Seconds to open every take and decode the key pictures nearest the samples, take after take: wall, processor."""
    from rigcheck.jobs.audit_sampling import LOOKED
    from rigcheck.jobs.opened import open_footage_of

    start, used = time.perf_counter(), time.process_time()
    for take in sorted(folder.iterdir()):
        footage = open_footage_of(cameras, *(str(take / f"{name}.mp4") for name in cameras), None)
        keys = footage.pairing.key_pairs
        places = keys[np.unique(np.linspace(0, len(keys) - 1, LOOKED).round().astype(int))]
        for _ in footage.pairing.pairs_at(places):
            pass
    return time.perf_counter() - start, time.process_time() - used


def main() -> None:
    """Print the table."""
    from face_clips import calibration_of

    from rigcheck.demo.head_rig import head_rig
    from rigcheck.jobs.audit import AuditInputs, audit
    from rigcheck.records import calibration_text

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--takes", type=int, nargs="+", default=[10, 30, 100])
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    options.cache.mkdir(exist_ok=True)
    for seconds, count in ((TAKE_S, ENCODED), (LONG_S, 1)):
        for number in range(count):
            folder = options.cache / f"encoded-{seconds}-{number}"
            if not folder.is_dir():
                encode(folder, seconds, number)
    calibration = calibration_of(head_rig())
    file = options.cache / "calibration.yaml"
    file.write_text(calibration_text(calibration), encoding="utf-8")
    cameras = tuple(entry.camera.name for entry in calibration.cameras)
    say(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"load {os.getloadavg()[0]:.1f}"
    )
    say(
        "takes  length s  workers  wall s  processor s  bare decoding: wall s  processor s  ratio: wall  processor"
        "  most MB (this, a worker)"
    )
    days = [(count, TAKE_S) for count in options.takes] + [(options.takes[0], LONG_S)]
    for count, seconds in days:
        folder = day(options.cache, count, seconds)
        bare, bare_used = bare_decoding_s(folder, cameras)
        used, start = time.process_time() + children_s(), time.perf_counter()
        audit(folder, given=AuditInputs(calibration=file, workers=options.workers))
        wall = time.perf_counter() - start
        used = time.process_time() + children_s() - used
        own, worker = (
            resource.getrusage(who).ru_maxrss / 1024
            for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
        )
        say(
            f"{count:5d} {seconds:9d} {options.workers:8d} {wall:7.1f} {used:12.1f} {bare:20.1f} {bare_used:12.1f} "
            f"{wall / bare:12.2f} {used / bare_used:10.2f}  {own:.0f}, {worker:.0f}"
        )


def children_s() -> float:
    """Processor time of the processes that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()
