"""How long a whole calibration takes beside bare decoding and the plain recipe.

Run by hand, on a machine that does nothing else: ``python tests/bench/bench_calibrate.py --cache FOLDER``. The first
run renders the footage (see ``bench_clips.py``: the whole minute, no loop). Every row is a process of its own, start-up
and imports included; wall and CPU time and peak memory are the system's figures for that process. With ``--quick`` the
recipe on every frame is left out.
"""

import argparse
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import av
import bench_clips
import numpy as np

import rigcheck
from rigcheck.opencv import cv2
from rigcheck.records import read_calibration

HERE = Path(__file__).parent
ROOT = Path(rigcheck.__file__).parents[1]


@dataclass(frozen=True)
class Spent:
    """What a process took, and the last line it printed."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    last_line: str


def spent(*command):
    """Run a command to its end; peak memory is that of the process itself (it starts no others)."""
    with tempfile.TemporaryFile("w+", encoding="utf-8") as told:
        start = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, *map(str, command)],
            stdout=told,
            stderr=subprocess.STDOUT,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        told.seek(0)
        lines = told.read().strip().splitlines() or [""]
    # 4 and 5 are verdicts of a calibration that was made.
    if process.returncode not in (0, 4, 5):
        raise SystemExit(f"{command}: exit {process.returncode}\n" + "\n".join(lines[-8:]))
    return Spent(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, lines[-1])


def calibrated(cache, clips, folder):
    """Time the command and read the baseline it found, mm."""
    out = Path(folder) / clips[0].stem
    options = ("--board", cache / "board.yaml", "--rig", cache / "rig.yaml", "--out", out)
    took = spent("-m", "rigcheck", "calibrate", *clips, *options)
    stereo = read_calibration(out / "calibration.yaml").stereo
    return took, float(np.linalg.norm(stereo.camera2_from_camera1.translation_mm))


def processor():
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    return next((line.split(":")[1].strip() for line in lines if line.startswith("model name")), "unknown")


def say(line):
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def machine():
    load = os.getloadavg()[0]
    return (
        f"{processor()}, {os.cpu_count()} cores, load before {load:.1f}; {platform.platform()}, "
        f"Python {platform.python_version()}, numpy {np.__version__}, OpenCV {cv2.__version__}, PyAV {av.__version__}"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True, help="folder of the rendered footage")
    parser.add_argument("--quick", action="store_true", help="leave out the recipe on every frame")
    asked = parser.parse_args()
    scene = bench_clips.prepare(asked.cache)
    # All take the board to be as large as its calipers say; that error is the same for all, and taken out.
    scale = scene.day.pitch_mm[0] / scene.day.board.pitch_mm[0]
    true_mm = float(np.linalg.norm(scene.day.truth.camera2_from_camera1.translation_mm))
    say(machine())
    say(
        f"{'keyframes':<10}{'what':<26}{'wall s':>8}{'CPU s':>8}{'peak MB':>9}{'of decode':>11}"
        f"{'baseline error mm':>19}"
    )
    for variant in bench_clips.VARIANTS:
        clips = [bench_clips.clip_path(asked.cache, variant, number) for number in (1, 2)]
        bare = spent(HERE / "bench_recipes.py", "decode", *clips)

        def row(what, took, baseline_mm, *, variant=variant, bare=bare):
            error = "" if baseline_mm is None else f"{scale * baseline_mm - true_mm:+19.4f}"
            say(
                f"{variant:<10}{what:<26}{took.wall_s:8.1f}{took.cpu_s:8.1f}{took.peak_mb:9.0f}"
                f"{took.wall_s / bare.wall_s:11.2f}{error}"
            )

        row("bare decoding", bare, None)
        with tempfile.TemporaryDirectory() as folder:
            row("calibrate", *calibrated(asked.cache, clips, folder))
        for step in (15,) if asked.quick else (15, 1):
            took = spent(HERE / "bench_recipes.py", "recipe", step, asked.cache / "board.yaml", *clips)
            row(f"recipe, every {step} frame(s)", took, float(took.last_line))


if __name__ == "__main__":
    main()
