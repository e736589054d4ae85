"""Days of takes: alarms, steps, drifts, the level against the calibration, and which calibration each take uses."""

from dataclasses import replace

import numpy as np
import pytest
from audit_days import DISTANCE_MM, DRIFT, STEPS, Errors, Shape, audited, day, drifting, exact, pair, stepped
from perturbed import drawn, moved, solved
from scipy.stats import chi2

from rigcheck.drift.audit_calibrations import calibration_uses, compare_ends
from rigcheck.drift.audit_day import day_geometry
from rigcheck.drift.audit_length import baseline_from_eyes, eye_distance, usual_eye_distance
from rigcheck.drift.audit_scan import alikeness, scan_threshold, step_shapes
from rigcheck.drift.audit_take import take_geometry
from rigcheck.drift.common_part import SourcedCalibration
from rigcheck.drift.compare_harm import Viewing
from rigcheck.geometry.observable import moved_pair
from rigcheck.geometry.projection import intrinsics_vector, project
from rigcheck.model import Estimate, RigidTransform

N = 20
VIEWING = Viewing(working_distance_mm=DISTANCE_MM)


@pytest.fixture(scope="module")
def pool():
    """Untouched takes with a smooth error of 0.04 px each, from which days are drawn."""
    shape = Shape(n_takes=1, errors=Errors(day_px=0.0, take_px=0.04))
    return [audited([120, k], np.zeros((1, 5)), shape)[0][0] for k in range(40)]


def drawn_day(pool, k, changes):
    places = np.random.default_rng([121, k]).choice(len(pool), len(changes), replace=False)
    takes = [
        replace(pool[place], name=f"take {number:02d}", change=pool[place].change + change)
        for number, (place, change) in enumerate(zip(places, changes, strict=True))
    ]
    return takes, day_geometry(takes)


@pytest.mark.parametrize(("n", "published"), [(20, 21.1), (100, 23.1)])
def test_scan_thresholds_are_the_handbooks(n, published):
    """Handbook 11, simulated there; the bound lies a little above, on the safe side."""
    found = scan_threshold(alikeness(step_shapes(n), np.ones(n)), unknowns=5, false_alarms=0.01)
    assert published - 0.1 < found < published + 0.9


def test_scan_thresholds_hold_in_simulation():
    noise = np.random.default_rng([122, 0]).normal(size=(8000, N, 5))
    sums, total = np.cumsum(noise, axis=1)[:, :-1], noise.sum(axis=1)[:, None]
    k = np.arange(1, N)[None, :, None]
    best = ((sums - k / N * total) ** 2 / (k * (N - k) / N)).sum(axis=2).max(axis=1)
    needed = scan_threshold(alikeness(step_shapes(N), np.ones(N)), unknowns=5, false_alarms=0.01)
    share = (best > needed).mean()
    assert 0.005 < share <= 0.0133  # 1 % with three sigmas of 8000; not needlessly far below
    # Planted fault: a threshold for each take by itself, 15.09 (handbook 11: alarms on 18 % of such days).
    alone = (noise**2).sum(axis=2).max(axis=1) > chi2.isf(0.01, 5)
    assert alone.mean() == pytest.approx(0.18, abs=0.015)


def test_untouched_days_raise_no_alarm(pool):
    alarms = sum(not drawn_day(pool, k, np.zeros((N, 5)))[1].steady for k in range(100))
    assert alarms <= 4  # 1 % of 100 is 1; three sigmas above


@pytest.mark.parametrize("name", list(STEPS))
def test_steps_are_found_at_their_take(pool, name):
    """0.01° across, 0.03° twist, 0.1° convergence: exact in 95 % of days, first and last take excepted."""
    right = 0
    for k in range(36):
        first = 1 + k % (N - 2)
        _, found = drawn_day(pool, 1000 + k, stepped(N, first, STEPS[name]))
        right += exact(found, first)
    assert right >= 33  # 95 % of 36 is 34


def test_a_smaller_step_is_told_as_uncertain(pool):
    """A tenth of the step: hardly ever found, and never said to be sure of its take."""
    found = [drawn_day(pool, 2000 + k, stepped(N, 9, 0.1 * np.array(STEPS["across"])))[1] for k in range(20)]
    sure = [event.confidence for one in found for event in one.events if event.first == 9]
    assert sum(one.steady for one in found) >= 15 or max(sure, default=0.0) < 0.95


def test_slow_drift_is_called_slow(pool):
    kinds = [
        [event.kind for event in drawn_day(pool, 3000 + k, drifting(N, DRIFT))[1].events] for k in range(20)
    ]
    assert sum(one == ["drift"] for one in kinds) >= 18


def test_knocked_then_mended(pool):
    changes = stepped(N, 6, STEPS["convergence"]) - stepped(N, 14, STEPS["convergence"])
    changes = changes + stepped(N, 6, STEPS["across"]) - stepped(N, 14, STEPS["across"])
    for k in range(5):
        _, found = drawn_day(pool, 4000 + k, changes)
        assert [(event.kind, event.first) for event in found.events] == [("step", 6), ("step", 14)]
        assert found.from_first[-1] == pytest.approx(np.zeros(5), abs=0.06)  # back, within sigmas
        harms = [found.harm_from_first_mm[take].value for take in (0, 10, 19)]
        assert harms[1] > 0.4  # handbook 11: 0.1° convergence is near 1 mm
        assert harms[0] == 0.0


def test_power_is_as_stated(pool):
    _, still = drawn_day(pool, 5000, np.zeros((N, 5)))
    size = still.seen["across_deg.middle"].value * np.array([0, 1.0, 0, 0, 0])
    told = [not drawn_day(pool, 5001 + k, stepped(N, N // 2, size))[1].steady for k in range(40)]
    # 95 % less three sigmas of 40 and what the share of the error that differs, estimated on one day, is wrong by.
    assert np.mean(told) >= 0.75


def test_helmet_slip_alone_raises_no_alarm():
    """Takes between which the face moves by centimetres in the pictures, through matches and all."""
    rig, shape = pair(), Shape(n_takes=1, n_moments=2, errors=Errors(day_px=0.02, take_px=0.02))
    takes = []
    for k in range(8):
        (matches,) = day(np.random.default_rng([123, k]), rig, np.zeros((1, 5)), shape)
        kept = [  # the face slid out of a side: a quarter of the picture is lost, another each take
            replace_matches(one, np.argsort(one.points1_px @ [np.cos(k), np.sin(k)])[: int(0.75 * one.n)])
            for one in matches
        ]
        takes.append(take_geometry(f"take {k}", kept, rig, working_distance_mm=DISTANCE_MM))
    assert day_geometry(takes).steady


def replace_matches(matches, rows):
    names = ("points1_px", "points2_px", "covariance_px2", "slope", "score", "contrast_dn", "noise_dn")
    return replace(matches, **{name: getattr(matches, name)[rows] for name in names})


def test_few_takes(pool):
    with pytest.raises(ValueError, match="1 needed"):
        day_geometry([])
    for n in (1, 2):
        _, found = drawn_day(pool, 6000, stepped(n, 1, STEPS["across"]))
        assert found.steady
        assert len(found.harm_mm) == n
        assert found.seen == {}
    with pytest.raises(ValueError, match="ascend"):
        day_geometry(pool[:3], times_h=np.array([0.0, 2.0, 1.0]))


@pytest.fixture(scope="module")
def calibrated():
    return solved(0)


def takes_of(true_rig, believed, case, changes=None, n=4):
    changes = np.zeros((n, 5)) if changes is None else changes
    shape = Shape(n_takes=len(changes), n_moments=2, errors=Errors(day_px=0.015, take_px=0.015))
    # Matches are made with the true rig; the audit reads them with the one it believes.
    return [
        take_geometry(f"take {k}", matches, believed, working_distance_mm=DISTANCE_MM)
        for k, matches in enumerate(day(np.random.default_rng([124, case]), true_rig, changes, shape))
    ]


def test_the_day_against_the_calibration(calibrated):
    """Errors of the calibration itself are no knock; a knock before the first take is."""
    distances = []
    for k in range(8):
        rng = np.random.default_rng([125, k])
        truth = moved(calibrated, drawn(rng, calibrated.covariance)).rig
        level = day_geometry(takes_of(truth, calibrated.rig, k, n=2), calibration=calibrated).level
        distances.append(level.distance)
    assert sum(one > chi2.isf(0.01, 5) for one in distances) <= 1
    # Chi-square of five has mean 5; a mean of 8 scatters by 1.1, and the smooth error is allowed for in full.
    assert 1.5 < np.mean(distances) < 8.0
    knocked = replace(
        calibrated.rig,
        camera2_from_camera1=moved_pair(
            calibrated.rig.camera2_from_camera1, np.array([0.0, 0.05, 0.0, 0.0, 0.0])
        ),
    )
    found = day_geometry(takes_of(knocked, calibrated.rig, 99), calibration=calibrated)
    assert found.level.apart
    assert found.steady  # nothing happened during the day: without the level it would have vanished


def test_ends_and_the_table(calibrated):
    """The pair steps half-way through the day, and the calibration at its end was made of the new state."""
    size = np.array([0.15, 0.02, 0.0, 0.0, 0.0])
    rig = calibrated.rig
    after = moved_pair(rig.camera2_from_camera1, size)
    end = replace(calibrated, stereo=replace(calibrated.stereo, camera2_from_camera1=after))
    takes = takes_of(rig, rig, 200, changes=stepped(8, 4, size))
    found = day_geometry(takes, calibration=calibrated)
    ends = compare_ends(
        SourcedCalibration(calibration=calibrated),
        SourcedCalibration(calibration=end),
        takes,
        viewing=VIEWING,
    )
    assert ends.change == pytest.approx(size, abs=2e-3)
    assert ends.apart
    assert ends.baseline_mm.value == pytest.approx(0.0, abs=1e-6)
    uses = calibration_uses(found, takes, tolerance_mm=0.1, ends=ends)
    assert [one.use for one in uses] == ["start"] * 4 + ["end"] * 4
    alone = calibration_uses(found, takes, tolerance_mm=0.1)
    assert [one.use for one in alone] == ["start"] * 4 + ["recalibrate"] * 4
    half = takes_of(rig, rig, 201, changes=np.outer([0, 0, 0, 0.5, 0.5, 0.5, 1, 1, 1], 4 * size))
    far = replace(
        calibrated,
        stereo=replace(
            calibrated.stereo, camera2_from_camera1=moved_pair(rig.camera2_from_camera1, 4 * size)
        ),
    )
    ends = compare_ends(
        SourcedCalibration(calibration=calibrated), SourcedCalibration(calibration=far), half, viewing=VIEWING
    )
    uses = calibration_uses(day_geometry(half, calibration=calibrated), half, tolerance_mm=0.1, ends=ends)
    assert [one.use for one in uses] == ["start"] * 3 + ["between"] * 3 + ["end"] * 3
    assert uses[4].share == pytest.approx(0.5, abs=0.1)


def test_a_pair_as_at_the_end_within_what_is_known_gets_the_ends_calibration(calibrated):
    size = np.array([0.2, 0.06, 0.0, 0.0, 0.0])
    rig = calibrated.rig
    after = moved_pair(rig.camera2_from_camera1, size)
    end = replace(calibrated, stereo=replace(calibrated.stereo, camera2_from_camera1=after))
    takes = takes_of(rig, rig, 203, changes=stepped(8, 4, 0.99 * size))
    ends = compare_ends(
        SourcedCalibration(calibration=calibrated),
        SourcedCalibration(calibration=end),
        takes,
        viewing=VIEWING,
    )
    uses = calibration_uses(day_geometry(takes, calibration=calibrated), takes, tolerance_mm=0.1, ends=ends)
    assert [one.use for one in uses] == ["start"] * 4 + ["end"] * 4


def test_equal_ends_leave_the_start(calibrated):
    takes = takes_of(calibrated.rig, calibrated.rig, 202, n=3)
    other = replace(solved(1), created="2026-01-07T18:00:00+00:00")
    ends = compare_ends(
        SourcedCalibration(calibration=calibrated),
        SourcedCalibration(calibration=other),
        takes,
        viewing=VIEWING,
    )
    assert not ends.apart
    found = day_geometry(takes, calibration=calibrated)
    uses = calibration_uses(found, takes, tolerance_mm=0.1, ends=ends)
    assert {one.use for one in uses} == {"start"}


def test_eyes_bound_the_baseline():
    """A baseline longer by 2 %: far inside the spread of adults, seen from take to take by one performer's own eyes."""
    rig = pair()
    usual = usual_eye_distance()
    # Handbook 1.1: means 64.02 and 61.71 mm, spreads 3.42 and 3.62 mm, 3.3 mm less when fixating at 200 mm.
    assert usual.value == pytest.approx((64.02 + 61.71) / 2 - 3.3 / 2)
    assert usual.sigma == pytest.approx(3.8, abs=0.2)
    rng = np.random.default_rng([126, 0])
    eyes = np.array([[-30.5, -20.0, 205.0], [30.5, -20.0, 205.0]])
    pose, lengths = rig.camera2_from_camera1, []
    for take in range(12):
        scale = 1.02 if take >= 6 else 1.0
        true = RigidTransform(rotation=pose.rotation, translation_mm=pose.translation_mm * scale)
        first = project(eyes, intrinsics_vector(rig.camera1), "brown") + rng.normal(0, 0.3, (2, 2))
        second = project(true.apply(eyes), intrinsics_vector(rig.camera2), "brown") + rng.normal(
            0, 0.3, (2, 2)
        )
        lengths.append(eye_distance(first, second, rig, sigma_px=0.3))
    assert lengths[0].value == pytest.approx(61.0, abs=4 * lengths[0].sigma)
    found = baseline_from_eyes(lengths, pupils=True)
    assert found.behaviour.kind == "step"
    assert found.behaviour.steps[0].last_before == 5
    assert abs(found.population.value - 1.0) < 2 * found.population.sigma
    assert 0.05 < found.population.sigma < 0.07  # 3.8 of 61 mm
    assert baseline_from_eyes(lengths, pupils=False).population.value is None
    none = Estimate(value=None, unit="mm", reason="eyes shut")
    assert baseline_from_eyes([none], pupils=True).own[0].reason


def test_a_take_of_bad_matches_does_not_spoil_the_day(pool):
    """One take's estimate far off, and its own large uncertainty says so; a knock comes right after it."""
    takes, _ = drawn_day(pool, 7000, stepped(N, 9, 6 * np.array(STEPS["convergence"])))
    bad = replace(
        takes[8],
        change=np.array([1.2, -0.04, -0.04, 0.45, -0.17]),
        smooth=takes[8].smooth * 200.0,
        smooth_px=takes[8].smooth_px * 200.0**0.5,
    )
    found = day_geometry([*takes[:8], bad, *takes[9:]])
    assert [event.kind for event in found.events] == ["step"]
    assert found.events[0].first in (8, 9)  # the bad take tells nothing of which side it is on
    assert found.events[0].change[0] == pytest.approx(0.6, abs=0.05)
