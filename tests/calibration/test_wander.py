"""A picture that wanders over its sensor: planted, found, told from what looks alike; rigid cameras pass."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic import BOARD, Noise, observe_pair, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.calibration.wander import wander_measurements
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, run_checks
from rigcheck.model import Provenance

RIG = reference_rig()
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (RIG.camera1, RIG.camera2)]
PROVENANCE = Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate")


def filmed(seed, *, wander_px=(0.0, 0.0), n_views=12, smooth_px=0.0):
    """Views of a still board; each camera's picture cut out of the sensor's elsewhere in every view."""
    rng = np.random.default_rng([71, seed])
    noise = Noise(sigma_px=0.05, smooth_px=smooth_px)
    out = []
    for pair in observe_pair(RIG, rng, n_views=n_views, noise=noise):
        shifts = [rng.normal(0, px, 2) for px in wander_px]
        out.append(
            tuple(
                side and replace(side, corners_px=side.corners_px + shift)
                for side, shift in zip(pair, shifts, strict=True)
            )
        )
    return out


def solved(views, cameras=2):
    return solve([v[:cameras] for v in views], BOARD, SETUPS[:cameras], lenses=[LENSES["brown4"]])


def checked(solution):
    run = calibration_run(solution, provenance=PROVENANCE)
    return {r.code: r for r in run_checks(CALIBRATION_CHECKS, run, Limits(effective_limits()))}


@pytest.mark.parametrize("cameras", [1, 2])
def test_stabilisation_is_found_measured_and_named(cameras):
    """6 px of electronic stabilisation; RMS of one camera alone stays small, since poses take it up."""
    views = filmed(1, wander_px=(6.0, 6.0))
    solution = solved(views, cameras)
    found = wander_measurements(solution)
    for setup in solution.setups:
        wander = found[f"{setup.name}.wander_px"]
        assert wander.value == pytest.approx(6.0, rel=0.35)  # the spread of 12 draws alone is 15 %
        assert wander.value > 3 * wander.sigma
        assert found[f"{setup.name}.wander_ratio"].value > 3
        assert found[f"{setup.name}.wander_share"].value > 0.4
    check = checked(solution)["CAL50"]
    assert check.status == "fail"
    assert "stabilisation" in check.action
    if cameras == 1:
        assert checked(solution)["CAL03"].status == "pass"  # what RMS cannot see


def test_the_camera_that_wanders_is_named():
    check = checked(solved(filmed(2, wander_px=(0.0, 8.0))))["CAL50"]
    assert check.status == "fail"
    assert "in lower" in check.action


def test_a_bending_board_is_told_apart():
    """Corner errors of 0.15 px smooth over each view, as a plate that flexes gives: a small share goes with shifts."""
    found = wander_measurements(solved(filmed(3, smooth_px=0.15)))
    assert max(found[f"{name}.wander_share"].value for name in ("upper", "lower")) < 0.3


def test_rigid_cameras_pass():
    """16 calibrations: the ratio to noise is fair, and nothing is flagged."""
    ratios = []
    for seed in range(16):
        found = wander_measurements(solved(filmed(100 + seed, n_views=10), cameras=1))["upper.wander_ratio"]
        ratios.append(found.value)
        assert found.value - 3 * found.sigma <= 1
    # Root mean square of 16 ratios with 18 degrees of freedom each: 1 within 3 of its sigmas of 0.042.
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.126)


def test_too_few_views_say_so():
    found = wander_measurements(solved(filmed(4, n_views=4)))
    assert found["upper.wander_px"].value is None
    assert "5 are needed" in found["upper.wander_px"].reason
