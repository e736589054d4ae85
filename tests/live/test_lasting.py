"""What only seconds show, each planted and not: a lamp on mains, a wrong transfer curve, a boom, a covered mouth."""

from dataclasses import replace

import numpy as np
import pytest
from exposure_study import case, described
from face_clips import SIZE_PX, calibration_of, shifted, talking_clip, with_bar

from rigcheck.checks import EXPOSURE_CHECKS, Limits, effective_limits, run_checks
from rigcheck.face.exposure_light import light_curve
from rigcheck.face.exposure_moment import exposure_moment
from rigcheck.face.exposure_run import CameraExposed, exposure_run
from rigcheck.face.fitting_run import camera_optics
from rigcheck.jobs.moment import Moment
from rigcheck.jobs.moment_camera import CameraMoment
from rigcheck.landmarks import FaceFinder
from rigcheck.live.answers import answer_of
from rigcheck.live.judging import FaceJudge, Judging
from rigcheck.live.lasting import Lasting, Watched
from rigcheck.live.shots import Shot, View
from rigcheck.model import CameraDescription, Frame, FrameRef
from rigcheck.opencv import cv2

pytestmark = pytest.mark.xdist_group("rendered-face")

LIMITS = Limits(effective_limits())
NAME = "a"


def watched(curve=None, **more):
    return Watched(
        name=NAME, view=View(source_idx=0), mount_rotation_deg=0, curve=curve or light_curve(None), **more
    )


def said(answer):
    """Everything that an answer names."""
    return (answer.headline, *answer.also)


# --- light over time -------------------------------------------------------------------------------------------------


class Lit:
    """The rendered face of a camera at 30 pictures a second, and what is said of its light."""

    def __init__(self, name="usual", transfer="linear"):
        self.case = case(name)
        curve = light_curve(described(transfer))
        self.moment = exposure_moment(self.case.frame, self.case.face, curve)
        self.exposed = CameraExposed(name=NAME, curve=curve, moments=(self.moment,))
        self.lasting = Lasting([watched(curve)])
        self.part = CameraMoment(face=self.case.face, exposure=self.moment)
        self.lasting.take(Moment(cameras=(self.part,)), [self.case.frame], 0.0)
        self.at_s, self.number = 0.0, 0

    def play(self, seconds, light, fps=30.0):
        """Four new pictures are held each time, as a source holds them; they arrive up to 3 ms late."""
        image = self.case.frame.image
        late = np.random.default_rng([91, self.number])
        for _ in range(int(seconds * fps / 4)):
            held = []
            for _ in range(4):
                self.number, self.at_s = self.number + 1, self.at_s + 1.0 / fps
                lit = cv2.convertScaleAbs(image, alpha=light(self.at_s))
                at_s = self.at_s + late.uniform(0.0, 0.003)
                held.append(
                    Shot(
                        number=self.number,
                        captured_at_s=at_s,
                        bit_depth=8,
                        colour=False,
                        make=lambda lit=lit: lit,
                    )
                )
            self.lasting.take_pictures([tuple(held)])
            self.lasting.ask(self.at_s)
        return self

    def answer(self, now_s=None):
        run = self.lasting.into_light(exposure_run([self.exposed]), self.at_s if now_s is None else now_s)
        return answer_of("light", run_checks(EXPOSURE_CHECKS, run, LIMITS))

    def check(self, code):
        run = self.lasting.into_light(exposure_run([self.exposed]), self.at_s)
        return next(each for each in run_checks(EXPOSURE_CHECKS, run, LIMITS) if each.code == code)


def mains(at_s):
    """Light of 100 Hz with a half swing of 10 %; the shutter is short."""
    return 1.0 + 0.1 * np.sin(2 * np.pi * 100.0 * at_s)


def test_a_lamp_on_mains_is_named_and_its_line_stays_until_it_is_off():
    """Handbook §4: light of 100 Hz beats at 10 Hz against 30 frames/s; its swing is log2(1.1 / 0.9)."""
    lit = Lit().play(9.0, mains)
    assert "Light flickers" in said(lit.answer())
    flickers = lit.check("EXP07")
    assert "50 Hz" in flickers.message
    assert "10.0" in flickers.message
    assert flickers.estimate.value == pytest.approx(np.log2(1.1 / 0.9), abs=0.03)
    assert "mains" in flickers.action
    # Shown still for a while, since one run holds both; then gone.
    lit.play(10.0, lambda _: 1.0)
    assert "Light flickers" not in said(lit.answer())


@pytest.mark.parametrize(
    "light",
    [
        lambda _: 1.0,
        lambda at_s: 1.0 if at_s < 4.0 else 0.8,  # a lamp turned down
        lambda at_s: 1.0 - 0.03 * at_s,  # the head goes slowly away from it
    ],
    ids=["even", "step", "slope"],
)
def test_light_that_does_not_beat_is_not_called_flicker(light):
    lit = Lit().play(9.0, light)
    assert lit.lasting._cameras[0]._beat._at_s > 5.0  # twice or more it was told
    assert "Light flickers" not in said(lit.answer())


def test_a_finding_is_withdrawn_when_nothing_newer_tells():
    lit = Lit().play(9.0, mains)
    assert "Light flickers" in said(lit.answer(lit.at_s + 15.0))
    assert "Light flickers" not in said(lit.answer(lit.at_s + 25.0))


def test_a_gap_in_the_pictures_starts_a_new_run():
    lit = Lit().play(4.0, mains)
    lit.at_s += 2.0
    lit.play(1.0, mains)
    assert lit.lasting._cameras[0].trace.series() is None


@pytest.mark.parametrize(("stated", "doubtful"), [("srgb", False), ("linear", True)])
def test_noise_against_the_stated_curve(stated, doubtful):
    """Pictures coded by sRGB; the rig file says so, or calls them linear."""
    lit = Lit("srgb", stated)
    for _ in range(3):
        lit.at_s += 4.0
        lit.lasting.take(Moment(cameras=(lit.part,)), [lit.case.frame], lit.at_s)
        lit.lasting.ask(lit.at_s)
    assert ("Transfer curve doubtful" in said(lit.answer())) is doubtful
    assert lit.check("EXP08").status == ("fail" if doubtful else "pass")
    assert not doubtful or "check transfer in the rig file" in lit.check("EXP08").action


# --- before the face -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def faces():
    """Pictures of the performer talking while the helmet is rocked by hand, each with its face."""
    finder = FaceFinder()
    out = []
    for k, picture in enumerate(talking_clip().pictures[1]):
        image = shifted(picture, 2.8 * np.cos(1.9 * k), 4.0 * np.sin(1.1 * k))
        ref = FrameRef(camera=NAME, frame_idx=k, origin="rendered")
        frame = Frame(ref=ref, image=image)
        out.append((frame, finder.find(frame)))
    return out


class Seated:
    """A session of one camera whose framing alone is judged, fed at five pictures a second."""

    def __init__(self):
        calibration = calibration_of(talking_clip().rig)
        known = Judging(
            names=(NAME,),
            optics=(camera_optics(SIZE_PX, None, calibration=calibration, camera_idx=1),),
            curves=(light_curve(None),),
            described=(CameraDescription(name=NAME),),
            limits=LIMITS,
            proxy=True,
        )
        self.lasting = Lasting([watched()])
        self.judge, self.at_s = FaceJudge(known, self.lasting), 0.0

    def play(self, faces, seconds, before=lambda picture: picture):
        """What the framing's answers named, one a second."""
        out = []
        for k in range(int(5 * seconds)):
            frame, face = faces[k % len(faces)]
            self.at_s += 0.2
            face = replace(face, ref=replace(face.ref, frame_idx=round(5 * self.at_s)))
            moment = Moment(cameras=(CameraMoment(face=face),))
            self.lasting.take(moment, [replace(frame, image=before(frame.image))], self.at_s)
            self.judge.take(moment, self.at_s)
            self.lasting.ask(self.at_s)
            if k % 5 == 4:
                out.append(self.judge.answers(self.at_s)[0])
        return out


def boomed(picture):
    return with_bar(picture, (0, 330), (120, 270), 12)


def masked(picture):
    covered = picture.copy()
    cv2.ellipse(covered, (180, 340), (90, 100), 0, 0, 360, 120, -1)
    return covered


def test_a_boom_over_the_cheek_is_named_steadily_and_gone_after_it_is_bent_away(faces):
    seated = Seated()
    clear = seated.play(faces, 10)
    assert all("Something before the face" not in said(answer) for answer in clear)
    found = seated.play(faces, 30, boomed)
    named = ["Something before the face" in said(answer) for answer in found]
    first = named.index(True)
    assert first <= 25
    assert all(named[first:]), named
    answer = found[-1]
    assert (answer.status, answer.headline) == ("fail", "Something before the face")
    assert "Clear the view of a near the right cheek" in answer.move
    assert "bend the boom" in answer.move
    after = seated.play(faces, 20)
    assert "Something before the face" not in said(after[-1])


def test_a_face_that_holds_still_is_not_nagged_to_move(faces):
    """Planted: nothing stands out, and too little moves to tell; a fitting's report asks for a rocked helmet there."""
    still = Seated().play(faces[:1], 10)
    assert all("Something before the face" not in said(answer) for answer in still)
    assert still[-1].status == Seated().play(faces[:1], 1)[-1].status


def test_a_covered_mouth_is_named(faces):
    """A plain mask takes the lips' edges away; the points are where a mesh may put them."""
    seated = Seated()
    assert all("Mouth covered" not in said(answer) for answer in seated.play(faces, 4))
    found = seated.play(faces, 6, masked)[-1]
    assert (found.status, found.headline) == ("fail", "Mouth covered")
    assert found.move.startswith("Take away what covers the mouth")
    assert "Mouth covered" not in said(seated.play(faces, 6)[-1])
