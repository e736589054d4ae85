"""The residual pattern over the picture: seen when the lens model does not fit, where, and not otherwise."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic import BOARD, Noise, observe_pair, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, solve
from rigcheck.calibration.blind_pattern import ResidualPattern, pattern_measurements, residual_pattern
from rigcheck.calibration.blind_residuals import fit_residuals, root_of_excess
from rigcheck.demo import depth_error_mm
from rigcheck.model import RigidTransform, StereoRig

RIG = reference_rig()
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (RIG.camera1, RIG.camera2)]


def pairs_of(seed, *, noise=None, n_views=16):
    return observe_pair(
        RIG, np.random.default_rng([54, seed]), n_views=n_views, noise=noise or Noise(sigma_px=0.05)
    )


def solved(views, lens="brown4"):
    return solve(views, BOARD, SETUPS[: len(views[0])], lenses=[LENSES[lens]])


def dented(side, *, at, size_px=0.25):
    """A residual of the same direction in every view, within 150 px of a place: a smear on the lens, say."""
    near = np.exp(-0.5 * ((side.corners_px - at) ** 2).sum(1) / 75.0**2)
    return replace(side, corners_px=side.corners_px + size_px * near[:, None] * np.array([1.0, 0.0]))


def test_decentring_left_out_makes_a_pattern():
    """Terms of 5e-4 left out: 0.1 mm of harm, RMS 0.08 px; with the right model nothing is left."""
    views = pairs_of(0)
    missing, right = (pattern_measurements(solved(views, lens)) for lens in ("brown2", "brown4"))
    for name in ("upper", "lower"):
        found = missing[f"{name}.pattern_px"]
        assert found.value + 2 * found.sigma > 0.02
        ratio = missing[f"{name}.pattern_ratio"]
        assert ratio.value - 3 * ratio.sigma > 1.0
        found = right[f"{name}.pattern_px"]
        assert found.value + 2 * found.sigma < 0.02


def test_the_limit_is_the_harm_limit():
    """As its source quotes: left out, they leave 0.025 px and move the face by 0.11 mm (sd 0.02 mm)."""
    found = [solved(pairs_of(20 + seed), "brown2") for seed in range(4)]
    left = np.mean([pattern_measurements(one)["lower.pattern_px"].value for one in found])
    assert left == pytest.approx(0.025, abs=0.005)  # runs spread by 0.0025
    harm = np.mean([depth_error_mm(rig_of(one), RIG, working_distance_mm=195.0) for one in found])
    assert harm == pytest.approx(0.11, abs=0.03)


def rig_of(solution):
    state, cameras = solution.adjustment.state, []
    for true, values in zip((RIG.camera1, RIG.camera2), state.intrinsics, strict=True):
        focal, centre, distortion = tuple(values[:2]), tuple(values[2:4]), tuple(values[5:9])
        cameras.append(replace(true, focal_px=focal, principal_point_px=centre, distortion=distortion))
    pose = RigidTransform(rotation=state.rotation, translation_mm=state.translation)
    return StereoRig(camera1=cameras[0], camera2=cameras[1], camera2_from_camera1=pose)


def test_says_where():
    at = np.array([800.0, 900.0])
    views = [
        tuple(side and (dented(side, at=at) if side.ref.camera == "upper" else side) for side in pair)
        for pair in pairs_of(1)
    ]
    found = pattern_measurements(solved(views))
    x, y = found["upper.pattern_worst_x_px"].value, found["upper.pattern_worst_y_px"].value
    assert np.hypot(x - at[0], y - at[1]) < 180.0  # the middle of a neighbouring cell of 180 px at most
    length = found["upper.pattern_worst_px"]
    # Its sigma holds the dent's own coming and going: each view's pose swallows another part of it.
    assert length.value > 2.5 * length.sigma
    assert found["upper.pattern_px"].value > 2 * found["lower.pattern_px"].value


def test_errors_alike_within_a_view_are_no_pattern():
    """Each view's own smooth error is large, but another in every view: nothing that a lens would do."""
    ratios = []
    for seed in range(6):
        views = pairs_of(10 + seed, noise=Noise(sigma_px=0.05, smooth_px=0.05))
        ratios.append(pattern_measurements(solved(views))["upper.pattern_ratio"].value)
    assert np.mean(ratios) < 1.3  # spread of one 0.15-0.2, of six 0.07
    assert max(ratios) < 1.6


def test_noise_alone_gives_one_and_its_sigma_holds():
    """30 single cameras, 12 views: mean ratio 1, spread as stated (sd of a spread of 30: 13 %)."""
    found = [
        pattern_measurements(solved([pair[:1] for pair in pairs_of(100 + seed, n_views=12)]))
        for seed in range(30)
    ]
    ratios = np.array([each["upper.pattern_ratio"].value for each in found])
    stated = np.mean([each["upper.pattern_ratio"].sigma for each in found])
    assert ratios.mean() == pytest.approx(1.0, abs=0.08)  # 0.13 over root 30 is 0.02; a root leans below 1
    assert ratios.std() == pytest.approx(stated, rel=0.4)


def test_pattern_for_drawing():
    found = residual_pattern(solved(pairs_of(0)), 0)
    assert isinstance(found, ResidualPattern)
    n = len(found.centres_px)
    assert found.means_px.shape == (n, 2)
    assert found.sigmas_px.shape == found.corners.shape == (n,)
    assert (found.sigmas_px > 0).all()
    width, height = RIG.camera1.image_size_px
    assert ((found.centres_px > 0) & (found.centres_px < np.array([width, height]))).all()


def test_too_few_views_give_a_reason():
    found = pattern_measurements(solved([pair[:1] for pair in pairs_of(2, n_views=3)], "brown2"))
    assert found["upper.pattern_px"].value is None
    assert "seen in 4 views" in found["upper.pattern_px"].reason


def test_leverage_counts_the_unknowns():
    """Degrees of freedom add up to coordinates less unknowns (Cook & Weisberg 1982, trace of the hat matrix)."""
    solution = solved(pairs_of(3))
    residuals = fit_residuals(solution)
    unknowns = solution.adjustment.layout.size + 6 * len(solution.views)
    assert residuals.freedom.sum() == pytest.approx(2 * residuals.n - unknowns, abs=1e-6)  # round-off
    assert (residuals.freedom > 0).all()
    rng = np.random.default_rng([54, 1000])
    explained = solution.adjustment.prediction.by_shared[residuals.rows] @ rng.normal(
        size=solution.adjustment.layout.size
    )
    whitened = explained[:, :, None] * residuals.inverse_sigma[:, None, None]
    left = residuals.unexplained(whitened)
    assert np.abs(left).max() < 1e-6 * np.abs(whitened).max()  # what the unknowns explain, nothing is left of


@pytest.mark.parametrize(
    ("square", "noise", "spread", "value", "sigma"),
    [(4.0, 0.0, 0.4, 2.0, 0.1), (1.0, 1.0, 0.04, 0.0, 0.1), (0.5, 1.0, 0.04, 0.0, 0.1), (1, 1, 0, 0, 0)],
)
def test_root_of_excess(square, noise, spread, value, sigma):
    """By hand: half the spread over the value, or over the root of the spread where that is larger."""
    assert root_of_excess(square, noise, spread) == pytest.approx((value, sigma))
