"""Every check of `calibrate` passes, is shown to find its planted fault, and skips rather than passes."""

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from rigcheck import checks
from rigcheck.checks import (
    ALL_CHECKS,
    CALIBRATION_CHECKS,
    LIMITS,
    Limits,
    check_table,
    effective_limits,
    limits_pick_gates,
    overall_verdict,
    run_checks,
)
from rigcheck.face.picks_faults import FAULTS
from rigcheck.model import Estimate

CODES = [check.code for check in CALIBRATION_CHECKS]
PAIR_ONLY = {"CAL04", "CAL11", "CAL30", "CAL31", "CAL32", "CAL51", "CAL54"}


def judged(run, limits, code):
    return {found.code: found for found in run_checks(CALIBRATION_CHECKS, run, limits)}[code]


def fit(run, **fields):
    return {"fit": dataclasses.replace(run.fit, **fields)}


def test_sound_pair_passes_every_check(pair_run, limits):
    results = run_checks(CALIBRATION_CHECKS, pair_run, limits)
    assert {found.code: found.status for found in results} == dict.fromkeys(CODES, "pass")
    assert all(found.message and not found.action for found in results)
    assert overall_verdict(results) == "pass"


def test_sound_single_camera_passes_and_skips_the_pair(single_run, limits):
    results = run_checks(CALIBRATION_CHECKS, single_run, limits)
    expected = {code: "skipped" if code in PAIR_ONLY else "pass" for code in CODES}
    assert {found.code: found.status for found in results} == expected
    assert all("one camera only" in found.message for found in results if found.code in PAIR_ONLY)
    assert overall_verdict(results) == "pass"


# Code, measurement, a value just good, a value cautioned, a value failed (None where there is no such limit).
LADDER = [
    ("CAL01", "stereo.harm_depth_mm", 0.10, 0.11, 0.26),
    ("CAL03", "upper.rms_px", 0.30, 0.31, 1.01),
    ("CAL03", "lower.rms_px", 0.30, 0.99, 1.01),
    ("CAL04", "stereo.epipolar_rms_px", 0.30, 0.31, 1.01),
    ("CAL05", "lower.outlier_share", 0.05, 0.06, 0.21),
    ("CAL06", "lower.tilt_spread_deg", 10.0, 9.9, 2.4),
    ("CAL07", "upper.coverage", 0.60, 0.59, None),
    ("CAL08", "upper.held_out_ratio", 1.20, 1.21, None),
    ("CAL09", "stereo.leave_out_ratio", 1.50, 1.51, None),
    ("CAL10", "lower.mapping_sigma_px", 0.25, 0.26, None),
    ("CAL11", "board.scale_sigma", 0.0005, 0.0006, None),
]


@pytest.mark.parametrize(("code", "name", "good", "cautioned", "failed"), LADDER)
def test_planted_faults(pair_run, planted, limits, code, name, good, cautioned, failed):
    steps = {"pass": good, "caution": cautioned, "fail": failed}
    for status, value in steps.items():
        if value is None:
            continue
        run = planted(pair_run, {name: value})
        found = judged(run, limits, code)
        assert found.status == status
        assert found.estimate.value == value
        assert bool(found.action) == (status != "pass")
        assert overall_verdict(run_checks(CALIBRATION_CHECKS, run, limits)) == status


@pytest.mark.parametrize(("code", "name"), [(row[0], row[1]) for row in LADDER if row[0] != "CAL11"])
@pytest.mark.parametrize("how", ["absent", "reason"])
def test_what_was_not_measured_is_skipped_with_the_reason(pair_run, planted, limits, code, name, how):
    missing = None if how == "absent" else Estimate(value=None, reason="the lamp was off")
    measurements = {name: missing}
    if name == "stereo.leave_out_ratio" and how == "absent":
        measurements |= {f"{camera}.leave_out_ratio": None for camera in ("upper", "lower")}
    run = planted(pair_run, measurements)
    found = judged(run, limits, code)
    assert found.status == "skipped"
    assert ("the lamp was off" if how == "reason" else "was not measured") in found.message
    required = {check.code: check.required for check in CALIBRATION_CHECKS}[code]
    verdict = overall_verdict(run_checks(CALIBRATION_CHECKS, run, limits))
    assert verdict == ("inconclusive" if required else "pass")


def test_one_bad_camera_outweighs_one_not_measured(pair_run, planted, limits):
    found = judged(planted(pair_run, {"upper.rms_px": None, "lower.rms_px": 2.0}), limits, "CAL03")
    assert (found.status, found.estimate.value) == ("fail", 2.0)
    assert "upper not measured" in found.message


@pytest.mark.parametrize(("value", "status"), [(0.05, "pass"), (0.2, "caution"), (0.5, "fail")])
def test_single_camera_harm(single_run, planted, limits, value, status):
    found = judged(planted(single_run, {"upper.harm_depth_mm": value}), limits, "CAL01")
    assert found.status == status


def test_uncertain_number_across_the_fail_limit_is_inconclusive(pair_run, planted, limits):
    run = planted(pair_run, {"stereo.epipolar_rms_px": Estimate(value=0.9, sigma=0.2, unit="px")})
    assert judged(run, limits, "CAL04").status == "inconclusive"
    assert overall_verdict(run_checks(CALIBRATION_CHECKS, run, limits)) == "inconclusive"


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"status": "converged"}, "pass"),
        ({"status": "stalled"}, "caution"),
        ({"condition_number": 2e10}, "caution"),
        ({"status": "iteration_limit"}, "fail"),
    ],
)
def test_how_the_solver_stopped(pair_run, planted, limits, fields, status):
    assert judged(planted(pair_run, **fit(pair_run, **fields)), limits, "CAL02").status == status


def test_nothing_is_judged_on_what_is_no_solution(pair_run, planted, limits):
    run = planted(pair_run, **fit(pair_run, status="iteration_limit"))
    results = {found.code: found for found in run_checks(CALIBRATION_CHECKS, run, limits)}
    skipped = {code for code, found in results.items() if found.status == "skipped"}
    assert skipped == {check.code for check in CALIBRATION_CHECKS if "CAL02" in check.requires}
    assert "CAL02 (Solution reached) failed" in results["CAL01"].message


def test_print_not_measured_is_a_caution(pair_run, planted, limits):
    run = planted(pair_run, {"board.scale_sigma": Estimate(value=None, reason="the print was not measured")})
    found = judged(run, limits, "CAL11")
    assert found.status == "caution"
    assert "does not include the print's scale" in found.message
    assert "72.000 ± 0.012 mm" in found.message
    assert "calipers" in found.action


def test_count_of_views_is_never_judged(pair_run, planted, limits):
    """Four well-tilted pairs pass by their uncertainty; four hundred flat-on ones do not."""
    few = planted(pair_run, {"stereo.pairs": 4.0, "upper.views": 4.0, "lower.views": 4.0})
    assert overall_verdict(run_checks(CALIBRATION_CHECKS, few, limits)) == "pass"
    many = planted(
        pair_run, {"stereo.pairs": 400.0, "upper.tilt_spread_deg": 1.0, "stereo.harm_depth_mm": 0.6}
    )
    assert overall_verdict(run_checks(CALIBRATION_CHECKS, many, limits)) == "fail"


def test_numbers_are_carried_to_the_face(pair_run, limits):
    """0.14 px at f 1400 px and 200 mm is 0.02 mm across; 0.02 % of 72 mm is 0.014 mm."""
    assert "0.020 mm across on the face" in judged(pair_run, limits, "CAL03").message
    assert "0.014 mm of the baseline" in judged(pair_run, limits, "CAL11").message
    assert "0.046 mm" in judged(pair_run, limits, "CAL01").message


def test_advice_names_the_empty_places(pair_run, planted, limits):
    seen = np.ones((12, 9), dtype=np.int64)
    seen[:4, :3] = 0
    seen[8:, :] = 0
    run = planted(
        pair_run,
        {"lower.coverage": 0.5, "stereo.harm_depth_mm": 0.3},
        coverage_maps={"upper": np.ones((12, 9), dtype=np.int64), "lower": seen},
    )
    for code in ("CAL01", "CAL07"):
        action = judged(run, limits, code).action
        assert "the upper left, lower left, bottom and lower right of lower's picture" in action


def test_advice_does_not_list_what_is_empty_all_round(pair_run, planted, limits):
    seen = np.zeros((12, 9), dtype=np.int64)
    seen[4:8, 3:6] = 1
    maps = {"upper": seen, "lower": seen}
    run = planted(pair_run, {"lower.coverage": 0.1}, coverage_maps=maps)
    assert "the outer parts, all the way round, of upper's picture and" in judged(run, limits, "CAL07").action


@pytest.mark.parametrize(("n_views", "status"), [(0, "caution"), (4, "pass"), (24, "pass"), (300, "caution")])
def test_leave_out_ratio_allows_for_chance(pair_run, planted, limits, n_views, status):
    """A ratio of 1.7 proves nothing with 24 views: sigma is known to 15 % (GUM E.4.3, cited from memory)."""
    run = planted(pair_run, {"stereo.leave_out_ratio": Estimate(value=1.7, n=n_views)})
    found = judged(run, limits, "CAL09")
    assert (found.status, found.estimate.value) == (status, 1.7)


def test_advice_asks_for_tilts_where_tilts_are_thin(pair_run, planted, limits):
    run = planted(pair_run, {"upper.tilt_spread_deg": 4.0, "stereo.harm_depth_mm": 0.2})
    for code in ("CAL01", "CAL06"):
        assert "tilted 30 to 45 degrees" in judged(run, limits, code).action


def test_advice_asks_for_distances_where_all_are_alike(pair_run, planted, limits):
    run = planted(pair_run, {"stereo.harm_depth_mm": 0.2}, views=pair_run.views[1:])
    assert "150 and 250 mm" in judged(run, limits, "CAL01").action


def test_advice_of_more_of_the_same_follows_the_square_root(pair_run, planted, limits):
    """Twice too uncertain needs four times the footage (sigma falls with the root of the number of views)."""
    run = planted(pair_run, {"stereo.harm_depth_mm": 0.2})
    assert "about 4 times as long" in judged(run, limits, "CAL01").action


@pytest.mark.parametrize("code", CODES)
def test_advice_is_for_hands_and_never_a_count_of_photos(pair_run, planted, limits, code):
    for row in LADDER:
        run = planted(pair_run, {row[1]: row[4] if row[4] is not None else row[3]})
        action = judged(run, limits, code).action
        assert not re.search(r"\bmore (photos|pictures|views|images)\b", action)


def test_codes_are_unique_well_formed_and_documented():
    assert len({check.code for check in ALL_CHECKS}) == len(ALL_CHECKS)
    table = check_table()
    for check in ALL_CHECKS:
        assert re.fullmatch(r"[A-Z]{3}[0-9]{2}", check.code)
        assert f"| {check.code} | {check.title} | {check.meaning} |" in table
        assert check.remedy in table
    assert len({line.count("|") for line in table.splitlines()}) == 1


def test_every_limit_is_used_and_every_check_has_one():
    quantities = {limit.quantity for limit in LIMITS}
    assert {check.limit for check in ALL_CHECKS if check.limit} <= quantities
    # These weigh hypotheses or calibrations against each other, count what was found against what was asked for, or
    # say whether things are as before: there is no number that one would set.
    without = {"AUD23", "CMP05", "PIC01", "PIC02", "PIC03", "PIC08", "PIC09", "VER05"}
    assert {check.code for check in ALL_CHECKS if not check.limit} == without
    room = Path(checks.__file__).parent
    judging = "".join(
        path.read_text(encoding="utf-8") for path in room.glob("*.py") if not path.name.startswith("limits_")
    )
    gates = {limit.quantity for limit in limits_pick_gates.LIMITS}
    assert {quantity for quantity in quantities - gates if f'"{quantity}' not in judging} == set()
    # Choosing uses these: each rule that rejects a moment has its own.
    assert gates == {f"picks.{rule.limit}" for rules in FAULTS.values() for rule in rules}


def test_overridden_limit_is_obeyed(pair_run, planted):
    strict = Limits(
        effective_limits({"harm.depth_mm.caution": 0.02, "harm.depth_mm.fail": 0.04}, origin="rig")
    )
    assert judged(pair_run, strict, "CAL01").status == "fail"
