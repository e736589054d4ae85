"""Each check of picks that needs no picture, shown to speak up on a planted fault and to pass without it."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.checks import PICKS_CHECKS, Limits, effective_limits, run_checks
from rigcheck.face.picks_rows import SeenRows
from rigcheck.face.picks_run import COURSE_NAMES, ClipCourse, PicksRun
from rigcheck.model import Estimate, FrameRef
from rigcheck.model.picking import Pick, PickOutcome, PickPose, PickReason, PoseChoice, PoseReading


def picked(pose: PickPose, score: float = 0.9, **numbers: float) -> Pick:
    ref = FrameRef(camera="upper", frame_idx=7, origin="upper.mov", time_s=0.28)
    return Pick(
        pose=pose,
        reading=PoseReading(refs=(ref,), cameras={"upper": {}}),
        score=score,
        reasons=(PickReason(code="moving", sentence="the face moves", score=score, weight=1.0),),
        numbers={name: Estimate(value=value, unit="deg") for name, value in numbers.items()},
    )


def choice(pose: PickPose, *picks: Pick, wanted: int = 1) -> PoseChoice:
    missing = () if len(picks) >= wanted else ("moving",)
    return PoseChoice(pose=pose, wanted=wanted, picks=picks, alternates=(), rejected=(), missing=missing)


GOOD = {
    "neutral": choice("neutral", picked("neutral", vergence_deg=1.0)),
    "bite": choice("bite", picked("bite")),
    "side": choice("side", picked("side"), picked("side"), wanted=2),
}


def course(looks: int) -> ClipCourse:
    return ClipCourse(times_s=np.arange(looks) / 10, numbers={name: np.zeros(looks) for name in COURSE_NAMES})


def run(incisors: Estimate | None = None, sealed: float = 0.05, **changed: PoseChoice) -> PicksRun:
    choices = GOOD | changed
    return PicksRun(
        outcome=PickOutcome(choices=tuple(choices.values())),
        wanted={each.pose: each.wanted for each in choices.values()},
        cameras=("upper",),
        pairs=20,
        read=5,
        calibrated=True,
        course=course(20),
        measurements={},
        incisors=Estimate(value=3.0, sigma=0.3, unit="mm", n=9) if incisors is None else incisors,
        rows={"upper": SeenRows(rows="lower", lower=0.12, tooth=0.06)},
        sealed=Estimate(value=sealed),
    )


def results(evidence: PicksRun):
    return run_checks(PICKS_CHECKS, evidence, Limits(effective_limits()))


def judged(evidence: PicksRun) -> dict[str, tuple[str, str]]:
    return {each.code: (each.status, each.action) for each in results(evidence)}


def test_a_good_choice_passes():
    status = {code: found for code, (found, _) in judged(run()).items()}
    assert {status[f"PIC0{k}"] for k in range(1, 8)} == {"pass"}
    assert status["PIC10"] == "pass"


@pytest.mark.parametrize(
    ("code", "fault", "status"),
    [
        ("PIC01", run(neutral=choice("neutral")), "fail"),
        ("PIC02", run(bite=choice("bite")), "caution"),
        ("PIC03", run(side=choice("side", picked("side"), wanted=2)), "caution"),
        ("PIC04", run(neutral=choice("neutral", picked("neutral", 0.3, vergence_deg=1.0))), "caution"),
        ("PIC05", run(bite=choice("bite", picked("bite", 0.3))), "caution"),
        ("PIC06", run(neutral=choice("neutral", picked("neutral"))), "skipped"),
        ("PIC07", run(incisors=Estimate(value=3.0, sigma=2.5, unit="mm", n=9)), "caution"),
        ("PIC07", run(incisors=Estimate(value=None, unit="mm", reason="no edge was seen")), "skipped"),
        ("PIC07", run(incisors=Estimate(value=None, unit="mm", reason="a lip hides it")), "skipped"),
        ("PIC04", replace(run(), course=course(1)), "inconclusive"),
        ("PIC05", replace(run(), course=course(11)), "inconclusive"),
        ("PIC10", run(sealed=0.95), "caution"),
        ("PIC10", run(sealed=0.5), "inconclusive"),
    ],
)
def test_a_planted_fault_is_told_with_what_to_do(code, fault, status):
    found, action = judged(fault)[code]
    assert found == status
    assert action


def test_few_looks_are_enough_beside_a_picture_known_to_be_right():
    assert judged(replace(run(), course=course(1), reference=7))["PIC04"][0] == "pass"


def test_no_pick_of_a_pose_not_asked_for_is_no_fault():
    evidence = run()
    only = replace(evidence, outcome=PickOutcome(choices=(GOOD["bite"],)), wanted={"bite": 1})
    status = {code: found for code, (found, _) in judged(only).items()}
    assert status["PIC03"] == "skipped"


def test_the_rows_of_teeth_are_said():
    """0.12 and 0.06 of 87.8 mm between the outer corners of the eyes."""
    (message,) = (each.message for each in results(run()) if each.code == "PIC02")
    assert "upper sees the lower row alone, 11 mm of it (its front teeth are 5.3 mm wide)" in message


def test_a_hidden_edge_asks_for_the_lip_and_anything_else_for_another_take():
    hidden, lost = (
        judged(run(incisors=Estimate(value=None, unit="mm", reason=reason)))["PIC07"][1]
        for reason in ("a lip hides it", "no edge was seen")
    )
    assert "upper lip" in hidden
    assert "without force" in hidden
    assert hidden != lost
