"""Boards that are not flat: seen, told in millimetres, and kept out of the baseline."""

import cv2
import numpy as np
import pytest
from synthetic import BOARD, Noise, board_poses, observe, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.calibration.quantities import quantities
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, run_checks
from rigcheck.model import Provenance, RigidTransform

RIG = reference_rig()
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (RIG.camera1, RIG.camera2)]
PROVENANCE = Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate")

# u, v run from -1 to 1 over the board; bow is the height of the middle of a long edge over the centre.
SHAPES = {
    "bow": lambda u, v: u**2 + v**2,
    "cylinder": lambda u, v: u**2,
    "saddle": lambda u, v: u * v,
    "fold": lambda u, v: np.abs(v),
    "dent": lambda u, v: np.exp(-(((u - 0.5) / 0.6) ** 2) - ((v + 0.4) / 0.6) ** 2),
}


def pairs_of(shape, height_mm, rng, *, n_views=24, sigma=0.05):
    corners = BOARD.corners_mm.copy()
    half = np.array([40.5, 54.0])
    u, v = ((corners[:, :2] - half) / half).T
    corners[:, 2] = height_mm * SHAPES[shape](u, v) if shape else 0.0
    noise, pose2, pairs = Noise(sigma_px=sigma), RIG.camera2_from_camera1, []
    for k, pose in enumerate(board_poses(rng, n_views)):
        second = RigidTransform(
            rotation=pose2.rotation @ pose.rotation, translation_mm=pose2.apply(pose.translation_mm)
        )
        pairs.append(
            (
                observe(RIG.camera1, corners, pose, rng, noise=noise, frame_idx=k),
                observe(RIG.camera2, corners, second, rng, noise=noise, frame_idx=k),
            )
        )
    return pairs


def plain_recipe(pairs):
    """Both cameras by calibrateCamera, then stereoCalibrate with intrinsics fixed: baseline, mm."""
    flags, per_camera = cv2.CALIB_FIX_K3, []
    for camera in (0, 1):
        seen = [pair[camera] for pair in pairs if pair[camera] is not None]
        objects = [BOARD.corners_mm[one.corner_ids].astype(np.float32) for one in seen]
        images = [one.corners_px.astype(np.float32).reshape(-1, 1, 2) for one in seen]
        per_camera.append(
            cv2.calibrateCamera(objects, images, RIG.camera1.image_size_px, None, None, flags=flags)
        )
    objects, first, second = [], [], []
    for a, b in pairs:
        if a is None or b is None:
            continue
        ids, i, j = np.intersect1d(a.corner_ids, b.corner_ids, return_indices=True)
        objects.append(BOARD.corners_mm[ids].astype(np.float32))
        first.append(a.corners_px[i].astype(np.float32).reshape(-1, 1, 2))
        second.append(b.corners_px[j].astype(np.float32).reshape(-1, 1, 2))
    (_, k1, d1, *_), (_, k2, d2, *_) = per_camera
    found = cv2.stereoCalibrate(
        objects, first, second, k1, d1, k2, d2, RIG.camera1.image_size_px, flags=cv2.CALIB_FIX_INTRINSIC
    )
    return float(np.linalg.norm(found[6]))


def solved(pairs):
    return solve(pairs, BOARD, SETUPS, lenses=[LENSES["brown4"]])


def flatness_check(solution):
    run = calibration_run(solution, provenance=PROVENANCE)
    results = run_checks(CALIBRATION_CHECKS, run, Limits(effective_limits({}, origin="default")))
    return {check.code: check for check in results}


def test_a_bow_is_told_and_kept_out_of_the_baseline(rng):
    """0.15 mm: RMS passes, flagged; baseline within 0.012 mm and ten times nearer than the recipe."""
    errors, recipe, bows = [], [], []
    for trial in range(6):
        pairs = pairs_of("bow", 0.15, rng(61, trial))
        solution = solved(pairs)
        numbers = quantities(solution)
        errors.append(numbers["stereo.baseline_mm"].value - RIG.baseline_mm)
        recipe.append(plain_recipe(pairs) - RIG.baseline_mm)
        bow = numbers["board.bow_mm"]
        bows.append((bow.value - 0.15) / bow.sigma(solution))
    assert np.abs(errors).max() < 0.012
    assert np.abs(np.mean(recipe)) > 0.05  # handbook 11: 0.10-0.20 mm with its poses
    assert np.sqrt(np.mean(np.square(errors))) * 10 < np.sqrt(np.mean(np.square(recipe)))
    assert np.abs(bows).max() < 4
    checks = flatness_check(solution)
    assert checks["CAL12"].status == "caution"
    assert checks["CAL03"].status == "pass"  # what RMS cannot see


@pytest.mark.parametrize("shape", ["saddle", "cylinder", "fold", "dent"])
def test_other_shapes_are_kept_out_of_the_baseline(shape, rng):
    errors = []
    for trial in range(4):
        solution = solved(pairs_of(shape, 0.15, rng(62, trial)))
        errors.append(quantities(solution)["stereo.baseline_mm"].value - RIG.baseline_mm)
    assert np.abs(errors).max() < 0.012


def test_a_small_bow_is_seen_at_five_sigma(rng):
    solution = solved(pairs_of("bow", 0.02, rng(63, 0)))
    bow = quantities(solution)["board.bow_mm"]
    assert bow.value > 5 * bow.sigma(solution)
    assert bow.value == pytest.approx(0.02, abs=4 * bow.sigma(solution))


def test_taking_the_board_as_flat_misses_it(rng):
    """Planted fault: without the shape terms the same footage gives a wrong baseline and no word of it."""
    solution = solve(
        pairs_of("bow", 0.15, rng(61, 0)), BOARD, SETUPS, lenses=[LENSES["brown4"]], flat_board=True
    )
    assert abs(quantities(solution)["stereo.baseline_mm"].value - RIG.baseline_mm) > 0.03
    assert flatness_check(solution)["CAL12"].status == "skipped"


def test_shape_terms_cost_a_flat_board_little(rng):
    """Handbook 11: about 1 % of the baseline's sigma at 24 pairs, 3-4 % at 6; poses here are others."""
    for n_views, most in ((24, 1.06), (6, 1.15)):
        pairs = pairs_of(None, 0.0, rng(64, n_views), n_views=n_views)
        free, flat = solved(pairs), solve(pairs, BOARD, SETUPS, lenses=[LENSES["brown4"]], flat_board=True)
        ratio = [
            np.sqrt(q.gradient @ one.covariance.independent @ q.gradient)
            for one in (free, flat)
            for q in [quantities(one)["stereo.baseline_mm"]]
        ]
        assert 0.95 < ratio[0] / ratio[1] < most


@pytest.mark.slow
@pytest.mark.xdist_group("statistics")
def test_flat_boards_are_hardly_ever_flagged(rng):
    flagged = further = 0
    for trial in range(200):
        solution = solved(pairs_of(None, 0.0, rng(65, trial), n_views=8))
        numbers = quantities(solution)
        heights = [numbers[f"board.{name}_mm"] for name in ("bow", "bow_short", "saddle")]
        worst = max(heights, key=lambda q: abs(q.value))
        flagged += abs(worst.value) + 2 * worst.sigma(solution) > 0.05
        further += len(solution.terms) > 3
    assert flagged <= 2
    assert further <= 2
