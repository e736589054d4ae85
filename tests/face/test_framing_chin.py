"""The chin followed through a rendered opening of the mouth, held against where the rendered chin is."""

from functools import lru_cache

import numpy as np
import pytest
from face_clips import SIZE_PX, render_clip, with_bar

from rigcheck.checks import FRAMING_CHECKS, Limits, effective_limits, run_checks
from rigcheck.demo.camera import project_points
from rigcheck.demo.head_expression import jaw_open, neutral
from rigcheck.demo.head_performer import Performer, posed_head
from rigcheck.demo.head_rig import head_pose
from rigcheck.face.fitting_run import CameraSeen, fitting_run
from rigcheck.face.framing_cover import work_picture
from rigcheck.face.framing_points import upright_face
from rigcheck.face.framing_pose import Optics
from rigcheck.jobs.fitting_opening import widest_opening
from rigcheck.landmarks import FaceFinder
from rigcheck.model import FaceLandmarks, Frame, FrameRef

pytestmark = pytest.mark.xdist_group("rendered-face")
RISE = np.array([0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 0.95])
AT_REST, WIDEST = 3, 3 + len(RISE)


class Pictures:
    """As much of a clip as following asks for."""

    def __init__(self, pictures):
        self.pictures, self.indices = pictures, np.arange(len(pictures))

    def frames_at(self, indices):
        for index in indices:
            ref = FrameRef(camera="upper", frame_idx=int(index), origin="x")
            yield Frame(ref=ref, image=self.pictures[int(index)])


@lru_cache(maxsize=1)
def opened():
    """Lips closed, the jaw opened fully and closed again."""
    amounts = [0.0] * AT_REST + [*RISE, 1.0, *RISE[::-1]] + [0.0] * 2
    expressions = [jaw_open(each) if each else neutral() for each in amounts]
    clip = render_clip(len(amounts), cameras=1, expressions=expressions)
    return clip.rig, clip.pictures[0]


@lru_cache(maxsize=1)
def finder():
    return FaceFinder()


def run_of(pictures, rig):
    """What a fitting makes of every third picture, the first ones and the last."""
    looks = sorted({*range(AT_REST), *range(0, len(pictures), 3), len(pictures) - 1})
    found = [finder().find(frame) for frame in Pictures(pictures).frames_at(looks)]
    faces = tuple(one for one in found if isinstance(one, FaceLandmarks))
    rejected = [one for one in found if not isinstance(one, FaceLandmarks)]
    optics = Optics(image_size_px=SIZE_PX, camera=rig.cameras[0], distance_mm=205.0, distance_sigma=0.05)
    opening = widest_opening(Pictures(pictures), [upright_face(face, 0) for face in faces], rejected, 0)
    seen = CameraSeen(
        optics=optics,
        name="upper",
        faces=faces,
        pictures=tuple(work_picture(pictures[face.ref.frame_idx]) for face in faces),
        looked=len(looks),
        opening=opening,
    )
    return fitting_run([seen])


def jaw(run):
    return {each.code: each for each in run_checks(FRAMING_CHECKS, run, Limits(effective_limits(())))}[
        "FRM05"
    ]


def true_margin_px(rig):
    """By the demo's own projection; the nod is that of `render_clip`."""
    chin = posed_head(Performer(identity=2, texture_seed=5), jaw_open()).points_mm["chin"]
    at = head_pose(
        distance_mm=205.0,
        look_up_deg=10.0,
        down_mm=-4.0 + 0.25 * np.sin(1.3 * WIDEST),
        across_mm=0.2 * np.cos(WIDEST),
    )
    return SIZE_PX[1] - 0.5 - project_points(rig.cameras[0], rig.camera_from_rig[0].apply(at.apply(chin)))[1]


def test_a_wide_mouth_is_followed_where_the_mesh_loses_it():
    rig, pictures = opened()
    run = run_of(pictures, rig)
    framing, margin = run.cameras[0], run.number("upper", "jaw_open_margin_px")
    assert framing.jaw_from == "own"
    assert framing.widest is None  # not the mesh's
    assert framing.opened_mm == pytest.approx(
        49.5, abs=6.0
    )  # mm between the incisors, by the demo's own points
    assert abs(framing.opening.chin.ref.frame_idx - WIDEST) <= 1
    assert margin.value == pytest.approx(true_margin_px(rig), abs=2 * margin.sigma)
    # Half of what a prediction leaves open here (0.06 to 0.08 eye distances) at most.
    assert margin.sigma < 0.03 * framing.face.eye_distance_px
    assert f"frame {framing.opening.chin.ref.frame_idx}" in jaw(run).message


def test_a_half_open_mouth_is_not_taken_for_the_widest():
    """The same pictures without those in which the jaw is open by more than 45 %."""
    rig, pictures = opened()
    run = run_of([*pictures[: AT_REST + 3], *pictures[-5:]], rig)
    assert run.cameras[0].jaw_from == "predicted"
    # 45 % of this head's full opening of 49.5 mm between the incisors, by the demo's own points.
    assert run.cameras[0].opened_mm == pytest.approx(22.0, abs=6.0)
    assert f"about {run.cameras[0].opened_mm:.0f} mm" in jaw(run).message


def test_an_opening_that_is_lost_is_said():
    """From one picture to the next the mouth is wide open, and then closed: there is nothing to follow."""
    rig, pictures = opened()
    run = run_of([*pictures[:AT_REST], *pictures[WIDEST - 1 : WIDEST + 2], *pictures[-2:]], rig)
    assert run.cameras[0].jaw_from == "predicted"
    assert run.cameras[0].opening.chin is None
    assert "could not be followed" in jaw(run).message
    assert "slowly" in jaw(run).action or jaw(run).status == "pass"


def test_a_hand_that_passes_is_no_open_mouth():
    """A bar as wide as a hand sinks over the mouth and rises again while the lips stay closed."""
    rig, pictures = opened()
    still = [pictures[k % AT_REST].copy() for k in range(16)]
    for k in range(5, 12):
        y = 330 + 18 * (3 - abs(8 - k))
        still[k] = with_bar(still[k], (60, y), (300, y - 40), 90)
    run = run_of(still, rig)
    assert run.cameras[0].jaw_from == "predicted"
    assert run.cameras[0].opened_mm is None or run.cameras[0].opened_mm < 20.0
