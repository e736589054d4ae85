"""Answers do not outlive their pictures: a source that stalls and a machine that hangs leave none standing."""

import threading
import time

import pytest
from face_clips import talking_clip
from live.test_engine import framing, wait_for
from small_shoot import clip_of

from rigcheck.live.ageing import OLD_AFTER_S, WITHDRAWN_AFTER_S, aged, aged_board, why_old
from rigcheck.live.engine import LiveEngine
from rigcheck.live.feed_file import FileFeed
from rigcheck.live.measuring import FaceMeasurer
from rigcheck.live.options import LiveOptions
from rigcheck.live.state import Answer, BoardReading, SourceState

pytestmark = pytest.mark.xdist_group("rendered-face")

ANSWERS = (
    Answer(subject="framing", status="fail", headline="Chin near the edge", move="Lower it.", code="FRM04"),
    Answer(subject="focus", status="pass", headline="Focus is good", move="", code="FOC05"),
)


def source(state, sentence):
    return SourceState(
        camera_idx=0,
        name="a",
        state=state,
        sentence=sentence,
        seconds_since_picture=4.0,
        pictures_per_s=0.0,
    )


def test_an_answer_is_shown_as_old_and_then_withdrawn():
    assert aged(ANSWERS, OLD_AFTER_S, "x") == ANSWERS
    old = aged(ANSWERS, 4.2, "x")
    assert [(each.headline, each.old_s) for each in old] == [
        ("Chin near the edge", 4.2),
        ("Focus is good", 4.2),
    ]
    # A move that the hand may have made since is not asked for again.
    assert "4 s old: wait" in old[0].move
    assert old[1].move == ""
    gone = aged(ANSWERS, WITHDRAWN_AFTER_S + 1.0, "Camera 1 is silent: check its cable.")
    assert [each.status for each in gone] == ["inconclusive"] * 2
    assert [each.headline for each in gone] == ["Not known now"] * 2
    assert gone[0].move == "Camera 1 is silent: check its cable."
    assert "Nothing new for 9 s. This machine measures too slowly" in aged(ANSWERS, 9.0, "")[0].move
    assert all(each.code == "" and each.number is None for each in gone)
    assert aged((), 99.0, "x") == ()


def test_what_holds_answers_up_is_the_source_that_is_ill_else_this_machine():
    running, ill = source("running", "Pictures come in."), source("stalled", "No new picture for 4 s: look.")
    assert why_old([running, ill]) == "Camera 1: no new picture for 4 s: look."
    assert why_old([running]) == ""


def test_what_a_view_of_the_board_adds_is_not_said_of_a_view_that_is_gone():
    board = BoardReading(adds=0.1, adds_sentence="This view adds 10 %.", views_kept=5)
    assert aged_board(board, 1.0) is board
    old = aged_board(board, 5.0)
    assert (old.adds, old.adds_sentence, old.views_kept) == (None, "Nothing new seen for 5 s.", 5)


@pytest.mark.parametrize("fault", ["the source stalls", "measuring hangs"])
def test_no_answer_stands_when_nothing_new_comes(tmp_path, monkeypatch, fault):
    """Planted in a running session; when it is over, answers come again by themselves."""
    monkeypatch.setattr("rigcheck.live.ageing.OLD_AFTER_S", 2.0)
    monkeypatch.setattr("rigcheck.live.ageing.WITHDRAWN_AFTER_S", 4.0)
    planted, read, whole = threading.Event(), FileFeed.read, FaceMeasurer.whole

    def stalling(feed):
        if fault == "the source stalls" and planted.is_set():
            time.sleep(0.05)
            return None
        return read(feed)

    def hanging(measurer, begun):
        while fault == "measuring hangs" and planted.is_set():
            time.sleep(0.05)
        return whole(measurer, begun)

    monkeypatch.setattr(FileFeed, "read", stalling)
    monkeypatch.setattr(FaceMeasurer, "whole", hanging)
    clip = clip_of(tmp_path / "upper.mp4", [talking_clip().pictures[0][0]] * 16, rate=8)
    with LiveEngine(
        LiveOptions(sources=(str(clip),), out=tmp_path / "out", loop=True, most_per_s=3.0)
    ) as engine:
        try:
            wait_for(engine, lambda reading: framing(reading) and framing(reading).code)
            assert engine.map_png("focus", 0) is not None
            planted.set()
            old = framing(wait_for(engine, lambda reading: framing(reading).old_s))
            assert old.code
            assert "wait for new ones" in old.move
            gone = framing(wait_for(engine, lambda reading: not framing(reading).code))
            assert gone.headline == "Not known now"
            assert ("no new picture" if fault == "the source stalls" else "measures too slowly") in gone.move
            assert engine.map_png("focus", 0) is None
        finally:
            planted.clear()
        wait_for(engine, lambda reading: framing(reading).code and framing(reading).old_s is None)
