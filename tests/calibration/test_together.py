"""Cameras that fit alone and not together: pictures paired wrongly are seen, and the right shift is named."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic import BOARD, Noise, observe_pair, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.calibration.together import refusal_of_pair, together_measurements
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, run_checks
from rigcheck.model import Provenance

RIG = reference_rig()
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (RIG.camera1, RIG.camera2)]
PROVENANCE = Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate")


def stills(seed, n_views=14):
    return observe_pair(RIG, np.random.default_rng([72, seed]), n_views=n_views, noise=Noise(sigma_px=0.05))


def numbered(side, frame_idx):
    return side and replace(side, ref=replace(side.ref, frame_idx=frame_idx))


def paired(pairs, partner):
    """Picture k of camera 1 with picture `partner(k)` of camera 2, where there is one."""
    out = []
    for k in range(len(pairs)):
        j = partner(k)
        if 0 <= j < len(pairs):
            view = numbered(pairs[k][0], k), numbered(pairs[j][1], j)
            out += [view] if any(side is not None for side in view) else []
    return out


def solved(views):
    return solve(views, BOARD, SETUPS, lenses=[LENSES["brown4"]])


def checked(solution):
    run = calibration_run(solution, provenance=PROVENANCE)
    return {r.code: r for r in run_checks(CALIBRATION_CHECKS, run, Limits(effective_limits()))}


def test_right_pairs_fit_together_as_well_as_alone():
    solution = solved(stills(0))
    found = together_measurements(solution)
    assert found["stereo.together_ratio"].value == pytest.approx(
        1.0, abs=0.1
    )  # 2000 corners: 2 %; shape shared
    assert found["stereo.better_shift"].value == 0
    assert "stereo.better_offset_frames" not in found
    assert checked(solution)["CAL51"].status == "pass"


def test_stills_paired_wrongly_are_named_with_the_offset_that_mends_it():
    pairs = stills(1)
    checks = checked(solved(paired(pairs, lambda k: k + 1)))
    assert checks["CAL51"].status == "fail"
    assert "The pairing is wrong" in checks["CAL51"].message
    assert "1 picture before the one it is paired with" in checks["CAL51"].message
    assert "--offset-frames 0." in checks["CAL51"].action
    assert checks["CAL02"].status == "skipped"
    assert "CAL51" in checks["CAL02"].message


def test_a_solution_that_reaches_no_face_says_why():
    """Paired two pictures wrongly; the joint fit ends where the cameras' rays never meet."""
    solution = solved(paired(stills(1), lambda k: k - 2))
    error = refusal_of_pair(solution)
    assert "each alone fits to 0.05 px" in error.message
    assert "upper and lower" in error.message
    assert "--offset-frames 0 " in error.hint


def test_pictures_in_no_order_are_told_to_be_paired_wrongly():
    pairs, order = stills(2), np.random.default_rng([73, 0]).permutation(14)
    checks = checked(solved(paired(pairs, lambda k: int(order[k]))))
    assert checks["CAL51"].status == "fail"
    assert "Check the pairing first" in checks["CAL51"].action


def test_one_camera_has_nothing_to_fit_together():
    solution = solve([view[:1] for view in stills(3, 8)], BOARD, SETUPS[:1], lenses=[LENSES["brown4"]])
    assert together_measurements(solution) == {}


def test_pairs_without_neighbours_do_not_tell_a_shift():
    pairs = [tuple(numbered(side, 40 * k) for side in pair) for k, pair in enumerate(stills(4, 10))]
    found = together_measurements(solved(pairs))["stereo.better_shift"]
    assert found.value is None
    assert "neighbouring pictures" in found.reason
