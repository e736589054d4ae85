"""Runs of pictures of the moving board: where they lie, and what is found in rendered footage of a late camera."""

import dataclasses
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hand_motion import wave
from synthetic import BOARD, Noise, observe_pair

from rigcheck.calibration import LENSES, CameraSetup, solve
from rigcheck.calibration.synchrony import synchrony_measurements
from rigcheck.demo.clips import calibration_shoot, write_calibration_clips
from rigcheck.demo.encoding import ClipWriter
from rigcheck.footage import open_footage, pair_clips
from rigcheck.jobs.moving import LEAST_RUNS, MOST_RUNS, RUN_PICTURES, look_at_motion, run_starts
from rigcheck.model import RigidTransform
from rigcheck.records import read_board

PICTURE = np.full((64, 48), 120, dtype=np.uint8)


class Waved:
    """In place of the demo's hand, one that never rests: every run of a short clip then moves."""

    def __init__(self, motion):
        self.motion = motion

    def pose_at(self, time_s):
        rotation, translation = self.motion(time_s)
        return RigidTransform(rotation=rotation, translation_mm=translation)


def nothing(done, total):
    pass


def write_clip(path, n, *, rate=30, keys_every=None):
    with ClipWriter(path, size_px=(48, 64), frame_rate=Fraction(rate)) as clip:
        if keys_every is not None:
            clip._stream.options = clip._stream.options | {"g": str(keys_every)}
        rng = np.random.default_rng([90, n, len(path.stem), ord(path.stem[0])])
        for _ in range(n):
            clip.add(PICTURE + rng.integers(0, 40, PICTURE.shape, dtype=np.uint8))
    return path


def pair_of(tmp_path, n, *, offset_frames=None, **how):
    clips = [
        open_footage(str(write_clip(tmp_path / f"{name}.mp4", n, **how)), camera=name)
        for name in ("upper", "lower")
    ]
    return pair_clips(*clips, offset_frames=offset_frames)


def check_runs(pairing, starts):
    assert starts == sorted(set(starts))
    assert all(b - a >= RUN_PICTURES for a, b in pairwise(starts))
    assert starts[-1] + RUN_PICTURES <= pairing.n_pairs


def test_runs_lie_at_key_pictures_where_there_are_enough(tmp_path):
    pairing = pair_of(tmp_path, 600, keys_every=20)
    starts = run_starts(pairing)
    check_runs(pairing, starts)
    assert len(starts) == MOST_RUNS
    assert set(starts) <= set(pairing.key_pairs.tolist())
    assert starts[0] < 60  # spread over the clip, not bunched at one end
    assert starts[-1] > 540


def test_few_key_pictures_are_followed_a_little_way(tmp_path):
    pairing = pair_of(tmp_path, 600, keys_every=100)
    starts = run_starts(pairing)
    check_runs(pairing, starts)
    behind = np.array(starts) % 100
    assert len(starts) >= 16
    assert behind.max() <= 4 * RUN_PICTURES  # of a hundred: most of each group is never decoded


def test_a_short_clip_is_used_whole_and_a_shorter_one_not_at_all(tmp_path):
    pairing = pair_of(tmp_path, 60)
    starts = run_starts(pairing)
    check_runs(pairing, starts)
    assert len(starts) == 7
    (tmp_path / "short").mkdir()
    short = pair_of(tmp_path / "short", 5 * RUN_PICTURES)
    found = look_at_motion(short, BOARD, nothing)
    assert found.runs == ()
    assert f"5 runs of {RUN_PICTURES} pictures without a gap; {LEAST_RUNS} are needed" in found.reason


def test_the_shift_in_force_is_handed_on(tmp_path):
    assert look_at_motion(pair_of(tmp_path, 40), BOARD, nothing).offset_frames == 0
    (tmp_path / "shifted").mkdir()
    shifted = pair_of(tmp_path / "shifted", 40, offset_frames=-3)
    assert look_at_motion(shifted, BOARD, nothing).offset_frames == -3


def test_footage_without_a_board_or_of_pictures_says_so(tmp_path, shoot):
    found = look_at_motion(pair_of(tmp_path, 60), BOARD, nothing)
    assert (found.runs, found.looked) == ((), 7)
    assert "moved and was seen in 0 of 7 places" in found.reason
    stills = pair_clips(
        open_footage(str(shoot.upper), camera="upper"), open_footage(str(shoot.lower), camera="lower")
    )
    assert "it takes video" in look_at_motion(stills, BOARD, nothing).reason


@pytest.fixture(scope="module")
def late_by_2_ms(tmp_path_factory):
    """Some two seconds at 24 frames a second of a waved board; camera 2 takes its pictures 2 ms later."""
    shoot = calibration_shoot(7, seconds=2.4, frame_rate=24, size_px=(540, 720), offset_s=2e-3)
    motion = wave(np.random.default_rng([91, 0]), 60.0, middle_mm=(0.0, 0.0, 190.0))
    shoot = dataclasses.replace(shoot, motion=Waved(motion))
    folder = tmp_path_factory.mktemp("late") / "clips"
    return write_calibration_clips(folder, shoot)


@pytest.fixture(scope="module")
def truth_solved(late_by_2_ms):
    """A calibration of the rendered rig from still views of its own, projected by OpenCV."""
    truth = late_by_2_ms.shoot.day.truth
    views = observe_pair(truth, np.random.default_rng([92, 0]), n_views=14, noise=Noise(sigma_px=0.03))
    setups = [
        CameraSetup(name=camera.name, image_size_px=camera.image_size_px)
        for camera in (truth.camera1, truth.camera2)
    ]
    return solve(views, BOARD, setups, lenses=[LENSES["brown4"]])


@pytest.mark.slow
@pytest.mark.parametrize(("offset_frames", "shift"), [(None, 0), (1, -1)])
def test_a_late_camera_is_found_in_rendered_footage(late_by_2_ms, truth_solved, offset_frames, shift):
    clips = [
        open_footage(str(path), camera=name)
        for path, name in zip(late_by_2_ms.clips, ("upper", "lower"), strict=True)
    ]
    pairing = pair_clips(*clips, offset_frames=offset_frames)
    told = []
    moving = look_at_motion(pairing, read_board(late_by_2_ms.board_file), lambda *done: told.append(done))
    assert len(moving.runs) >= LEAST_RUNS
    assert all(len(run) == RUN_PICTURES for run in moving.runs)
    assert told[-1] == (moving.looked, moving.looked)
    found = synchrony_measurements(
        moving.runs, truth_solved, reason=moving.reason, offset_frames=moving.offset_frames
    )
    delay = found["stereo.time_offset_ms"]
    assert delay.value == pytest.approx(2.0, abs=0.05 + 0.03 * 2.0)  # what is asked of the measurement
    assert found["stereo.frame_shift"].value == shift
    assert found["stereo.offset_frames"].value == 0
