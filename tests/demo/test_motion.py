"""The board moves as a hand moves it: through good poses, with rests and quick moves, the same for a seed."""

import numpy as np
import pytest

from rigcheck.demo import hand_motion

SIZE_MM = (81.0, 108.0)
SECONDS = 18.0
STEP_S = 1 / 60


def motion(seed=0, seconds=SECONDS):
    return hand_motion(np.random.default_rng([404, seed]), seconds=seconds, size_mm=SIZE_MM)


def middles_mm(hand, times_s):
    centre = np.array([SIZE_MM[0] / 2, SIZE_MM[1] / 2, 0.0])
    return np.array([hand.pose_at(time).apply(centre) for time in times_s])


def test_a_seed_fixes_the_motion():
    first, again, other = motion(1), motion(1), motion(2)
    poses = [hand.pose_at(4.321).translation_mm for hand in (first, again, other)]
    assert np.array_equal(poses[0], poses[1])
    assert np.abs(poses[0] - poses[2]).max() > 0.5


def test_the_board_goes_through_good_poses():
    hand = motion()
    times = [station.arrive_s + 0.05 for station in hand.stations]
    normals = np.array([hand.pose_at(time).rotation[:, 2] for time in times])
    tilt_x, tilt_y = (np.rad2deg(np.arcsin(normals[:, axis])) for axis in (1, 0))
    for tilt in (tilt_x, tilt_y):
        assert tilt.min() < -25
        assert tilt.max() > 25
    assert np.rad2deg(np.arccos(normals[:, 2])).max() < 52  # beyond that, corners of the far side are lost
    distance = middles_mm(hand, times)[:, 2]
    assert distance.min() < 165
    assert distance.max() > 225
    assert distance.min() > 140


def test_there_are_rests_and_quick_moves():
    hand = motion()
    times = np.arange(0, SECONDS, STEP_S)
    speed = np.linalg.norm(np.diff(middles_mm(hand, times), axis=0), axis=1) / STEP_S
    assert np.mean(speed < 10) > 0.2  # a hand at rest
    assert speed.max() > 120
    assert speed.max() < 600  # a hand, not a throw


def test_each_rest_still_trembles():
    hand = motion()
    rest_s = hand.stations[3].arrive_s + np.arange(0, 0.15, STEP_S)
    middles = middles_mm(hand, rest_s)
    spread = middles.std(axis=0)
    assert spread.max() > 0.005
    assert spread.max() < 1.0


def test_nothing_jumps():
    hand = motion()
    middles = middles_mm(hand, np.arange(0, SECONDS, STEP_S))
    acceleration = np.linalg.norm(np.diff(middles, n=2, axis=0), axis=1) / STEP_S**2
    # A minimum-jerk move of 120 mm in 0.35 s peaks at 5.77 d / t^2 = 5.7 m/s^2; a jump of 2 mm: 7 m/s^2.
    assert acceleration.max() < 6500


@pytest.mark.parametrize("seconds", [0.2, 1.0, 45.0])
def test_any_length_is_filled(seconds):
    hand = motion(seconds=seconds)
    assert hand.stations[0].start_s == 0.0
    assert hand.stations[-1].arrive_s <= seconds
    assert len(hand.stations) == max(round(seconds / 0.9), 1)
    assert np.isfinite(hand.pose_at(seconds).rotation).all()
