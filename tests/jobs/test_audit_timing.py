"""When a take's pictures were recorded: rate, dropped and repeated pictures, and the time between the cameras."""

from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
from audit_footage import SIZE_PX, rig

from rigcheck.checks import Limits, effective_limits
from rigcheck.checks.audit import take_status
from rigcheck.demo.camera import project_points
from rigcheck.demo.encoding import ClipWriter
from rigcheck.jobs.audit import AuditInputs, audit
from rigcheck.jobs.audit_sampling import RUN, Samples, half_size
from rigcheck.jobs.audit_timing import time_offset_of_take
from rigcheck.model import Frame, FrameRef, PatchMatches

RATE = 60
RUNS = 8


def clip(path, rate, seed, shape=(96, 128)):
    """A dozen pictures of a drifting pattern."""
    rng = np.random.default_rng([94, seed])
    pattern = rng.integers(30, 220, shape).astype(np.uint8)
    with ClipWriter(path, size_px=shape[::-1], frame_rate=rate, quality=18) as writer:
        for k in range(12):
            writer.add(np.roll(pattern, k, axis=1))


def test_a_take_of_another_rate_or_size_is_named(tmp_path):
    rates = {"a": Fraction(60), "b": Fraction(60), "c": Fraction(60000, 1001), "d": Fraction(60)}
    for number, (name, rate) in enumerate(rates.items()):
        (tmp_path / "takes" / name).mkdir(parents=True)
        shape = (128, 128) if name == "d" else (96, 128)
        clip(tmp_path / "takes" / name / "front.mp4", rate, number, shape)
    result = audit(tmp_path / "takes", given=AuditInputs(workers=1))
    found = next(one for one in result.report.checks if one.code == "AUD20")
    assert found.status == "fail"
    assert "2 of 4 takes: c, d" in found.message
    limits = Limits(effective_limits())
    assert take_status(result.run, result.run.records[2], limits) == "fail"
    assert result.run.records[2].settings["front"] == "128 × 96 px, 59.9401 frames/s, 8 bit"
    # One camera and no calibration: nothing is said of the geometry, the rest is judged.
    assert {one.status for one in result.report.checks if one.code in ("AUD04", "AUD05", "AUD07")} == {
        "skipped"
    }


def scene_frame(k, camera, offset_s, points, speed_mm_s):
    """Blobs at points that move across; camera 2 sees them later by the offset."""
    pair = rig()
    time_s = k / RATE + (offset_s if camera else 0.0)
    # To and fro, so that each run has a speed of its own and nothing leaves the picture.
    shift = speed_mm_s * 0.05 * np.sin(time_s / 0.05)
    moved = points + np.array([shift, 0.0, 0.0])
    places = project_points(pair.cameras[camera], pair.camera_from_rig[camera].apply(moved))
    width, height = SIZE_PX
    picture = np.full((height, width), 40.0)
    for x, y in places:
        x0, y0 = int(x) - 8, int(y) - 8
        if not (x0 >= 0 and x0 + 17 < width and y0 >= 0 and y0 + 17 < height):
            continue
        u, v = np.arange(x0, x0 + 17) - x, np.arange(y0, y0 + 17) - y
        blob = 160 * np.exp(-(u[None, :] ** 2 + v[:, None] ** 2) / (2 * 2.2**2))
        picture[y0 : y0 + 17, x0 : x0 + 17] += blob
    ref = FrameRef(camera=pair.cameras[camera].name, frame_idx=k, origin="x", time_s=k / RATE)
    return Frame(ref=ref, image=np.clip(np.rint(picture), 0, 255).astype(np.uint8)), places


@pytest.mark.parametrize(("offset_s", "speed_mm_s"), [(0.0015, 120.0), (0.0, 0.0)])
def test_time_between_the_cameras_from_what_moves_across(offset_s, speed_mm_s):
    rng = np.random.default_rng([96, 1])
    grid = np.stack(np.meshgrid(np.linspace(-35, 35, 8), np.linspace(-45, 45, 9)), axis=-1).reshape(-1, 2)
    depth = 205.0 + rng.uniform(-15, 15, len(grid))
    points = np.column_stack([grid + rng.uniform(-1.5, 1.5, grid.shape), depth])
    positions = tuple(17 * k for k in range(RUNS))

    matches, runs = [], []
    for k in positions:
        row = [
            [scene_frame(k + step, c, offset_s, points, speed_mm_s)[0] for c in (0, 1)] for step in range(RUN)
        ]
        runs.append(tuple(tuple(half_size(frame.image) for frame in moment) for moment in row))
        sides = [scene_frame(k, camera, offset_s, points, speed_mm_s)[1] for camera in (0, 1)]
        n = len(points)
        matches.append(
            PatchMatches(
                points1_px=sides[0],
                points2_px=sides[1] + rng.normal(0, 0.03, (n, 2)),
                covariance_px2=np.broadcast_to(0.03**2 * np.eye(2), (n, 2, 2)),
                slope=np.broadcast_to(np.eye(2), (n, 2, 2)),
                score=np.ones(n),
                contrast_dn=np.full(n, 30.0),
                noise_dn=np.ones(n),
            )
        )
    info = SimpleNamespace(info=SimpleNamespace(frame_rate=Fraction(RATE)))
    footage = SimpleNamespace(clips=(info, info), pairing=SimpleNamespace(n_pairs=positions[-1] + 10))
    samples = Samples(
        moments=tuple(() for _ in positions), positions=positions, looked=RUNS, runs=tuple(runs)
    )
    found = time_offset_of_take(footage, samples, matches, rig().stereo)
    if speed_mm_s == 0.0:
        assert found.value is None
        assert "hardly moved" in found.reason
    else:
        assert found.value == pytest.approx(
            1e3 * offset_s, abs=4 * found.sigma + 0.05
        )  # ms; flow's own error
        assert found.sigma < 0.5
