"""Time between cameras from views and a solution: planted delays and shifts, and what cannot be measured."""

import dataclasses

import numpy as np
import pytest
from hand_motion import corners_at, straight, wave
from synthetic import BOARD, Noise, observe_pair, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, solve
from rigcheck.calibration.synchrony import synchrony_measurements
from rigcheck.model import FrameRef, Observation

RIG = reference_rig()
NOISE_PX = 0.07


@pytest.fixture(scope="module")
def solution():
    """Solved from still views of its own, so with its own small errors."""
    views = observe_pair(RIG, np.random.default_rng([81, 0]), n_views=14, noise=Noise(sigma_px=NOISE_PX))
    setups = [
        CameraSetup(name=camera.name, image_size_px=camera.image_size_px)
        for camera in (RIG.camera1, RIG.camera2)
    ]
    return solve(views, BOARD, setups, lenses=[LENSES["brown4"]])


def view_of(motion, rng, *, frame_idx, rate_hz, offset_s, shift, jitter_s=0.0):
    """What both cameras see: camera 2 late by `offset_s`, and paired with its picture `shift` too early."""
    sides = []
    for number, camera in enumerate((RIG.camera1, RIG.camera2)):
        taken = frame_idx - number * shift
        seen = corners_at(RIG, motion, number, taken / rate_hz + number * offset_s)
        kept = np.flatnonzero(np.isfinite(seen).all(1))
        shown_s = (1 + taken) / rate_hz + rng.uniform(-jitter_s, jitter_s)
        sides.append(
            Observation(
                ref=FrameRef(camera=camera.name, frame_idx=taken, origin="synthetic", time_s=shown_s),
                corner_ids=kept,
                corners_px=seen[kept] + rng.normal(0, NOISE_PX, (len(kept), 2)),
                sigma_px=np.full(len(kept), NOISE_PX),
            )
        )
    return tuple(sides)


def runs_of(motion, rng, *, n_runs=17, length=8, rate_hz=60.0, **how):
    starts = np.linspace(0, 10 * rate_hz - length, n_runs).round().astype(int)
    how = {"offset_s": 0.0, "shift": 0} | how
    return [
        [view_of(motion, rng, frame_idx=int(start) + k, rate_hz=rate_hz, **how) for k in range(length)]
        for start in starts
    ]


@pytest.mark.parametrize(
    ("offset_ms", "shift", "rate_hz"),
    [(0.0, 0, 60.0), (0.5, 0, 60.0), (-2.0, 0, 24.0), (2.0, 0, 120.0), (-0.5, 2, 60.0), (1.0, -3, 30.0)],
)
def test_planted_delay_and_shift(solution, offset_ms, shift, rate_hz):
    rng = np.random.default_rng([82, int(rate_hz), abs(shift)])
    runs = runs_of(wave(rng, 80.0), rng, rate_hz=rate_hz, offset_s=offset_ms / 1e3, shift=shift)
    found = synchrony_measurements(runs, solution, offset_frames=10)
    delay = found["stereo.time_offset_ms"]
    assert delay.value == pytest.approx(offset_ms, abs=0.05 + 0.03 * abs(offset_ms))  # what is asked of it
    assert abs(delay.value - offset_ms) < 4 * delay.sigma  # one in ten thousand; the seeds are fixed
    in_step = 17 * (6 - abs(shift))  # moving pairs with both neighbours that a shift leaves in the runs
    assert 0.8 * in_step <= delay.n <= in_step
    assert found["stereo.frame_shift"].value == shift
    assert found["stereo.offset_frames"].value == 10 + shift
    assert found["stereo.frame_period_ms"].value == pytest.approx(1e3 / rate_hz)
    assert found["stereo.at_rest_epipolar_px"].value < 0.1  # 14 still views of 0.07 px leave little
    assert "stereo.free_running" not in found


def test_times_rounded_to_milliseconds_do_not_matter(solution):
    """Some containers keep whole milliseconds: 17, 17, 16 ms at 60 frames a second."""
    runs = runs_of(
        wave(np.random.default_rng([83, 0]), 80.0), np.random.default_rng([83, 1]), offset_s=1.5e-3
    )
    rounded = [
        [
            tuple(
                dataclasses.replace(side, ref=dataclasses.replace(side.ref, time_s=round(side.ref.time_s, 3)))
                for side in view
            )
            for view in run
        ]
        for run in runs
    ]
    exact, coarse = (
        synchrony_measurements(one, solution)["stereo.time_offset_ms"] for one in (runs, rounded)
    )
    assert coarse.value == pytest.approx(exact.value, rel=0.005)  # 1 ms over the 117 ms of a run, averaged


def test_what_is_beyond_the_search_is_said_and_not_measured(solution):
    rng = np.random.default_rng([84, 0])
    runs = runs_of(wave(rng, 40.0), rng, shift=8)
    found = synchrony_measurements(runs, solution)
    assert found["stereo.frame_shift"].value is None or found["stereo.frame_shift"].value >= 5
    assert found["stereo.time_offset_ms"].value is None or found["stereo.time_offset_ms"].sigma > 0.5


def test_reasons_in_place_of_numbers(solution):
    rng = np.random.default_rng([85, 0])
    still = runs_of(straight([0.0, 0.0, 0.0]), rng)
    untimed = [
        [
            tuple(dataclasses.replace(side, ref=dataclasses.replace(side.ref, time_s=None)) for side in view)
            for view in run
        ]
        for run in still
    ]
    uneven = runs_of(wave(rng, 80.0), rng, n_runs=4)
    for runs, reason, words in (
        ([], "single pictures do not tell", "single pictures do not tell"),
        ([], "", "no views of the moving board"),
        (still, "", "hardly moved"),
        (untimed, "", "0 runs of evenly timed"),
        (uneven, "", "4 runs of evenly timed"),
    ):
        found = synchrony_measurements(runs, solution, reason=reason, synchronised=False)
        for name in ("stereo.time_offset_ms", "stereo.frame_shift"):
            assert found[name].value is None
            assert words in found[name].reason
        assert found["stereo.free_running"].value == 1.0
    assert synchrony_measurements([], solution, synchronised=True)["stereo.free_running"].value == 0.0


def test_a_run_with_a_dropped_picture_is_left_out(solution):
    rng = np.random.default_rng([86, 0])
    motion = wave(rng, 100.0)
    runs = runs_of(motion, rng, offset_s=0.5e-3)
    for number in (2, 9):  # from the fourth picture on, everything is two pictures later
        start = runs[number][0][0].ref.frame_idx
        runs[number][4:] = [
            view_of(motion, rng, frame_idx=start + k + 2, rate_hz=60.0, offset_s=0.5e-3, shift=0)
            for k in range(4, 8)
        ]
    found = synchrony_measurements(runs, solution)["stereo.time_offset_ms"]
    assert found.n <= 15 * 6
    assert found.value == pytest.approx(0.5, abs=0.05 + 0.03 * 0.5)  # what is asked of it


def test_one_camera_has_no_time_between_cameras(solution):
    one = dataclasses.replace(solution, setups=solution.setups[:1])
    assert synchrony_measurements([], one, reason="anything") == {}
