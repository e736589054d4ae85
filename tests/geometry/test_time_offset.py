"""Time between cameras: planted offsets found, with an honest sigma, and nothing else taken for one."""

import dataclasses

import cv2
import numpy as np
import pytest
from hand_motion import corners_at, straight, wave
from synthetic import BOARD, reference_rig, rodrigues

from rigcheck.geometry.pair import sampson_distance_px
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.geometry.time_offset import PairedRuns, StereoGeometry, time_offset
from rigcheck.model import CameraModel, RigidTransform, StereoRig

RIG = reference_rig()
SECONDS = 10.0


def filmed(
    motion, rng, *, offset_s, n_runs=100, length=3, rate_hz=60.0, noise_px=0.07, rig=RIG, smooth_px=0.0
):
    """Runs of pictures spread over ten seconds; camera 2 takes each of its own `offset_s` later."""
    shape = (n_runs, length, len(BOARD.corners_mm))
    pixels = [np.full((*shape, 2), np.nan) for _ in range(2)]
    for number, start in enumerate(np.round(np.linspace(0, SECONDS * rate_hz - length - 6, n_runs))):
        for k in range(length):
            for camera in range(2):
                time_s = (start + k) / rate_hz + offset_s * camera
                seen = corners_at(rig, motion, camera, time_s)
                x, y = ((seen - np.array([540.0, 720.0])) / 1440.0).T
                bend = np.stack([np.ones_like(x), 2 * x, 2 * y, 4 * x * y, 4 * x * x, 4 * y * y], axis=1)
                seen = seen + rng.normal(0, noise_px, seen.shape)
                pixels[camera][number, k] = seen + bend @ rng.normal(0, 1, (6, 2)) * smooth_px
    sigma = np.full(shape, max(noise_px, 1e-3))
    return PairedRuns(
        pixels1=pixels[0], pixels2=pixels[1], sigma1_px=sigma, sigma2_px=sigma, period_s=1.0 / rate_hz
    )


def geometry_of(rig, *, turn_deg=(0.0, 0.0, 0.0)):
    return StereoGeometry(
        intrinsics=(intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
        models=(rig.camera1.model, rig.camera2.model),
        rotation=rodrigues(np.radians(turn_deg)) @ rig.camera2_from_camera1.rotation,
        translation=rig.camera2_from_camera1.translation_mm,
    )


def as_paired_s(found, rate_hz=60.0):
    """Offset of the pairs as given: a picture that must move on by one is now too early by a period."""
    return found.offset_s - found.shift_frames / rate_hz


def tolerance_s(offset_s):
    return 0.05e-3 + 0.03 * abs(offset_s)  # what is asked of the measurement


# Handbook of the field, strongest tests, no. 9: the slope over speed is the time offset.
@pytest.mark.parametrize("offset_ms", [0.0, 0.1, -0.1, 0.5, -0.5, 2.0, -2.0])
@pytest.mark.parametrize(("speed_mm_s", "noise_px"), [(20.0, 0.1), (200.0, 0.05)])
def test_slope_over_speed_is_the_time_offset(offset_ms, speed_mm_s, noise_px):
    rng = np.random.default_rng([61, int(10 * abs(offset_ms)), int(speed_mm_s)])
    runs = filmed(wave(rng, speed_mm_s), rng, offset_s=offset_ms / 1e3, noise_px=noise_px)
    found = time_offset(runs, geometry_of(RIG))
    assert found.shift_frames == 0
    assert found.offset_s == pytest.approx(offset_ms / 1e3, abs=tolerance_s(offset_ms / 1e3))
    assert found.n_pairs > 80
    # Handbook of the field, what is attainable: 0.007 to 0.014 ms; twice that for slow and noisy footage.
    assert found.sigma_s < 0.028e-3


@pytest.mark.parametrize("frames", [0.5, -0.5, 1.0, -1.0, 1.3, -1.7, 2.0, -3.0, 3.0])
@pytest.mark.parametrize("speed_mm_s", [20.0, 150.0])
def test_whole_frames_come_first(frames, speed_mm_s):
    rng = np.random.default_rng([62, int(10 * abs(frames)), int(speed_mm_s)])
    runs = filmed(wave(rng, speed_mm_s), rng, offset_s=frames / 60, n_runs=24, length=8)
    found = time_offset(runs, geometry_of(RIG))
    assert as_paired_s(found) == pytest.approx(frames / 60, abs=tolerance_s(found.offset_s))
    assert abs(found.offset_s) <= 0.51 / 60  # half a frame, and what noise adds
    if abs(frames) == 0.5:
        assert found.shift_frames == 0  # as good as any: leave the pairing alone
    else:
        assert found.shift_frames == -round(frames)
        least = min(found.shift_residuals_px, key=found.shift_residuals_px.get)
        assert abs(least - found.shift_frames) <= 1


def test_more_frames_than_looked_for_are_not_made_up():
    rng = np.random.default_rng([63, 0])
    runs = filmed(wave(rng, 100.0), rng, offset_s=4 / 60, n_runs=24, length=5)
    found = time_offset(runs, geometry_of(RIG))
    assert set(found.shift_residuals_px) == {-2, -1, 0, 1, 2}
    # The shift at the end of those looked for, and a rest of more than half a frame that says so.
    assert found.shift_frames == -2
    assert found.offset_s > 0.5 / 60


def z_scores(n, *, offset_s, **how):
    scores = []
    for k in range(n):
        rng = np.random.default_rng([64, k])
        runs = filmed(wave(rng, rng.uniform(20, 200)), rng, offset_s=offset_s, **how)
        found = time_offset(runs, geometry_of(RIG), max_shift_frames=0)
        scores.append((found.offset_s - offset_s) / found.sigma_s)
    return np.array(scores)


@pytest.mark.slow
def test_sigma_is_honest_and_nothing_is_found_where_nothing_is():
    scores = z_scores(100, offset_s=0.0)
    assert scores.std() == pytest.approx(1.0, abs=0.2)
    assert abs(scores.mean()) < 0.3  # 3 / sqrt(100)


@pytest.mark.slow
def test_sigma_is_honest_when_a_views_corners_share_their_error():
    scores = z_scores(100, offset_s=1e-3, smooth_px=0.05)
    # 1 +- 0.2 and what 100 runs leave to chance of it.
    assert 0.75 < scores.std() < 1.25
    assert abs(scores.mean()) < 0.35


@pytest.mark.parametrize(
    "turn_deg", [(0.0, 0.05, 0.0), (0.05, 0.0, 0.0), (0.0, 0.0, 0.05), (0.02, 0.05, -0.03)]
)
def test_wrong_geometry_is_not_read_as_timing(turn_deg):
    # The pair is stacked: turning about y is across, about x convergence, about z twist.
    rng = np.random.default_rng([65, 0])
    runs = filmed(wave(rng, 60.0), rng, offset_s=0.4e-3)
    right, wrong = (time_offset(runs, geometry_of(RIG, turn_deg=turn)) for turn in ((0, 0, 0), turn_deg))
    assert wrong.shift_frames == 0
    assert wrong.offset_s == pytest.approx(0.4e-3, abs=tolerance_s(0.4e-3))
    # The geometry's own part is found beside it: what this turn does to simultaneous views without noise.
    still = filmed(wave(np.random.default_rng([65, 0]), 60.0), rng, offset_s=0.0, noise_px=0.0)
    geometry = geometry_of(RIG, turn_deg=turn_deg)
    p1, p2 = (pixels.reshape(-1, 2) for pixels in (still.pixels1, still.pixels2))
    seen = np.isfinite(p1).all(1) & np.isfinite(p2).all(1)
    distance = sampson_distance_px(
        p1[seen],
        p2[seen],
        geometry.intrinsics,
        geometry.models,
        rotation=geometry.rotation,
        translation=geometry.translation,
    )
    caused_px = np.sqrt((distance**2).mean())
    assert wrong.at_rest_px == pytest.approx(caused_px, rel=0.05)  # leaves out pairs that hardly move
    assert right.at_rest_px < 0.02  # 0.07 px noise over 100 pairs


def test_residual_and_speed_of_the_handbooks_example():
    # Handbook of the field, 2.10: 100 mm/s at 200 mm, f 1300 px, 1 ms: 0.65 px from the epipolar line. The
    # Sampson distance shares it between both pictures: divided by sqrt(2).
    camera = CameraModel(
        name="a",
        image_size_px=(1080, 1440),
        model="brown",
        focal_px=(1300.0, 1300.0),
        principal_point_px=(539.5, 719.5),
    )
    pose = RigidTransform(rotation=np.eye(3), translation_mm=np.array([0.0, -80.0, 0.0]))
    rig = StereoRig(camera1=camera, camera2=camera, camera2_from_camera1=pose)
    rng = np.random.default_rng([66, 0])
    moving = filmed(
        straight([100.0, 0.0, 0.0], around_s=SECONDS / 2),
        rng,
        offset_s=1e-3,
        n_runs=9,
        rate_hz=1000.0,
        noise_px=0.0,
        rig=rig,
    )
    near = slice(4, 5)  # the run in the middle of the picture, nine times over
    moving = dataclasses.replace(
        moving,
        pixels1=np.repeat(moving.pixels1[near], 9, axis=0),
        pixels2=np.repeat(moving.pixels2[near], 9, axis=0),
    )
    found = time_offset(moving, geometry_of(rig))
    assert found.speed_px_s * 1e-3 * np.sqrt(2) == pytest.approx(0.65, abs=0.005)  # two digits given


def test_swapping_the_cameras_turns_the_sign():
    rng = np.random.default_rng([67, 0])
    runs = filmed(wave(rng, 80.0), rng, offset_s=1.2e-3)
    back = RIG.camera2_from_camera1.inverse()
    swapped = time_offset(
        dataclasses.replace(runs, pixels1=runs.pixels2, pixels2=runs.pixels1),
        geometry_of(StereoRig(camera1=RIG.camera2, camera2=RIG.camera1, camera2_from_camera1=back)),
    )
    found = time_offset(runs, geometry_of(RIG))
    assert swapped.offset_s == pytest.approx(-found.offset_s, abs=1e-9)  # the same sums in another order
    assert swapped.sigma_s == pytest.approx(found.sigma_s, rel=1e-3)


def test_a_board_at_rest_gives_no_offset_rather_than_a_small_one():
    rng = np.random.default_rng([68, 0])
    found = time_offset(filmed(straight([0.0, 0.0, 0.0]), rng, offset_s=2e-3), geometry_of(RIG))
    assert not found.speed_is_enough
    assert found.sigma_s == np.inf
    # And one that moves only along the epipolar lines: the pair is stacked, so up and down.
    rng = np.random.default_rng([68, 1])
    along = straight([0.0, 8.0, 0.0], around_s=SECONDS / 2)
    assert not time_offset(filmed(along, rng, offset_s=2e-3), geometry_of(RIG)).speed_is_enough


def test_noise_in_slow_speeds_does_not_pull_towards_zero():
    errors = []
    for k in range(12):
        rng = np.random.default_rng([69, k])
        runs = filmed(wave(rng, 6.0), rng, offset_s=3e-3, rate_hz=240.0, noise_px=0.1)
        found = time_offset(runs, geometry_of(RIG), max_shift_frames=0)
        errors.append((found.offset_s - 3e-3, found.sigma_s))
    error, sigma = np.array(errors).T
    assert abs(error.mean()) < 3 * np.sqrt((sigma**2).sum()) / len(sigma)


def test_wrong_corners_and_a_picture_written_twice_do_little():
    rng = np.random.default_rng([70, 0])
    runs = filmed(wave(rng, 80.0), rng, offset_s=0.5e-3)
    pixels = runs.pixels2.copy()
    bad = rng.uniform(size=pixels.shape[:3]) < 0.03
    pixels[bad] += rng.uniform(-15, 15, (int(bad.sum()), 2))
    pixels[::25, 2] = pixels[::25, 1]
    found = time_offset(dataclasses.replace(runs, pixels2=pixels), geometry_of(RIG))
    assert found.offset_s == pytest.approx(0.5e-3, abs=tolerance_s(0.5e-3))


def test_distance_agrees_with_opencv():
    # One picture's speed is the change of the distance as OpenCV computes it (cv2.sampsonDistance, squared).
    rng = np.random.default_rng([71, 0])
    camera = dataclasses.replace(RIG.camera1, distortion=(), focal_px=(1420.0, 1420.0))
    other = dataclasses.replace(RIG.camera2, distortion=(), focal_px=(1420.0, 1420.0))
    rig = StereoRig(camera1=camera, camera2=other, camera2_from_camera1=RIG.camera2_from_camera1)
    runs = filmed(wave(rng, 100.0), rng, offset_s=2e-3, rig=rig, n_runs=12, noise_px=0.0)
    pose = rig.camera2_from_camera1
    x, y, z = pose.translation_mm
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    f = np.linalg.inv(other.K).T @ cross @ pose.rotation @ np.linalg.inv(camera.K)
    squared = [
        cv2.sampsonDistance(np.array([*a, 1.0]), np.array([*b, 1.0]), f)
        for a, b in zip(runs.pixels1.reshape(-1, 2), runs.pixels2.reshape(-1, 2), strict=True)
        if np.isfinite(a).all() and np.isfinite(b).all()
    ]
    found = time_offset(runs, geometry_of(rig))
    # All residual here is speed times offset.
    assert found.speed_px_s * 2e-3 == pytest.approx(np.sqrt(np.mean(squared)), rel=0.02)  # Simpson's mean
