"""How fast `picks` goes through a clip: pairs a second, processor time, memory, beside bare decoding.

Run by hand, on a machine that does nothing else: ``python tests/bench/bench_picks_speed.py FOLDER [SECONDS]``. The
first run renders the clips (1080 x 1440 px, 60 frames a second; poses are held, so that most pictures differ in noise
alone) and keeps them in FOLDER. Start-up and imports are included; the reading of forty moments costs the same however
long the clip.
"""

import os
import platform
import resource
import subprocess
import sys
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from rigcheck.demo.head_clip import FaceClip, Hold
from rigcheck.demo.head_expression import bite, jaw_open, neutral, smile
from rigcheck.demo.head_files import write_face_clips
from rigcheck.demo.head_performer import Performer, fair_exposure_stops
from rigcheck.demo.head_rig import head_rig
from rigcheck.demo.head_scene import FaceScene
from rigcheck.opencv import cv2

RATE = 60
HERE = Path(__file__).parent
RIG = """name: bench
cameras:
  - {name: upper, transfer: linear, black_level: 4}
  - {name: lower, transfer: linear, black_level: 4}
"""


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def prepared(folder: Path, seconds: float) -> list[Path]:
    """Clips of this length, rendered once."""
    place = folder / f"picks-{seconds:g}s"
    clips = [place / f"{name}.mp4" for name in ("upper", "lower")]
    if all(clip.exists() for clip in clips):
        return clips
    folder.mkdir(parents=True, exist_ok=True)
    performer = Performer(identity=3, skin_luminance=0.25)
    scene = FaceScene(performer=performer, rig=head_rig(), exposure_stops=fair_exposure_stops(performer))
    part = seconds / 5.0
    poses = (smile(), neutral(), jaw_open(0.4), bite(), neutral())
    script = tuple(Hold(expression=pose, hold_s=part - 0.05, move_s=0.05) for pose in poses)
    write_face_clips(
        place, FaceClip(scene=scene, script=script, frame_rate=Fraction(RATE), sway_mm=0.0), quality=23
    )
    return clips


def spent(*command: object) -> tuple[float, float, float]:
    """Wall s, processor s and peak MB of a process."""
    start = time.perf_counter()
    process = subprocess.Popen([sys.executable, *map(str, command)], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 4, 5):
        raise SystemExit(f"{command}: exit {process.returncode}")
    return time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main() -> None:
    folder = Path(sys.argv[1])
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 20.0
    clips = prepared(folder, seconds)
    rig, out = folder / "rig.yaml", folder / "out"
    rig.write_text(RIG, encoding="utf-8")
    pairs = round(seconds * RATE)
    say(
        f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores, load before {os.getloadavg()[0]:.1f}; "
        f"Python {platform.python_version()}, numpy {np.__version__}, OpenCV {cv2.__version__}; {pairs} pairs"
    )
    bare = spent(HERE / "bench_recipes.py", "decode", *clips)
    took = spent("-m", "rigcheck", "picks", *clips, "--rig", rig, "--out", out, "--replace")
    say(f"{'':16}{'wall s':>8}{'CPU s':>8}{'peak MB':>9}{'pairs/s':>9}")
    for name, (wall, cpu, peak) in (("bare decoding", bare), ("picks", took)):
        say(f"{name:16}{wall:8.1f}{cpu:8.1f}{peak:9.0f}{pairs / wall:9.1f}")
    say(
        f"this process peaked at {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB while rendering"
    )


if __name__ == "__main__":
    main()
