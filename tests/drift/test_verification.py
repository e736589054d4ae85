"""Verify: honest where nothing changed, sure where something did, and named as what it is."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, kstest
from synthetic import Noise
from verifying import (
    DISTANCE_MM,
    NOISE,
    SMALL_BOARD,
    TRUE_RIG,
    Changed,
    calibrated,
    drawn,
    pairs_of,
    stored,
)

from rigcheck.checks import Limits, effective_limits
from rigcheck.checks.verification import harm_status
from rigcheck.drift.against_stored import compare_with_stored
from rigcheck.drift.causes import pose_columns
from rigcheck.drift.face_harm import depth_by_change, exact_harm_mm, harm_estimate
from rigcheck.drift.today import fit_today
from rigcheck.drift.verification import verification
from rigcheck.drift.verify_numbers import verify_measurements
from rigcheck.drift.weighing import weigh
from rigcheck.errors import EstimationError
from rigcheck.geometry.rig_change import face_shift

BAND = Limits(effective_limits()).band("harm.depth_mm")
N_LINEAR, N_FITTED = 2000, 150

pytestmark = pytest.mark.xdist_group("verification")


@pytest.fixture(scope="module")
def linear():
    """One design of six pairs: today's information, and the stored covariance."""
    rng = np.random.default_rng([73, 0])
    rig = stored()
    today = fit_today(pairs_of(TRUE_RIG, rng), rig.calibration.board, rig)
    return today.information, rig.covariance, rig


def root(matrix):
    values, vectors = np.linalg.eigh(matrix)
    return vectors * np.sqrt(np.maximum(values, 0.0))


def test_untouched_rigs_pass_and_their_p_values_are_uniform(linear):
    """2000 drawn errors of both sides through the whole algebra; the fits themselves are tested below."""
    information, covariance, rig = linear
    rng = np.random.default_rng([73, 1])
    depth = depth_by_change(rig, working_distance_mm=DISTANCE_MM)
    from_today, from_then = root(information), root(covariance)
    totals, poses, failed, upper = [], [], 0, 0
    for _ in range(N_LINEAR):
        noise = from_today @ rng.normal(size=rig.size)
        score = noise - information @ (from_then @ rng.normal(size=rig.size))
        scales = weigh(information, score, covariance)
        fit = scales.fit(pose_columns(rig))
        harm = harm_estimate(fit, depth)
        totals.append(scales.total_p)
        poses.append(fit.gain_p)
        failed += harm_status(harm, BAND) == "fail"
        upper += harm.value + 2 * harm.sigma < 0.05
    assert failed <= 0.01 * N_LINEAR
    # One in a thousand by chance: the seed is fixed, so that this holds for good or never.
    assert kstest(totals, "uniform").pvalue > 0.001
    assert kstest(poses, "uniform").pvalue > 0.001
    assert upper > 0.9 * N_LINEAR  # the interval is not made wide to be safe: half the caution limit


def test_adding_both_covariances_would_be_seen(linear):
    """The mistake named in the handbook: p-values crowd at one, false alarms vanish."""
    information, covariance, rig = linear
    rng = np.random.default_rng([73, 2])
    pose = rig.layout.stereo_slice
    frozen = np.linalg.inv(information[pose, pose])
    by_k = -frozen @ information[pose, : pose.start]
    wrong = covariance[pose, pose] + np.linalg.inv(information)[pose, pose]
    from_today, from_then = root(information), root(covariance)
    chi = []
    for _ in range(N_LINEAR):
        then = from_then @ rng.normal(size=rig.size)
        noise = (from_today @ rng.normal(size=rig.size))[pose]
        d = frozen @ noise + by_k @ then[: pose.start] - then[pose]
        chi.append(float(d @ np.linalg.solve(wrong, d)))
    assert kstest(chi2.sf(chi, 6), "uniform").pvalue < 1e-6


def test_the_change_of_pose_is_at_least_as_sharp_as_with_frozen_intrinsics(linear):
    """Handbook 11: V = S_rr^-1 + G C1 G', G = [S_rr^-1 S_rk, I]; generalised least squares cannot be worse."""
    information, covariance, rig = linear
    pose = rig.layout.stereo_slice
    inverse = np.linalg.inv(information[pose, pose])
    g = np.hstack([inverse @ information[pose, : pose.start], np.eye(6)])
    frozen = inverse + g @ covariance @ g.T
    ours = weigh(information, np.zeros(rig.size), covariance).fit(pose_columns(rig)).covariance
    ratio = np.diag(ours) / np.diag(frozen)
    assert (ratio <= 1 + 1e-6).all()  # rounding of two inversions
    assert ratio.min() > 0.2  # and not a wholly different number


@pytest.fixture(scope="module")
def fitted():
    """Untouched rigs fitted for good, from six pairs of a board with few corners."""
    base, out = stored(SMALL_BOARD), []
    for k in range(N_FITTED):
        rng = np.random.default_rng([74, k])
        rig = drawn(base, rng)
        compared = compare_with_stored(pairs_of(TRUE_RIG, rng, board=SMALL_BOARD), rig)
        depth = depth_by_change(rig, working_distance_mm=DISTANCE_MM)
        exact = exact_harm_mm(rig, compared.change, working_distance_mm=DISTANCE_MM)
        harm = harm_estimate(compared.change, depth, exact_mm=exact)
        out.append((compared, harm, verify_measurements(compared, harm)))
    return out


@pytest.mark.slow
def test_sigmas_of_the_change_are_honest(fitted):
    """0.15 wanted; the spread of 150 has sd 0.06, so that 0.2 leaves room for the largest of thirteen."""
    names = [
        name
        for name, one in fitted[0][2].items()
        if one.sigma and (name.startswith("change.") or "_change" in name)
    ]
    ratios = np.array([[m[name].value / m[name].sigma for name in names] for _, _, m in fitted])
    spread = dict(zip(names, ratios.std(0), strict=True))
    assert len(names) == 13
    assert max(abs(one - 1) for one in spread.values()) < 0.2, spread
    assert abs(ratios.std() - 1) < 0.08  # all together: sd of the mean spread 0.03
    assert np.abs(ratios.mean(0)).max() < 0.3  # sd of a mean 0.08


@pytest.mark.slow
def test_fitted_untouched_rigs_do_not_fail_and_are_not_called_changed(fitted):
    assert sum(harm_status(harm, BAND) == "fail" for _, harm, _ in fitted) <= 0.01 * N_FITTED
    assert sum(compared.changed for compared, _, _ in fitted) <= 3  # 0.3 expected
    assert kstest([c.scales.total_p for c, _, _ in fitted], "uniform").pvalue > 0.001
    assert kstest([c.basic.gain_p for c, _, _ in fitted], "uniform").pvalue > 0.001


WANTED = {
    "convergence": (Changed(convergence_deg=0.02), "change.convergence_deg", 0.02),
    "across": (Changed(across_deg=0.01), None, None),
    "twist": (Changed(twist_deg=0.03), "change.twist_deg", 0.03),
    "baseline": (Changed(baseline_mm=0.03), "change.baseline_mm", 0.03),
    "focal": (Changed(focal=0.0005), None, None),
    "centre_x": (Changed(centre_px=(0.15, 0.0)), None, None),
    "centre_y": (Changed(centre_px=(0.0, 0.15)), None, None),
}


@pytest.mark.parametrize("what", WANTED)
def test_small_changes_are_reported_from_six_pairs(what):
    """95 % wanted; 8 of 8 here, 200 of 200 in the bench."""
    change, name, size = WANTED[what]
    base, seen, values = stored(), 0, []
    for k in range(8):
        rng = np.random.default_rng([75, k])
        compared = compare_with_stored(pairs_of(change.rig, rng), drawn(base, rng))
        seen += compared.changed
        if name is not None:
            one = verify_measurements(compared, harm_estimate(compared.change, np.eye(base.size)))[name]
            values.append((one.value, one.sigma))
    assert seen == 8
    if name is not None:
        found, sigma = np.array(values).T
        assert abs(np.mean((found - size) / sigma)) < 1.1  # sd of a mean of eight 0.35


def verified(change, *, n_views=6, seed=0, **more):
    pairs = pairs_of(change.rig, np.random.default_rng([76, seed]), n_views=n_views)
    return verification(pairs, calibrated(), **more)


@pytest.mark.parametrize("camera", [0, 1])
def test_a_change_of_focal_length_is_named_as_such(camera):
    run = verified(Changed(focal=0.003, camera=camera))
    assert run.best.cause.kind == "focal"
    assert run.best.cause.camera == camera
    name = ("upper", "lower")[camera]
    found = run.measurements[f"{name}.focal_scale_change"]
    assert abs(found.value - 0.003) < 4 * found.sigma
    true = face_shift(Changed(focal=0.003, camera=camera).rig, TRUE_RIG, working_distance_mm=DISTANCE_MM)
    # The stored calibration's own error beside the change: 0.02 mm here.
    assert run.harm.value == pytest.approx(true.depth_mm, abs=0.03)
    assert harm_status(run.harm, BAND) == "fail"


def test_a_turned_camera_is_named_and_its_alternatives_are_told():
    run = verified(Changed(convergence_deg=0.05))
    told = {(one.cause.kind, one.cause.camera) for one in (run.best, *run.alternatives)}
    assert ("turn", 1) in told
    small = verified(Changed(centre_px=(0.3, 0.0)))
    kinds = {one.cause.kind for one in (small.best, *small.alternatives)}
    assert "centre" in kinds


def test_a_principal_point_and_a_turn_cannot_always_be_told_apart():
    """Handbook 2.7: a shift of the principal point is absorbed by a turn but for a remainder."""
    several = [verified(Changed(centre_px=(0.25, 0.0)), n_views=3, seed=k) for k in range(6)]
    assert any(
        {"turn", "centre"} <= {one.cause.kind for one in (run.best, *run.alternatives)} for run in several
    )


def test_exchanged_bodies_are_noticed():
    rig = TRUE_RIG
    swapped = replace(
        rig, camera1=replace(rig.camera2, name="upper"), camera2=replace(rig.camera1, name="lower")
    )
    pairs = pairs_of(swapped, np.random.default_rng([77, 0]))
    assert verification(pairs, calibrated()).best.cause.kind == "exchange"


def test_exchanged_bodies_are_noticed_where_their_lens_models_differ():
    """Camera 2 described without decentring: the exchange needs a fit of its own."""
    calibration = calibrated()
    gone = [calibration.parameters.index(f"lower.{name}") for name in ("p1", "p2")]
    kept = [k for k in range(len(calibration.parameters)) if k not in gone]
    lower = calibration.cameras[1]
    fewer = replace(
        calibration,
        cameras=(
            calibration.cameras[0],
            replace(lower, camera=replace(lower.camera, distortion=lower.camera.distortion[:2])),
        ),
        parameters=tuple(calibration.parameters[k] for k in kept),
        covariance=calibration.covariance[np.ix_(kept, kept)],
    )
    swapped = replace(
        TRUE_RIG,
        camera1=replace(TRUE_RIG.camera2, name="upper"),
        camera2=replace(TRUE_RIG.camera1, name="lower"),
    )
    pairs = pairs_of(swapped, np.random.default_rng([77, 1]))
    assert verification(pairs, fewer).best.cause.kind == "exchange"


def test_one_pair_says_something_and_how_much_more_would_decide():
    run = verified(Changed(), n_views=1)
    assert not run.changed
    assert run.harm.sigma > 0.01
    after = dict(run.foretold)
    assert after[6].sigma < run.harm.sigma
    assert harm_status(after[6], BAND) == "pass"


def test_outliers_change_nothing():
    clean = verified(Changed())
    dirty = verification(
        pairs_of(TRUE_RIG, np.random.default_rng([76, 0]), noise=replace(NOISE, outlier_share=0.05)),
        calibrated(),
    )
    assert not clean.changed
    assert not dirty.changed
    assert dirty.harm.value + 2 * dirty.harm.sigma < 0.1


def test_errors_alike_within_a_view_widen_the_sigmas():
    """A smooth error of 0.05 px in each view must not be taken for a change."""
    rough = Noise(sigma_px=0.05, smooth_px=0.05)
    runs = [
        verification(pairs_of(TRUE_RIG, np.random.default_rng([78, k]), noise=rough, n_views=8), calibrated())
        for k in range(5)
    ]
    assert all(run.measurements["verify.inflation"].value > 1.5 for run in runs)
    assert sum(harm_status(run.harm, BAND) == "fail" for run in runs) == 0


@pytest.mark.parametrize("focal", [0.0, 0.004])
def test_one_camera_alone(focal):
    calibration = calibrated(cameras=1)
    views = [
        (pair[0],) for pair in pairs_of(Changed(focal=focal).rig, np.random.default_rng([79, 0]), n_views=8)
    ]
    run = verification([view for view in views if view[0] is not None], calibration)
    assert run.harm_map is None
    assert not any(name.startswith(("change.", "stereo.")) for name in run.measurements)
    assert run.changed == (focal > 0)
    assert (run.best.cause.kind in ("focal", "lens")) == (focal > 0)
    # Z df / f at the working distance, the calibration's own error of about 0.1 mm beside it.
    assert run.harm.value == pytest.approx(focal * run.working_distance_mm, abs=0.25)


def test_too_little_to_see_is_an_error():
    with pytest.raises(EstimationError, match="one is needed"):
        verification([(None, None)], calibrated())
    pairs = pairs_of(TRUE_RIG, np.random.default_rng([76, 1]), n_views=2)
    with pytest.raises(EstimationError, match="both see the board"):
        verification([(pairs[0][0], None), (None, pairs[1][1])], calibrated())
