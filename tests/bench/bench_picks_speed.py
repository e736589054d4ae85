"""How fast `picks` goes through a clip: pairs a second, processor time, memory, beside bare decoding.

Run by hand, on a machine that does nothing else: ``python tests/bench/bench_picks_speed.py FOLDER [SECONDS]``. The
first run renders the clips (1080 x 1440 px, 60 frames a second) and keeps them in FOLDER: held poses and blinks of
120 ms before a head that sways in the helmet at all times, a shift of the rendered picture, with noise of its own in
every picture. Start-up and imports are included; the reading of the likeliest moments costs the same however long the
clip. Where other work runs beside it, processor time tells more than wall time.
"""

import os
import platform
import resource
import subprocess
import sys
import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rigcheck.demo.head_expression import Expression, bite, blended, blink, jaw_open, neutral, smile
from rigcheck.demo.head_files import face_writers
from rigcheck.demo.head_performer import Performer, fair_exposure_stops
from rigcheck.demo.head_rig import head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.opencv import cv2

RATE = 60
# Of the head in the helmet: standard deviation (about 0.05 mm of the face), and over how many pictures it is smooth.
SWAY_PX, SWAY_FRAMES = 0.35, 6.0
# Shares of a shut lid, picture by picture: 120 ms.
BLINK = (0.3, 0.7, 1.0, 1.0, 1.0, 0.7, 0.3)
HERE = Path(__file__).parent
RIG = """name: bench
cameras:
  - {name: upper, transfer: linear, black_level: 4}
  - {name: lower, transfer: linear, black_level: 4}
"""


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def shots(seconds: float) -> list[Expression]:
    """Expression of every picture: five poses, four pictures from one to the next, two blinks in each neutral."""
    count = round(seconds * RATE / 5)
    poses = (smile(), neutral(), jaw_open(0.4), bite(), neutral())
    out: list[Expression] = []
    for before, pose in zip((poses[0], *poses[:-1]), poses, strict=True):
        way = [blended(before, pose, share) for share in (0.2, 0.4, 0.6, 0.8)] if out else []
        own = [*way, *[pose] * (count - len(way))]
        for start in (count // 4, 3 * count // 4) if pose == neutral() else ():
            for k, shut in enumerate(BLINK):
                own[start + k] = pose.plus(blink(shut))
        out += own
    return out


def prepared(folder: Path, seconds: float) -> list[Path]:
    """Clips of this length, rendered once."""
    place = folder / f"picks-sway-{seconds:g}s"
    clips = [place / f"{name}.mp4" for name in ("upper", "lower")]
    if all(clip.exists() for clip in clips):
        return clips
    folder.mkdir(parents=True, exist_ok=True)
    performer = Performer(identity=3, skin_luminance=0.25)
    scene = FaceScene(performer=performer, rig=head_rig(), exposure_stops=fair_exposure_stops(performer))
    script = shots(seconds)
    rng = np.random.default_rng([75])
    sway = gaussian_filter1d(rng.normal(size=(len(script), 2)), SWAY_FRAMES, axis=0, mode="wrap")
    sway *= SWAY_PX / sway.std()
    lights: dict[tuple[Expression, int], np.ndarray] = {}
    with face_writers(place, scene.rig.cameras, frame_rate=Fraction(RATE), quality=23, replace=False) as (
        writers,
        _,
    ):
        for expression, move in zip(script, sway, strict=True):
            for camera, writer in enumerate(writers):
                key = expression, camera
                if key not in lights:
                    posed = replace(scene, expression=expression)
                    lights[key] = render_face(posed, camera, rng=np.random.default_rng(0)).truth.light
                light = lights[key]
                by = np.float32([[1, 0, move[0]], [0, 1, move[1]]])
                moved = cv2.warpAffine(light, by, light.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
                writer.add(scene.sensor.exposed(moved, rng))
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
