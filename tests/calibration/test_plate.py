"""A plate that bends from view to view is named; one that is bent the same way in all, or flat, is not."""

import numpy as np
import pytest
from filmed import film, held_poses, true_run
from synthetic import BOARD, SIZE, Noise, board_poses, observe, reference_rig

from rigcheck.calibration.plate import NAMED_FLEX_MM, plate_findings, plate_flex
from rigcheck.calibration.run import calibration_run
from rigcheck.calibration.solve import solve
from rigcheck.demo import board_in_space, bow
from rigcheck.geometry.board_views import CameraSetup
from rigcheck.model import Provenance, RigidTransform

SIZE_MM = (81.0, 108.0)


def solved(flex_mm, seed, *, bow_mm=0.0, noise=None, n_views=18):
    """A pair's calibration from views in each of which the plate has its own bow."""
    rig, rng, views = reference_rig(), np.random.default_rng([81, seed]), []
    for number, pose in enumerate(board_poses(rng, n_views)):
        height = bow_mm + rng.normal(0, flex_mm)
        points = BOARD.corners_mm.copy()
        points[:, 2] = bow(SIZE_MM, height)(points[:, 0], points[:, 1])
        second = RigidTransform(
            rotation=rig.camera2_from_camera1.rotation @ pose.rotation,
            translation_mm=rig.camera2_from_camera1.apply(pose.translation_mm),
        )
        views.append(
            tuple(
                observe(camera, points, at, rng, noise=noise or Noise(sigma_px=0.06), frame_idx=number)
                for camera, at in ((rig.camera1, pose), (rig.camera2, second))
            )
        )
    setups = [CameraSetup(name=name, image_size_px=SIZE) for name in ("upper", "lower")]
    nothing = Provenance(created="", versions={}, inputs_sha256={}, options={}, command="calibrate")
    return calibration_run(solve(views, BOARD, setups), provenance=nothing)


@pytest.mark.slow
@pytest.mark.parametrize("flex_mm", [0.04, 0.1])
def test_flexing_plate_is_named(flex_mm):
    flex = plate_flex(solved(flex_mm, 1))
    assert flex.value == pytest.approx(
        flex_mm, rel=0.4
    )  # sd of 18 draws: 17 %, twice over; poses take a part
    assert [finding.code for finding in plate_findings([], flex)] == ["board_flexing"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("bow_mm", "noise"),
    [
        (0.0, None),
        (0.15, None),
        (0.0, Noise(sigma_px=0.05, smooth_px=0.05)),
        (0.0, Noise(outlier_share=0.03)),
    ],
    ids=["flat", "bent alike", "smooth errors", "outliers"],
)
def test_others_are_not(bow_mm, noise):
    flex = plate_flex(solved(0.0, 2, bow_mm=bow_mm, noise=noise))
    assert flex.value < 0.5 * NAMED_FLEX_MM
    assert plate_findings([], flex) == ()


@pytest.mark.slow
@pytest.mark.parametrize(("flex_mm", "named"), [(0.0, False), (0.1, True)])
def test_rendered_boards(flex_mm, named):
    """Rendered views of one camera at their true poses."""
    rng = np.random.default_rng([82, 0])
    boards = [board_in_space(BOARD, shape=bow(SIZE_MM, rng.normal(0, flex_mm))) for _ in range(8)]
    views = film(held_poses(11, 8, tilt_deg=40.0), board=boards)
    flex = plate_flex(true_run([((view.observation,), view.pose) for view in views]))
    assert bool(plate_findings([], flex)) == named


def test_few_views_tell_nothing():
    view = film(held_poses(11, 1))[0]
    flex = plate_flex(true_run([((view.observation,), view.pose)] * 3))
    assert flex.value is None
    assert "3 views" in flex.reason
    assert plate_findings([], flex) == ()
