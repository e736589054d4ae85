"""A workshop calibration as prior: a short clip is enough, and a refocus is noticed."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, kstest
from synthetic import BOARD, Noise, observe_pair, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, calibration_run, solve
from rigcheck.calibration.harm import face_volume
from rigcheck.calibration.prior import intrinsics_prior
from rigcheck.calibration.quantities import quantities
from rigcheck.checks import CALIBRATION_CHECKS, Limits, effective_limits, run_checks
from rigcheck.errors import ConfigError
from rigcheck.model import Provenance, StereoRig

RIG = reference_rig()
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (RIG.camera1, RIG.camera2)]
PROVENANCE = Provenance(
    created="2026-01-05T08:00:00+00:00", versions={}, inputs_sha256={}, options={}, command=""
)


def workshop(seed):
    pairs = observe_pair(RIG, np.random.default_rng([71, seed]), n_views=24, noise=Noise())
    solution = solve(pairs, BOARD, SETUPS, lenses=[LENSES["brown4"]])
    return calibration_run(solution, provenance=PROVENANCE).calibration


def on_set(rig, seed, prior, *, n_views=3):
    pairs = observe_pair(
        rig, np.random.default_rng([72, seed]), n_views=n_views, noise=Noise(), tilt_deg=25.0
    )
    return solve(pairs, BOARD, SETUPS, prior=prior)


def refocused(rig: StereoRig, share: float) -> StereoRig:
    first = replace(rig.camera1, focal_px=tuple(f * (1 + share) for f in rig.camera1.focal_px))
    return StereoRig(camera1=first, camera2=rig.camera2, camera2_from_camera1=rig.camera2_from_camera1)


def judged(solution):
    run = calibration_run(solution, provenance=PROVENANCE)
    results = run_checks(CALIBRATION_CHECKS, run, Limits(effective_limits({}, origin="default")))
    return {check.code: check for check in results}


@pytest.fixture(scope="module")
def prior():
    return intrinsics_prior(workshop(0), SETUPS)


def test_three_pairs_with_the_prior_are_enough(prior):
    solution = on_set(RIG, 0, prior)
    alone = solve(
        observe_pair(RIG, np.random.default_rng([72, 0]), n_views=3, noise=Noise(), tilt_deg=25.0),
        BOARD,
        SETUPS,
        lenses=[LENSES["brown4"]],
    )
    with_prior, without = face_volume(solution, 195.0).depth_mm, face_volume(alone, 195.0).depth_mm
    assert with_prior < 0.10 < without  # the caution limit lies between them
    baseline = quantities(solution)["stereo.baseline_mm"]
    assert abs(baseline.value - RIG.baseline_mm) < 4 * baseline.sigma(solution)
    assert judged(solution)["CAL13"].status == "pass"


def test_one_pair_is_enough_to_solve(prior):
    solution = on_set(RIG, 1, prior, n_views=1)
    baseline = quantities(solution)["stereo.baseline_mm"]
    assert abs(baseline.value - RIG.baseline_mm) < 4 * baseline.sigma(solution)


def test_a_refocus_is_contradicted(prior):
    """Planted fault: focal length 0.3 % longer (handbook 3: a refocus from 150 to 250 mm changes it by 1-2 %)."""
    check = judged(on_set(refocused(RIG, 0.003), 2, prior, n_views=6))["CAL13"]
    assert check.status == "fail"
    assert "upper.focal" in check.message


@pytest.mark.slow
def test_sigmas_with_a_prior_stay_honest_and_p_values_uniform():
    errors, chances = [], []
    for trial in range(40):
        known = intrinsics_prior(workshop(trial + 1), SETUPS)
        solution = on_set(RIG, trial + 10, known, n_views=6)
        q = quantities(solution)["stereo.baseline_mm"]
        errors.append((q.value - RIG.baseline_mm) / q.sigma(solution))
        found = calibration_run(solution, provenance=PROVENANCE).measurements["prior.chi_square"]
        chances.append(chi2.sf(found.value, found.n))
    assert np.std(errors) == pytest.approx(1.0, abs=0.35)  # 40 runs: sd of a spread 0.11
    assert kstest(chances, "uniform").pvalue > 0.001


def test_other_cameras_and_sizes_are_refused():
    calibration = workshop(0)
    others = [replace(setup, name=f"{setup.name}2") for setup in SETUPS]
    with pytest.raises(ConfigError, match="upper2 is needed"):
        intrinsics_prior(calibration, others)
    smaller = [replace(setup, image_size_px=(540, 720)) for setup in SETUPS]
    with pytest.raises(ConfigError, match="540 x 720 px here"):
        intrinsics_prior(calibration, smaller)
