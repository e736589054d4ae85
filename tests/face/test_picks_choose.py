"""Choosing among moments whose numbers are made up: gates, scores, alternates, what is missing."""

from dataclasses import replace

import numpy as np
import pytest
from pick_study import gates

from rigcheck.face.picks_choose import choose_picks
from rigcheck.face.picks_faults import FAULTS, faults_of
from rigcheck.face.picks_glance import Glance
from rigcheck.face.picks_moments import Moment, candidate_moments
from rigcheck.face.picks_reasons import reason_sentence
from rigcheck.face.picks_rounds import read_in_rounds, worth_reading
from rigcheck.face.picks_seam import SEAM_PLACES
from rigcheck.face.picks_shape import SHAPE_SIGMAS
from rigcheck.face.picks_still import STILL_PARTS
from rigcheck.model import Estimate, FrameRef
from rigcheck.model.picking import PoseReading

REST = {
    "lid_opening_right": 0.3,
    "lid_opening_left": 0.3,
    "brow_height_right": 0.31,
    "brow_height_left": 0.31,
    "mouth_width": 0.55,
    "lip_height": 0.24,
    "lip_gap": 0.002,
    "jaw_aside": 0.0,
    "gaze_across_right": -0.02,
    "gaze_across_left": 0.02,
    "gaze_down_right": -0.01,
    "gaze_down_left": -0.01,
    "turn_deg": 0.0,
    "teeth_shown": 0.0,
    "teeth_wide": 0.0,
    "teeth_brightness": 0.0,
    "eye_width_ratio": 1.0,
    **{f"sharp_{region}": 0.4 for region in ("eyes", "lips", "cheeks")},
    **{f"speed_{part}": 0.004 for part in (*STILL_PARTS, "head")},
}
BITE = {
    "lip_gap": 0.2,
    "mouth_width": 0.63,
    "teeth_shown": 0.13,
    "teeth_wide": 0.9,
    "teeth_brightness": 1.6,
    "row_gap": 0.004,
}
SEALED = np.full(SEAM_PLACES, 0.02)

# What is planted, and how each pose names it.
NEUTRAL_FAULTS = {
    "eyes_shut": {"lid_opening_right": 0.15, "lid_opening_left": 0.15},
    "looks_near": {"gaze_across_right": -0.003, "gaze_across_left": 0.003},
    "looks_aside": {"gaze_across_right": 0.0, "gaze_across_left": 0.04},
    "looks_up_or_down": {"gaze_down_right": 0.01, "gaze_down_left": 0.01},
    "mouth_open": {"lip_gap": 0.1},
    "lips_apart": {"seam": 0.025},
    "lips_pressed": {"mouth_width": 0.67},
    "lips_pursed": {"mouth_width": 0.50},
    "mouth_drawn": {"mouth_width": 0.60},
    "brows_moved": {"brow_height_right": 0.33, "brow_height_left": 0.33},
    "jaw_aside": {"jaw_aside": 0.022},
    "moving": {"speed_mouth": 0.2},
    "head_moving": {"speed_head": 0.15},
    "soft": {f"sharp_{region}": 0.2 for region in ("eyes", "lips", "cheeks")},
}
BITE_FAULTS = {
    "no_teeth": {"teeth_shown": 0.01},
    "rows_apart": {"row_gap": 0.03},
    "grimace": {"brow_height_right": 0.25, "brow_height_left": 0.25},
    "moving": {"speed_lower_face": 0.2},
}
SIDE_FAULTS = {
    "not_turned": {"turn_deg": 2.0},
    "turned_too_far": {"turn_deg": 50.0},
    "eye_hidden": {"eye_width_ratio": 0.4},
}


def reading(idx, *changes, time_s=None, cameras=("upper", "lower")):
    values = dict(REST)
    for change in changes:
        values |= change
    seam = SEALED * values.pop("seam", 0.02) / 0.02
    measures = {name: Estimate(value=value, sigma=0.01, n=1) for name, value in values.items()}
    measures |= {f"seam_{k:02d}": Estimate(value=float(v), sigma=0.001, n=1) for k, v in enumerate(seam)}
    refs = tuple(
        FrameRef(camera=name, frame_idx=idx, origin="x.mov", time_s=idx / 10 if time_s is None else time_s)
        for name in cameras
    )
    return PoseReading(refs=refs, cameras=dict.fromkeys(cameras, measures))


def rest_of_clip(count=30, start=100):
    return [reading(start + 10 * k) for k in range(count)]


def faults_at(outcome, pose, idx):
    choice = outcome.of(pose)
    moment = next((each for each in choice.rejected if each.reading.frame_idx == idx), None)
    return () if moment is None else tuple(fault.code for fault in moment.faults)


@pytest.mark.parametrize("code", NEUTRAL_FAULTS)
def test_each_neutral_fault_is_named_first(code):
    readings = [*rest_of_clip(), reading(5, NEUTRAL_FAULTS[code])]
    outcome = choose_picks(readings, {"neutral": 1}, gates())
    assert faults_at(outcome, "neutral", 5)[:1] == (code,)
    assert outcome.of("neutral").picks[0].frame_idx != 5
    assert outcome.of("neutral").missing == ()


@pytest.mark.parametrize("code", BITE_FAULTS)
def test_each_bite_fault_is_named_first(code):
    readings = [*rest_of_clip(), reading(5, BITE, BITE_FAULTS[code]), reading(45, BITE)]
    outcome = choose_picks(readings, {"bite": 1}, gates())
    assert faults_at(outcome, "bite", 5)[:1] == (code,)
    assert [pick.frame_idx for pick in outcome.of("bite").picks] == [45]


@pytest.mark.parametrize("code", SIDE_FAULTS)
def test_each_side_fault_is_named(code):
    turned = {"turn_deg": 20.0}
    readings = [*rest_of_clip(), reading(5, turned, SIDE_FAULTS[code]), reading(45, turned)]
    outcome = choose_picks(readings, {"side": 2}, gates())
    assert code in faults_at(outcome, "side", 5)
    assert [pick.frame_idx for pick in outcome.of("side").picks] == [45]


def test_codes_tested_are_all_there_are():
    tested = {
        "neutral": NEUTRAL_FAULTS,
        "bite": {**BITE_FAULTS, **NEUTRAL_FAULTS},
        "side": {**SIDE_FAULTS, **NEUTRAL_FAULTS},
    }
    for pose, rules in FAULTS.items():
        assert {rule.code for rule in rules} - {"blink_near", "lips_near"} <= set(tested[pose]), pose


def test_a_clip_without_a_good_moment_is_said_to_have_none():
    pressed = [reading(100 + 10 * k, NEUTRAL_FAULTS["eyes_shut"]) for k in range(4)]
    readings = [*rest_of_clip(8), *pressed]
    soft = [reading(300 + 10 * k, NEUTRAL_FAULTS["head_moving"]) for k in range(20)]
    outcome = choose_picks([*soft, *pressed], {"neutral": 1, "bite": 1}, gates())
    assert outcome.of("neutral").picks == ()
    assert outcome.of("neutral").missing[0] == "head_moving"
    assert outcome.of("bite").missing[0] == "no_teeth"
    assert choose_picks(readings, {"neutral": 1}, gates()).of("neutral").picks


def test_eyes_shut_all_through_a_clip_are_shut():
    """Shut is commonly taken below an eye aspect ratio of 0.20 to 0.25 (handbook 5)."""
    shut = {"lid_opening_right": 0.09, "lid_opening_left": 0.10}
    readings = [reading(100 + 10 * k, shut) for k in range(30)]
    outcome = choose_picks(readings, {"neutral": 1}, gates())
    assert outcome.of("neutral").missing == ("eyes_shut",)


def test_what_is_missing_comes_from_moments_in_which_the_pose_was_tried():
    """One open bite in a clip of rest: what keeps it from a bite are its rows, not that the rest shows no teeth."""
    readings = [*rest_of_clip(), reading(5, BITE, BITE_FAULTS["rows_apart"], BITE_FAULTS["moving"])]
    assert set(choose_picks(readings, {"bite": 1}, gates()).of("bite").missing) == {"rows_apart", "moving"}
    readings = [*rest_of_clip(), reading(5, {"turn_deg": 50.0})]
    assert choose_picks(readings, {"side": 1}, gates()).of("side").missing == ("turned_too_far",)


def test_alternates_come_from_other_moments_and_are_no_better():
    near = [reading(100 + k) for k in range(30)]  # ten a second
    choice = choose_picks(near, {"neutral": 1}, gates()).of("neutral")
    times = [pick.reading.time_s for pick in (*choice.picks, *choice.alternates)]
    assert len(times) >= 2
    assert all(abs(a - b) >= 1.0 for i, a in enumerate(times) for b in times[:i])
    scores = [pick.score for pick in (*choice.picks, *choice.alternates)]
    assert scores == sorted(scores, reverse=True)


def test_two_side_views_are_two_moments():
    readings = [*rest_of_clip(), *[reading(10 * k, {"turn_deg": 15.0 + k}) for k in range(6)]]
    choice = choose_picks(readings, {"side": 2}, gates()).of("side")
    assert len(choice.picks) == 2
    assert abs(choice.picks[0].reading.time_s - choice.picks[1].reading.time_s) >= 1.0


def test_score_is_the_mean_of_its_reasons_and_falls_towards_a_limit():
    readings = [*rest_of_clip(), reading(5, {"brow_height_right": 0.319, "brow_height_left": 0.319})]
    choice = choose_picks(readings, {"neutral": 1}, gates()).of("neutral")
    best = choice.picks[0]
    total = sum(reason.weight for reason in best.reasons)
    assert best.score == pytest.approx(sum(r.weight * r.score for r in best.reasons) / total)
    off = choose_picks(readings[-1:] + rest_of_clip(29), {"neutral": 30}, gates()).of("neutral")
    lower = next(pick for pick in off.picks if pick.frame_idx == 5)
    assert lower.score < best.score
    for reason in best.reasons:
        assert reason.sentence
        assert 0.0 <= reason.score <= 1.0


def test_reference_moment_decides_what_is_usual():
    """A clip that mostly looks near: its farthest look counts as far, unless a person says which moment is right."""
    near = NEUTRAL_FAULTS["looks_near"]
    readings = [reading(100 + 10 * k, near) for k in range(30)]
    assert choose_picks(readings, {"neutral": 1}, gates()).of("neutral").picks
    outcome = choose_picks(readings, {"neutral": 1}, gates(), reference=reading(0))
    assert outcome.of("neutral").picks == ()
    assert outcome.of("neutral").missing == ("looks_near",)


def test_blink_within_a_fifth_of_a_second():
    def glance(camera, k, lids):
        shape = {name: value for name, value in REST.items() if name in SHAPE_SIGMAS or name == "turn_deg"}
        shape |= {"lid_opening_right": lids, "lid_opening_left": lids}
        ref = FrameRef(camera=camera, frame_idx=k, origin="x.mov", time_s=k / 10)
        return Glance(ref=ref, moved={}, looked=True, shape=shape, seam=SEALED)

    glances = [[glance(name, k, 0.1 if k == 12 else 0.3) for k in range(40)] for name in ("upper", "lower")]
    readings = [reading(11), reading(20), reading(30)]
    outcome = choose_picks(readings, {"neutral": 1}, gates(), glances=glances)
    assert faults_at(outcome, "neutral", 11) == ("blink_near",)
    assert faults_at(outcome, "neutral", 20) == ()


def test_missing_face_in_one_camera_is_said():
    lost = reading(5)
    lost = replace(lost, cameras={"upper": lost.cameras["upper"], "lower": {}})
    from rigcheck.model import Finding

    lost = replace(lost, findings=(Finding(code="no_face", sentence="nothing"),))
    outcome = choose_picks([*rest_of_clip(), lost], {"neutral": 1}, gates())
    assert faults_at(outcome, "neutral", 5)[:1] == ("no_face",)


def test_unknown_measures_are_no_faults_and_nothing_read_is_said():
    assert faults_of("neutral", {}, gates()) == ()
    outcome = choose_picks([], {"neutral": 1}, gates())
    assert outcome.of("neutral").missing == ("nothing_seen",)
    assert outcome.of("bite") is None


def test_every_rule_has_a_reason_and_a_limit():
    limits = gates()
    for rules in FAULTS.values():
        for rule in rules:
            assert limits[f"picks.{rule.limit}"] > 0
            assert reason_sentence(rule, {rule.measure: 0.1})


def test_one_picture_is_one_moment():
    ref = FrameRef(camera="upper", frame_idx=0, origin="x.png")
    shape = {name: value for name, value in REST.items() if name in SHAPE_SIGMAS or name == "turn_deg"}
    glances = [[Glance(ref=ref, moved={}, looked=True, shape=shape, seam=SEALED)]]
    (moment,) = candidate_moments(glances, {"neutral": 1, "bite": 1})
    assert (moment.idx, moment.before_idx, moment.after_idx) == (0, None, None)
    assert candidate_moments([[Glance(ref=ref, moved={}, looked=True, shape={})]], {"neutral": 1}) == ()


def test_moments_are_spread_over_a_clip_of_an_hour():
    shape = {name: value for name, value in REST.items() if name in SHAPE_SIGMAS or name == "turn_deg"}
    glances = [
        [
            Glance(
                ref=FrameRef(camera="upper", frame_idx=90 * k, origin="x.mov", time_s=3.0 * k),
                moved={},
                looked=True,
                shape=shape,
                seam=SEALED,
            )
            for k in range(1200)
        ]
    ]
    moments = candidate_moments(glances, {"neutral": 1, "bite": 1}, most=40)
    assert len(moments) <= 40


def glance(camera, k, **changed):
    shape = {
        name: value for name, value in REST.items() if not name.startswith(("speed_", "sharp_"))
    } | changed
    ref = FrameRef(camera=camera, frame_idx=k, origin="x.mov", time_s=k / 10)
    return Glance(ref=ref, moved={}, looked=True, shape=shape, seam=SEALED)


def test_lips_on_the_way_are_not_held():
    """Lips apart until picture 11: 12 is not held, 14 is; a single stray look says nothing."""
    own = [
        replace(glance("upper", k), seam=SEALED + (0.008 if k < 12 or k == 30 else 0.0)) for k in range(60)
    ]
    readings = [reading(k, cameras=("upper",)) for k in (12, 14, 30, 40)]
    outcome = choose_picks(readings, {"neutral": 1}, gates(), glances=[own])
    assert "lips_near" in faults_at(outcome, "neutral", 12)
    assert {k: faults_at(outcome, "neutral", k) for k in (14, 30, 40)} == {14: (), 30: (), 40: ()}


def test_the_first_look_s_own_error_says_nothing_of_lips_on_the_way():
    """From picture 20 on it sees the seam 0.005 wider than the full look in the same pictures; apart from 50 on."""
    wider = [0.005 * (k >= 20) + 0.008 * (k >= 50) for k in range(60)]
    own = [replace(glance("upper", k), seam=SEALED + each) for k, each in enumerate(wider)]
    readings = [reading(k, cameras=("upper",)) for k in (10, 30, 49)]
    outcome = choose_picks(readings, {"neutral": 1}, gates(), glances=[own])
    assert {k: faults_at(outcome, "neutral", k) for k in (10, 30)} == {10: (), 30: ()}
    assert faults_at(outcome, "neutral", 49) == ("lips_near",)


def test_a_fault_that_lasts_is_named_from_the_first_look():
    """Brows up from picture 40 to 52 and shut eyes in a single one: the first is named with its span, once."""
    raised = {"brow_height_right": 0.33, "brow_height_left": 0.33}
    shut = {"lid_opening_right": 0.1, "lid_opening_left": 0.1}
    own = [glance("upper", k, **(raised if 40 <= k < 53 else shut if k == 70 else {})) for k in range(100)]
    outcome = choose_picks([reading(10), reading(20)], {"neutral": 1}, gates(), glances=[own])
    (moment,) = outcome.of("neutral").rejected
    assert [fault.code for fault in moment.faults] == ["brows_moved"]
    assert (moment.span[0].frame_idx, moment.span[1].frame_idx) == (40, 52)
    read = reading(45, {"brow_height_right": 0.33, "brow_height_left": 0.33}, cameras=("upper",))
    again = choose_picks([reading(10), read], {"neutral": 1}, gates(), glances=[own])
    assert [each.span for each in again.of("neutral").rejected] == [None]  # told by a moment that was read


def rounds(later, *, first=(0, 12, 24, 36)):
    """Read four moments first, then what is worth it; how many were read after."""
    seen = []

    def read(moments):
        seen.append([moment.idx for moment in moments])
        return [reading(moment.idx) for moment in moments]

    numbers = {"lids": 1.0, "vergence_deg": 0.0, "brows": 0.0}
    moments = [
        Moment(idx=k, before_idx=None, after_idx=None, poses=("neutral",), time_s=k / 10, numbers=numbers)
        for k in first
    ]
    moments += [
        Moment(
            idx=60 + k,
            before_idx=None,
            after_idx=None,
            poses=("neutral",),
            time_s=6 + k / 10,
            first=False,
            numbers=numbers | later,
        )
        for k in range(5)
    ]
    limits = gates()
    readings, _ = read_in_rounds(
        moments, read, lambda some: choose_picks(some, {"neutral": 1}, limits), limits
    )
    return len(readings) - len(first)


def test_moments_that_cannot_change_the_choice_are_not_read():
    """A pick and three alternates are found first: no better moment is left, and faulty ones never are."""
    assert rounds({"brows": 0.012}) == 0
    assert rounds({"brows": 0.03}) == 0


def test_moments_are_read_where_alternates_are_lacking_or_nothing_was_found():
    assert rounds({}, first=(0, 3, 6, 9)) == 5  # one moment of the clip so far
    limits = gates()
    shut = reading(5, NEUTRAL_FAULTS["eyes_shut"])
    outcome = choose_picks([shut, *rest_of_clip()], {"neutral": 1, "bite": 1}, limits)
    late = Moment(idx=70, before_idx=None, after_idx=None, poses=("bite",), time_s=7.0, first=False)
    assert worth_reading(outcome, [late], limits) == [late]  # no bite yet
    assert worth_reading(outcome, [replace(late, poses=("neutral",), numbers={"lids": 0.2})], limits) == []


def test_of_like_moments_the_cheapest_to_fetch_is_read():
    own = [glance("upper", k) for k in range(200)]
    fetch = np.array([float(k % 30) for k in range(200)])
    moments = candidate_moments([own], {"neutral": 1}, most=12, fetch=fetch)
    likeliest = [moment for moment in moments if moment.first][:5]
    assert np.median([fetch[moment.idx] for moment in likeliest]) <= 10
