"""Answers do not outlive the pictures that they are from: soon they are shown as old, then withdrawn."""

from collections.abc import Sequence
from dataclasses import replace

from rigcheck.live.state import Answer, BoardReading, SourceState

__all__ = ["OLD_AFTER_S", "WITHDRAWN_AFTER_S", "aged", "aged_board", "why_old"]

# Judging rests for 1.5 s at most and takes a fraction of one: older answers mean that something holds pictures,
# measuring or judging up. Longer than the second a hand has moved on.
OLD_AFTER_S, WITHDRAWN_AFTER_S = 3.0, 8.0
_HELD_UP = (
    "This machine measures too slowly, or a fault holds it up: close other programs; if it stays so, end the session "
    "and start it again."
)


def aged(answers: Sequence[Answer], age_s: float, why: str) -> tuple[Answer, ...]:
    """Answers as they may be shown when the pictures they are from are so old.

    Parameters
    ----------
    answers : sequence of Answer
    age_s : float
    why : str
        Which source holds newer ones up, and what to do; empty where none does, and this machine is meant.

    Returns
    -------
    tuple of Answer
        As they are for 3 s; then with their age and without moves, which the hand may have made since; after 8 s none
        of what they said, but why. The first one's move says so.
    """
    if age_s <= OLD_AFTER_S or not answers:
        return tuple(answers)
    if age_s <= WITHDRAWN_AFTER_S:
        said = f"These answers are {age_s:.0f} s old: wait for new ones before you move anything."
        found = [replace(each, move="", old_s=age_s) for each in answers]
    else:
        said = why or f"Nothing new for {age_s:.0f} s. {_HELD_UP}"
        found = [
            Answer(
                subject=each.subject,
                status="inconclusive",
                headline="Not known now",
                move="",
                old_s=age_s,
            )
            for each in answers
        ]
    return replace(found[0], move=said), *found[1:]


def aged_board(board: BoardReading, age_s: float) -> BoardReading:
    """What board mode says: soon nothing of a view that is gone; what was kept stays."""
    if age_s <= OLD_AFTER_S:
        return board
    return replace(board, adds=None, adds_sentence=f"Nothing new seen for {age_s:.0f} s.")


def why_old(sources: Sequence[SourceState]) -> str:
    """The source that holds answers up, with what to do; empty where all run."""
    ill = next((each for each in sources if each.state != "running"), None)
    if ill is None:
        return ""
    return f"Camera {ill.camera_idx + 1}: {ill.sentence[:1].lower()}{ill.sentence[1:]}"
