"""How long a look and a detection take. Run by hand: ``python tests/bench/bench_detect.py``."""

import importlib.util
import os
import platform
import sys
import time
from pathlib import Path

import numpy as np

from rigcheck.model import BoardSpec
from rigcheck.opencv import cv2
from rigcheck.target import BoardDetector

RENDERER = Path(__file__).parents[1] / "target" / "conftest.py"
REPEATS = 25


def renderer():
    module_spec = importlib.util.spec_from_file_location("board_renderer", RENDERER)
    module = importlib.util.module_from_spec(module_spec)
    sys.modules["board_renderer"] = module
    module_spec.loader.exec_module(module)
    return module


def median_ms(work):
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(1000 * (time.perf_counter() - start))
    return float(np.median(times[3:]))


def processor():
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    return next((line.split(":")[1].strip() for line in lines if line.startswith("model name")), "unknown")


def say(line):
    sys.stdout.write(line + "\n")


def measured(detector, image, ref):
    """Times in ms and numbers of corners of a glance and a detection."""
    glance_ms = median_ms(lambda: detector.glance(image))
    detect_ms = median_ms(lambda: detector.detect(image, ref))
    return glance_ms, detector.glance(image).n, detect_ms, detector.detect(image, ref).n


def main():
    tools = renderer()
    charuco = BoardSpec(
        name="charuco",
        kind="charuco",
        squares=(9, 12),
        square_mm=9,
        marker_mm=6.75,
        dictionary="DICT_4X4_100",
    )
    plain = BoardSpec(name="checkerboard", kind="checkerboard", squares=(8, 11), square_mm=10)
    versions = f"Python {platform.python_version()}, OpenCV {cv2.__version__}"
    say(f"{processor()}, {os.cpu_count()} cores, {versions}")
    say(f"1080 x 1440 px, median of {REPEATS} runs, ms")
    say(f"{'board':<14}{'distance':>9}{'threads':>9}{'glance':>8}{'seen':>6}{'detect':>8}{'corners':>9}")
    for spec in (charuco, plain):
        detector = BoardDetector(spec)
        for distance_mm in (170.0, 250.0):
            scene = tools.Scene(
                spec=spec,
                lens=tools.Lens(distortion=(-0.2, 0.05, 0.0, 0.0, 0.0)),
                rotation_vector=(0.3, -0.35, 0.1),
                centre_mm=(3.0, -4.0, distance_mm),
            )
            image = scene.picture(np.random.default_rng([7]))
            for threads in (1, 2):
                cv2.setNumThreads(threads)
                glance_ms, seen, detect_ms, found = measured(detector, image, tools.REF)
                numbers = f"{threads:>9}{glance_ms:>8.1f}{seen:>6}{detect_ms:>8.1f}{found:>9}"
                say(f"{spec.name:<14}{distance_mm:>6.0f} mm{numbers}")


if __name__ == "__main__":
    main()
