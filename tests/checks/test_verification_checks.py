"""Every check of `verify`: passes on an untouched rig, sees a planted fault, is skipped with a reason."""

from dataclasses import replace

import numpy as np
import pytest
from verifying import TRUE_RIG, Changed, calibrated, pairs_of

from rigcheck.checks import VERIFY_CHECKS, Limits, effective_limits, run_checks
from rigcheck.checks.verdict import Band
from rigcheck.checks.verification import harm_status, views_needed
from rigcheck.drift.verification import verification
from rigcheck.model import BoardSpec, Estimate

LIMITS = Limits(effective_limits())
BAND = LIMITS.band("harm.depth_mm")
MOVED = {
    "upper.focus_moved_mm": Estimate(value=0.5, sigma=1.0, unit="mm"),
    "lower.focus_moved_mm": Estimate(value=-0.3, sigma=1.0, unit="mm"),
}


def verified(rig, *, n_views=6, seed=0):
    run = verification(pairs_of(rig, np.random.default_rng([91, seed]), n_views=n_views), calibrated())
    return replace(run, measurements=run.measurements | MOVED)


@pytest.fixture(scope="module")
def same():
    return verified(TRUE_RIG)


def judged(run):
    return {check.code: check for check in run_checks(VERIFY_CHECKS, run, LIMITS)}


def test_an_untouched_rig_passes_every_check(same):
    found = {code: one.status for code, one in judged(same).items()}
    assert found.pop("VER08") == "skipped"  # no pictures here; tests/checks/test_verification_sensors.py
    assert found == dict.fromkeys([f"VER0{k}" for k in range(1, 8)], "pass")


def test_harm_of_a_knock_fails_and_says_what_to_look_for():
    found = judged(verified(Changed(convergence_deg=0.05).rig))
    assert found["VER01"].status == "fail"
    assert "Do not shoot" in found["VER01"].action
    assert "turned in its mount by convergence +0.0" in found["VER02"].message
    assert found["VER02"].status == "caution"


def test_small_but_sure_is_told_from_large_but_unsure():
    """Across 0.02 deg is 0.01 mm on the face; one pair knows the depth to about 0.05 mm."""
    small = judged(verified(Changed(across_deg=0.02).rig))
    assert small["VER01"].status == "pass"
    assert small["VER02"].status == "caution"
    assert "too small to matter" in small["VER02"].action
    unsure = verified(Changed(convergence_deg=0.009).rig, n_views=1, seed=3)
    found = judged(unsure)
    assert found["VER01"].status == "inconclusive"
    assert "Film the board again, about" in found["VER01"].action


@pytest.mark.parametrize(
    ("value", "sigma", "status"),
    [
        (0.02, 0.01, "pass"),
        (0.0, 0.05, "pass"),
        (0.09, 0.01, "inconclusive"),
        (0.15, 0.02, "caution"),
        (0.22, 0.02, "inconclusive"),
        (0.15, 0.08, "inconclusive"),
        (0.35, 0.04, "fail"),
    ],
)
def test_an_interval_that_spans_a_limit_decides_nothing(value, sigma, status):
    """Limits 0.10 and 0.25 mm; the interval is value +- 2 sigma."""
    assert harm_status(Estimate(value=value, sigma=sigma), BAND) == status


def test_how_many_views_would_decide(same):
    foretold = ((8, Estimate(value=0.08, sigma=0.012)), (12, Estimate(value=0.08, sigma=0.009)))
    run = replace(same, harm=Estimate(value=0.08, sigma=0.02, unit="mm"), foretold=foretold)
    assert views_needed(run, BAND) == 12
    assert "about 6 more poses held still (12 in all)" in judged(run)["VER01"].action
    never = replace(run, foretold=foretold[:1])
    assert views_needed(never, BAND) is None
    assert "More views would not decide it" in judged(never)["VER01"].action
    assert views_needed(run, Band(caution=1.0, fail=2.0)) == 8


def test_a_changed_focal_length_is_cautioned():
    found = judged(verified(Changed(focal=0.0015, camera=1).rig))
    assert found["VER03"].status == "caution"
    assert "Was lower refocused" in found["VER03"].action
    assert "focal length of lower" in found["VER03"].message


@pytest.mark.parametrize(
    ("moved", "status"),
    [
        ((8.0, 1.0), "caution"),
        ((20.0, 2.0), "fail"),
        ((-20.0, 2.0), "fail"),
        ((6.0, 4.0), "pass"),  # within two of its sigmas
    ],
)
def test_a_moved_plane_of_focus(same, moved, status):
    found = {"lower.focus_moved_mm": Estimate(value=moved[0], sigma=moved[1], unit="mm")}
    run = replace(same, measurements=same.measurements | found)
    one = judged(run)["VER04"]
    assert one.status == status
    assert ("lower was refocused" in one.action) == (status != "pass")


def test_the_plane_of_focus_is_skipped_with_a_reason(same):
    none = Estimate(value=None, reason="nothing to hold it against")
    gone = dict.fromkeys(MOVED, none)
    found = judged(replace(same, measurements=same.measurements | gone))["VER04"]
    assert found.status == "skipped"
    assert "nothing to hold it against" in found.message
    bare = {name: one for name, one in same.measurements.items() if name not in MOVED}
    assert judged(replace(same, measurements=bare))["VER04"].status == "skipped"


def test_exchanged_bodies_fail():
    swapped = replace(
        TRUE_RIG,
        camera1=replace(TRUE_RIG.camera2, name="upper"),
        camera2=replace(TRUE_RIG.camera1, name="lower"),
    )
    found = judged(verified(swapped))
    assert found["VER05"].status == "fail"
    assert "put them back" in found["VER05"].action


def test_a_lens_that_changed_its_distortion_is_left_unexplained():
    bent = replace(TRUE_RIG, camera1=replace(TRUE_RIG.camera1, distortion=(-0.14, 0.09, 4e-4, -3e-4)))
    found = judged(verified(bent))
    assert found["VER06"].status == "caution"
    assert "more than one thing changed" in found["VER06"].action


def test_rough_corners_are_cautioned(same):
    rough = {"upper.rms_px": replace(same.measurements["upper.rms_px"], value=0.9)}
    found = judged(replace(same, measurements=same.measurements | rough))["VER07"]
    assert found.status == "caution"
    assert "hold the board still" in found.action


def test_another_print_looks_like_another_baseline():
    """Squares 0.1 % larger than described: the pose alone cannot tell it from a shorter baseline; both are named."""
    larger = BoardSpec(**{**vars(calibrated().board), "square_mm": 9.009})
    pairs = pairs_of(TRUE_RIG, np.random.default_rng([92, 0]), board=larger)
    found = judged(verification(pairs, calibrated()))
    assert "this is another print whose squares are +0.098 %" in found["VER02"].message  # 0.002 is noise


def test_one_camera_is_judged_by_what_it_can_tell():
    views = [(pair[0],) for pair in pairs_of(TRUE_RIG, np.random.default_rng([93, 0]), n_views=12)]
    run = verification([view for view in views if view[0] is not None], calibrated(cameras=1))
    found = judged(run)
    assert found["VER01"].status in ("pass", "inconclusive")
    assert found["VER02"].status == "pass"
    assert found["VER05"].status == "skipped"
    assert not found["VER05"].required
