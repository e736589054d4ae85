"""From the checks of a `fitting` to one answer with one next move for the hand."""

import re
from collections.abc import Sequence
from dataclasses import replace

from rigcheck.checks import overall_verdict
from rigcheck.landmarks import NoFace
from rigcheck.live.state import Answer, AnswerStatus, Subject
from rigcheck.model import CheckResult

__all__ = ["HEADLINES", "answer_of", "no_face_answer", "not_judged_answer", "one_move", "settled"]

_GOOD: dict[Subject, str] = {"framing": "Framing is good", "focus": "Focus is good", "light": "Light is good"}
_OPEN: dict[Subject, str] = {
    "framing": "Framing not decided",
    "focus": "Focus not decided",
    "light": "Light not decided",
}
# What is wrong, short enough to be read across a room; by the code of the check that says it.
HEADLINES = {
    "FRM01": "Face turned or lost",
    "FRM02": "Off centre sideways",
    "FRM03": "Off centre in height",
    "FRM04": "Chin near the edge",
    "FRM05": "Room for the jaw",
    "FRM06": "Edge of the face",
    "FRM07": "Face too small",
    "FRM08": "Face leans",
    "FRM09": "Seen from wrong height",
    "FRM10": "Lids or lips hidden",
    "FRM11": "Something before the face",
    "FRM12": "Helmet slides",
    "FRM13": "Cameras do not agree",
    "FRM14": "Sizes look wrong",
    "FRM15": "Not as approved",
    "FRM16": "Looks have changed",
    "FRM17": "Mouth covered",
    "FOC01": "Eyes are soft",
    "FOC02": "Skin is soft",
    "FOC03": "Motion blur",
    "FOC04": "One camera softer",
    "FOC05": "Eyes out of focus",
    "FOC06": "Cheeks out of focus",
    "FOC07": "Chin out of focus",
    "FOC08": "Focus ring moved",
    "EXP01": "Skin is blown",
    "EXP02": "Noise in the shadow",
    "EXP03": "Skin too dark",
    "EXP04": "Exposure to set",
    "EXP05": "Sides differ",
    "EXP06": "Cameras differ",
    "EXP07": "Light flickers",
    "EXP08": "Transfer curve doubtful",
    "EXP09": "Colour channel clipped",
}
# A failure first; then what the verdict hangs on, moves before questions; then the rest.
_RANK = {
    ("fail", True): 0,
    ("fail", False): 0,
    ("caution", True): 1,
    ("inconclusive", True): 2,
    ("skipped", True): 3,
    ("caution", False): 4,
    ("inconclusive", False): 5,
}
# A sum that a hand can dial.
_AMOUNT = re.compile(r"\d(?:\.\d+)?\s?(?:mm|°|%|stop)")
# Where more pictures would tell, nothing is asked of the hand: watching goes on.
_GOES_ON = ("FRM11", "EXP07")
_ASIDE = re.compile(r"\s*\([^()]*\)")
_SENTENCE = re.compile(r"(?<=[.!?])\s+(?=[A-Z])")
_NO_MOVE = "The bar stands right"
# The report asks for a clip; here the performer sits before the cameras.
_UNCOVER = "Take away what covers the mouth or the nose: a mask, a hand, a microphone."
_ASK_FOR_JAW = (
    "Have the performer open the mouth as wide as is comfortable, once: never force it, and stop when the jaw hurts or "
    "locks."
)


def answer_of(subject: Subject, results: Sequence[CheckResult]) -> Answer:
    """Sum up the checks of one subject.

    Parameters
    ----------
    subject : "framing", "focus" or "light"
    results : sequence of CheckResult
        In the order of the report.

    Returns
    -------
    Answer
        Its status is the verdict of all of them. The check that speaks is the worst that the verdict hangs on; among
        alike ones the first whose move is in millimetres, degrees, stops or per cent, else the first. What else fails
        or is cautioned is named.
    """
    results = [each for each in results if each.code not in _GOES_ON or each.status != "inconclusive"]
    verdict = overall_verdict(results)
    if verdict == "pass":
        passed = [each for each in results if each.status == "pass"]
        # The first with a sigma says most: how far it is from its limit.
        number = next((each for each in passed if each.estimate.sigma is not None), passed[0])
        return _answer(subject, verdict, _GOOD[subject], "", number)
    asking = [each for each in results if _asks(each)]
    if not asking:
        return Answer(subject=subject, status=verdict, headline=_OPEN[subject], move="")
    moves = {each.code: _move(each) for each in asking}
    speaks = min(
        asking,
        key=lambda each: (
            _RANK[each.status, each.required],
            not _AMOUNT.search(moves[each.code]),
            asking.index(each),
        ),
    )
    wrong = sorted(
        (each for each in asking if each.status in ("fail", "caution") and each is not speaks),
        key=lambda each: each.status != "fail",
    )
    answer = _answer(subject, verdict, _headline(speaks), moves[speaks.code], speaks)
    return replace(answer, also=tuple(dict.fromkeys(map(_headline, wrong))))


def no_face_answer(subject: Subject, reason: NoFace, *, camera: str, both: bool) -> Answer:
    """What is said of every subject while a camera shows no face."""
    where = f" in {camera}" if both else ""
    headline = "No face seen" if subject == "framing" else _OPEN[subject]
    move = one_move(f"{reason.hint.partition('; or')[0].partition('; else')[0].rstrip('.')}.")
    move = f"{_capital(reason.sentence.removeprefix(f'{reason.ref.label}: '))[:-1]}{where}: {move}"
    return Answer(
        subject=subject, status="inconclusive", headline=headline, move=move if subject == "framing" else ""
    )


def not_judged_answer(subject: Subject, reason: str) -> Answer:
    """What is said of a subject that cannot be judged, for a reason that is no picture's."""
    headline = f"{_capital(subject)} not judged"
    return Answer(
        subject=subject, status="inconclusive", headline=headline, move=f"{_capital(reason.rstrip('.'))}."
    )


def one_move(action: str) -> str:
    """The first thing to do of a check's advice: one sentence, without asides, and without what else would do."""
    sentences = _SENTENCE.split(_ASIDE.sub("", action).strip())
    said = next((each for each in sentences if not each.startswith(_NO_MOVE)), "")
    for cut in ("; ", ": "):
        head, found, _ = said.partition(cut)
        if found and _AMOUNT.search(head):
            said = f"{head}."
    return _capital(said.removeprefix("Then "))


def settled(before: Answer | None, waiting: Answer | None, now: Answer, *, moved: bool) -> Answer:
    """Which answer to show: another one only when it was found twice, or at once after a move.

    Parameters
    ----------
    before : Answer or None
        The one shown.
    waiting : Answer or None
        The one found last.
    now : Answer
        The one found now.
    moved : bool
        Whether the hand has moved something since.
    """
    if before is None or moved or _alike(before, now):
        return now
    return now if waiting is not None and _alike(waiting, now) else before


def _alike(one: Answer, other: Answer) -> bool:
    return (one.status, one.code) == (other.status, other.code)


def _headline(result: CheckResult) -> str:
    return HEADLINES.get(result.code, result.title)


def _asks(result: CheckResult) -> bool:
    """Whether a result is something to do something about."""
    if result.status in ("fail", "caution", "inconclusive"):
        return True
    return result.status == "skipped" and result.required


def _move(result: CheckResult) -> str:
    if result.code == "FRM05" and result.status == "inconclusive":
        return _ASK_FOR_JAW
    if result.code == "FRM17":
        return _UNCOVER
    if result.code == "FRM11":
        return f"{one_move(result.action).partition('; ')[0].rstrip('.')}."
    return one_move(result.action)


def _answer(subject: Subject, status: AnswerStatus, headline: str, move: str, result: CheckResult) -> Answer:
    number = result.estimate
    return Answer(
        subject=subject,
        status=status,
        headline=headline,
        move=move,
        number=number.value,
        sigma=number.sigma,
        unit=number.unit,
        code=result.code,
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
