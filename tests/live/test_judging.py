"""Answers follow the face: steady while it stays, another answer soon after the hand moves the boom, focus or lamp."""

from dataclasses import replace

import numpy as np
import pytest
from face_clips import SIZE_PX, calibration_of, shifted, talking_clip

from rigcheck.checks import Limits, effective_limits
from rigcheck.face.exposure_light import light_curve
from rigcheck.face.fitting_run import camera_optics
from rigcheck.jobs.fitting_light import PROXY_LIGHT
from rigcheck.jobs.moment import MomentMeasurer
from rigcheck.landmarks.noface import no_face
from rigcheck.live.judging import FaceJudge, Judging
from rigcheck.model import CameraDescription, Frame, FrameRef
from rigcheck.opencv import cv2

pytestmark = pytest.mark.xdist_group("rendered-face")

PERIOD_S = 1 / 15
LENS = CameraDescription(
    name="", focal_length_mm=6.0, f_number=2.8, pixel_pitch_um=10.35, focused_at_mm=205.0
)


def judging(**more):
    calibration = calibration_of(talking_clip().rig)
    names = ("upper", "lower")
    described = tuple(replace(LENS, name=name) for name in names)
    return Judging(
        names=names,
        optics=tuple(camera_optics(SIZE_PX, None, calibration=calibration, camera_idx=k) for k in (0, 1)),
        curves=(light_curve(None),) * 2,
        described=described,
        limits=Limits(effective_limits()),
        stereo=calibration.rig,
        **more,
    )


def frames_of(k, change):
    return [
        Frame(
            ref=FrameRef(camera=f"camera{n}", frame_idx=k, origin="rendered"),
            image=np.ascontiguousarray(change(pictures[k])),
        )
        for n, pictures in enumerate(talking_clip().pictures)
    ]


CHANGES = {
    "still": lambda picture: picture,
    "low": lambda picture: shifted(picture, 0, 60),
    "soft": lambda picture: cv2.GaussianBlur(picture, (0, 0), 3.0),
    "bright": lambda picture: np.clip(picture.astype(np.float32) * 3.2, 0, 255).astype(np.uint8),
}


@pytest.fixture(scope="module")
def moments():
    """Three moments of the performer at rest, and the same with the boom, focus or lamps changed."""
    calibration = calibration_of(talking_clip().rig)
    out = {}
    with MomentMeasurer(frames_of(0, CHANGES["still"]), calibration=calibration) as measurer:
        for name, change in CHANGES.items():
            found = [measurer.measure(frames_of(k, change), matched=name == "still") for k in (0, 1, 2)]
            # The first is held against a picture before the change.
            out[name] = found[1:] if name != "still" else found
    return out


class Playing:
    """Feeds moments at 15 a second and judges after every eighth, and at once after a move."""

    def __init__(self, **more):
        self.judge, self.count = FaceJudge(judging(**more)), 0

    def play(self, moments, count):
        """Answers and the number of moments since the start, at each judging."""
        out = []
        for k in range(count):
            moment = moments[k % len(moments)]
            cameras = tuple(
                part
                if not hasattr(part.face, "points_px")
                else replace(part, face=replace(part.face, ref=replace(part.face.ref, frame_idx=self.count)))
                for part in moment.cameras
            )
            moved = self.judge.take(replace(moment, cameras=cameras), self.count * PERIOD_S)
            self.count += 1
            if moved or self.count % 8 == 0:
                out.append((self.count, self.judge.answers((self.count - 1) * PERIOD_S)))
        return out


def seen(rows, subject):
    return [(count, answer) for count, answers in rows for answer in answers if answer.subject == subject]


def test_a_face_that_stays_gets_one_answer_that_does_not_flicker(moments):
    rows = Playing().play(moments["still"], 32)
    assert len(rows) == 4
    for subject in ("framing", "focus", "light"):
        found = {(answer.status, answer.code, answer.move) for _, answer in seen(rows, subject)}
        assert len(found) == 1, found
    assert seen(rows, "light")[-1][1].status == "pass"


@pytest.mark.parametrize(
    ("change", "subject", "codes"),
    [
        ("low", "framing", ("FRM03", "FRM04", "FRM05")),
        ("soft", "focus", ("FOC01", "FOC02")),
        ("bright", "light", ("EXP01", "EXP04")),
    ],
)
def test_a_move_of_the_hand_shows_within_half_a_second(moments, change, subject, codes):
    """Three moments show the move, and it is judged at once: 0.2 s at 15 measurements a second."""
    playing = Playing()
    before = seen(playing.play(moments["still"], 16), subject)[-1][1]
    assert before.status != "fail"
    after = [(count - 16, answer) for count, answer in seen(playing.play(moments[change], 12), subject)]
    first = next(count for count, answer in after if answer.status == "fail")
    assert first * PERIOD_S <= 0.5
    answer = after[-1][1]
    assert answer.code in codes
    assert answer.move
    if change == "low":
        assert "mm down" in answer.move
    # And back again.
    back = seen(playing.play(moments["still"], 12), subject)
    assert back[-1][1].status == before.status


def test_skin_is_matched_at_first_then_seldom_and_again_after_a_move(moments):
    playing = Playing()
    assert playing.judge.wants_pair(0.0)
    playing.play(moments["still"], 2)
    assert not playing.judge.wants_pair(2 * PERIOD_S)
    assert playing.judge.wants_pair(2.0)
    assert playing.judge.focus is None
    playing.play(moments["still"], 8)
    assert playing.judge.focus.calibrated
    # The clip is rendered at 205 mm; so small a picture may leave the plane untold, but not where the skin is.
    assert playing.judge.focus.number("upper", "eye_depth_mm").value == pytest.approx(205.0, abs=25.0)
    playing.play(moments["low"], 3)
    assert not playing.judge.focus.calibrated
    assert playing.judge.wants_pair(11 * PERIOD_S)


def test_a_face_that_is_gone_is_said_after_a_while_and_a_blink_of_it_is_not(moments):
    playing = Playing()
    playing.play(moments["still"], 16)
    lost = replace(
        moments["still"][0],
        cameras=tuple(
            replace(
                part,
                face=no_face(part.face.ref, "none"),
                framing=None,
                focus=None,
                exposure=None,
            )
            for part in moments["still"][0].cameras
        ),
    )
    assert all(answer.headline != "No face seen" for _, answer in seen(playing.play([lost], 8), "framing"))
    gone = seen(playing.play([lost], 16), "framing")[-1][1]
    assert (gone.headline, gone.status) == ("No face seen", "inconclusive")
    assert "upper" in gone.move


def test_of_a_proxy_only_the_framing_is_judged(moments):
    bare = [
        replace(
            moment,
            cameras=tuple(replace(part, focus=None, exposure=None) for part in moment.cameras),
        )
        for moment in moments["still"]
    ]
    rows = Playing(proxy=True).play(bare, 8)
    light = seen(rows, "light")[-1][1]
    assert light.status == "inconclusive"
    assert PROXY_LIGHT[1:] in light.move
    assert seen(rows, "framing")[-1][1].code
