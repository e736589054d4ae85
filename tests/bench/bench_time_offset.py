"""Time between cameras on rendered footage of full size: ten seconds of a waved board, run by hand.

``python tests/bench/bench_time_offset.py [OFFSET_MS [SHIFT_FRAMES]]``: renders 1080 x 1440 px, 30 frames a second,
camera 2 late by the offset, pairs the pictures as many frames wrongly as asked, and prints what is found.
"""

import dataclasses
import platform
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from hand_motion import wave
from synthetic import BOARD, Noise, observe_pair

from rigcheck.calibration import LENSES, CameraSetup, solve
from rigcheck.calibration.synchrony import synchrony_measurements
from rigcheck.demo import calibration_shoot, write_calibration_clips
from rigcheck.footage import open_footage, pair_clips
from rigcheck.jobs.moving import look_at_motion
from rigcheck.model import RigidTransform
from rigcheck.records import read_board


class Waved:
    """In place of the demo's hand: one that never rests."""

    def __init__(self, seed):
        self.motion = wave(np.random.default_rng([94, seed]), 60.0, middle_mm=(0.0, 0.0, 190.0))

    def pose_at(self, time_s):
        rotation, translation = self.motion(time_s)
        return RigidTransform(rotation=rotation, translation_mm=translation)


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


def main(offset_ms: float, shift: int) -> None:
    shoot = calibration_shoot(7, seconds=10.0, frame_rate=30, offset_s=offset_ms / 1e3)
    shoot = dataclasses.replace(shoot, motion=Waved(0))
    truth = shoot.day.truth
    views = observe_pair(truth, np.random.default_rng([95, 0]), n_views=14, noise=Noise(sigma_px=0.03))
    setups = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (truth.camera1, truth.camera2)]
    solution = solve(views, BOARD, setups, lenses=[LENSES["brown4"]])
    with tempfile.TemporaryDirectory() as folder:
        start = time.process_time()
        made = write_calibration_clips(Path(folder) / "clips", shoot)
        rendered = time.process_time()
        clips = [
            open_footage(str(path), camera=camera.name)
            for path, camera in zip(made.clips, (truth.camera1, truth.camera2), strict=True)
        ]
        pairing = pair_clips(*clips, offset_frames=shift)
        moving = look_at_motion(pairing, read_board(made.board_file), lambda done, total: None)
        found = synchrony_measurements(
            moving.runs, solution, reason=moving.reason, offset_frames=moving.offset_frames
        )
    done = time.process_time()
    say(
        f"{platform.machine()}, {platform.processor() or platform.system()}, Python {platform.python_version()}"
    )
    say(f"rendering {rendered - start:.0f} s CPU, measuring {done - rendered:.1f} s CPU")
    delay = found["stereo.time_offset_ms"]
    asked = 0.05 + 0.03 * abs(offset_ms)
    say(
        f"offset {offset_ms:+.3f} ms, paired {shift:+d} frames; {len(moving.runs)} runs, {delay.n} moving pairs"
    )
    if delay.value is None or delay.sigma is None:
        say(f"not measured: {delay.reason}")
        return
    error = delay.value - offset_ms
    say(
        f"found {delay.value:+.4f} ± {delay.sigma:.4f} ms: error {error:+.4f} ms ({error / delay.sigma:+.1f} sigma), "
        f"asked {asked:.3f}; frame shift {found['stereo.frame_shift'].value}"
    )


if __name__ == "__main__":
    given = sys.argv[1:]
    main(float(given[0]) if given else 2.0, int(given[1]) if len(given) > 1 else 0)
