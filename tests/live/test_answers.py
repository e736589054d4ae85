"""Three answers from the checks of `fitting`: the worst speaks, with one move; every check has its headline."""

import pytest

from rigcheck.checks import EXPOSURE_CHECKS, FOCUS_CHECKS, FRAMING_CHECKS
from rigcheck.landmarks import NoFace
from rigcheck.live.answers import HEADLINES, answer_of, no_face_answer, one_move, settled
from rigcheck.live.state import Answer
from rigcheck.model import CheckResult, Estimate, FrameRef


def result(code, status, action="", *, required=True, value=1.0):
    return CheckResult(
        code=code,
        title=code,
        status=status,
        estimate=Estimate(value=value, sigma=0.1, unit="mm"),
        limit="",
        message="",
        action=action,
        required=required,
    )


def test_every_check_of_a_fitting_has_a_short_headline():
    codes = {check.code for check in (*FRAMING_CHECKS, *FOCUS_CHECKS, *EXPOSURE_CHECKS)}
    assert codes == HEADLINES.keys()
    assert all(2 <= len(words.split()) <= 4 for words in HEADLINES.values())
    assert len(set(HEADLINES.values())) == len(HEADLINES)


@pytest.mark.parametrize(
    ("action", "move"),
    [
        # As the checks word them.
        (
            "Move the bar 6 mm down (the cameras then look up by 12° on average instead of 10°); turn it 1.7° down "
            "where it is instead if the boom does not allow it.",
            "Move the bar 6 mm down.",
        ),
        (
            "Turn lower's focus 9 mm nearer, away from the infinity mark: from 214 to 205 mm along the camera's axis "
            "(a target held there must be crispest). Refocusing voids the calibration.",
            "Turn lower's focus 9 mm nearer, away from the infinity mark.",
        ),
        (
            "Turn down or diffuse the lamp on the performer's left by about 0.5 stop, or close the iris or shorten the "
            "shutter of upper by as much; matte powder on the cheek where it shines.",
            "Turn down or diffuse the lamp on the performer's left by about 0.5 stop, or close the iris or shorten the "
            "shutter of upper by as much.",
        ),
        (
            "The bar stands right for the cameras together. Then turn upper by 1.2° up; a camera turned against the "
            "other needs a new calibration.",
            "Turn upper by 1.2° up.",
        ),
        (
            "upper: the softness runs along one direction, so it is motion: hold still, and read again.",
            "Upper: the softness runs along one direction, so it is motion: hold still, and read again.",
        ),
    ],
)
def test_one_move_is_one_sentence(action, move):
    assert one_move(action) == move


def test_the_worst_check_speaks_and_the_status_is_the_verdict():
    results = [
        result("FRM02", "pass"),
        result("FRM03", "caution", "Move the bar 3 mm down."),
        result("FRM04", "fail", "Give the chin more room."),
        result("FRM08", "fail", "Turn the bar by 2.0° clockwise.", value=2.0),
    ]
    answer = answer_of("framing", results)
    assert (answer.status, answer.code, answer.move) == ("fail", "FRM08", "Turn the bar by 2.0° clockwise.")
    assert (answer.number, answer.sigma, answer.unit) == (2.0, 0.1, "mm")
    assert answer_of("framing", results[:2]).status == "caution"
    assert answer_of("framing", results[:1]).move == ""


def test_a_question_that_the_verdict_hangs_on_goes_before_a_caution_that_it_does_not():
    jaw = result("FRM05", "inconclusive", "It is not decided whether the open jaw fits: film it.")
    edge = result("FRM06", "caution", "In upper the face is cut off above.", required=False)
    answer = answer_of("framing", [jaw, edge])
    assert (answer.status, answer.code) == ("inconclusive", "FRM05")
    assert "never force it" in answer.move
    skipped = result("EXP05", "skipped", "Write the curve.", required=False)
    assert answer_of("light", [result("EXP01", "pass"), skipped]).status == "pass"


def test_no_face_says_why_and_what_to_do():
    ref = FrameRef(camera="upper", frame_idx=3, origin="0")
    reason = NoFace(
        ref=ref,
        code="two_faces",
        sentence=f"{ref.label}: two faces were found, one is needed.",
        hint="have others step out of the picture; or mark the points on this picture.",
    )
    answer = no_face_answer("framing", reason, camera="upper", both=True)
    assert answer.headline == "No face seen"
    assert answer.move == (
        "Two faces were found, one is needed in upper: Have others step out of the picture."
    )
    assert no_face_answer("light", reason, camera="upper", both=True).move == ""


def test_another_answer_is_shown_when_found_twice_or_after_a_move():
    good, bad = (Answer(subject="focus", status=s, headline="", move="") for s in ("pass", "fail"))
    assert settled(None, None, good, moved=False) is good
    assert settled(good, good, bad, moved=False) is good
    assert settled(good, bad, bad, moved=False) is bad
    assert settled(good, good, bad, moved=True) is bad
