"""From rendered pictures to a calibration: what is estimated is what was rendered, within what it claims."""

import numpy as np
import pytest

from rigcheck.calibration import CameraSetup, calibration_run, solve
from rigcheck.demo import calibration_shoot, compare_with_truth, render_view
from rigcheck.model import FrameRef, Observation
from rigcheck.records import make_provenance
from rigcheck.target import detect_board

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def shoot():
    return calibration_shoot(8, seconds=14.0)


@pytest.fixture(scope="module")
def calibration(shoot):
    """Solved from one picture pair a rest."""
    views = []
    for station in shoot.motion.stations:
        frame_idx = min(int((station.arrive_s + 0.12) * shoot.frame_rate), shoot.n_frames - 1)
        sides = []
        for number in (1, 2):
            camera = shoot.camera(number)
            picture = render_view(
                camera,
                shoot.exposure(number, frame_idx),
                board=shoot.board,
                options=shoot.options(number),
                rng=np.random.default_rng([405, number, frame_idx]),
            )
            ref = FrameRef(camera=camera.name, frame_idx=frame_idx, origin="rendered")
            seen = detect_board(picture, shoot.day.board, ref)
            sides.append(seen if isinstance(seen, Observation) else None)
        if any(side is not None for side in sides):
            views.append(tuple(sides))
    setups = [
        CameraSetup(name=shoot.camera(n).name, image_size_px=shoot.camera(n).image_size_px) for n in (1, 2)
    ]
    solution = solve(views, shoot.day.board, setups)
    provenance = make_provenance("calibrate", inputs={}, options={})
    return calibration_run(solution, provenance=provenance, working_distance_mm=195.0).calibration


def test_every_row_is_within_its_claim(shoot, calibration):
    rows = compare_with_truth(calibration, shoot.day.truth)
    for row in rows:
        if row.sigma is not None:
            assert abs(row.error_in_sigmas) < 4.5, row  # fifteen correlated rows, one seed: 4 sigmas and some
    harm = {row.name: row.estimate for row in rows}
    assert harm["upper mapping, RMS"] < 0.05  # a few hundredths of a pixel: corners of 0.01 px, fifteen views
    assert harm["lower mapping, RMS"] < 0.05
    assert harm["face depth, RMS"] < 0.15  # the calipers alone make it 0.04 mm


def test_the_rows_tell_another_rig_apart(calibration):
    other = calibration_shoot(9, seconds=1.0).day.truth
    worst = max(abs(row.error_in_sigmas or 0.0) for row in compare_with_truth(calibration, other))
    assert worst > 20
