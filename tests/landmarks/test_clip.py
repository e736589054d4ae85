"""Through a clip: turned faces by vote, jumps against neighbours, marked points followed."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.errors import InputError
from rigcheck.landmarks import NoFace, find_faces, follow_marked
from rigcheck.landmarks.clip import voted_turn
from rigcheck.landmarks.flow import follow, normalised
from rigcheck.landmarks.noface import no_face
from rigcheck.model import FACE_POINTS, FaceLandmarks, Finding, FrameRef, MarkedPoints
from rigcheck.opencv import cv2

SIZE = (614, 720)


def motion(k):
    """Known motion: 3 deg, 5 %, up to 30 px."""
    angle = 0.3 * k
    matrix = cv2.getRotationMatrix2D((320, 310), 3 * np.sin(angle), 1 + 0.05 * np.sin(0.7 * angle))
    matrix[:, 2] += [15 * np.sin(1.3 * angle), 12 * np.sin(angle)]
    return matrix


def moved(points, k):
    return points @ motion(k)[:, :2].T + motion(k)[:, 2]


@pytest.fixture(scope="module")
def frames(portraits, framed):
    """The officer's portrait moved about, with noise; dimmed by 0.4 from the ninth picture on."""
    image = cv2.resize(portraits["officer"], None, fx=1.2, fy=1.2, interpolation=cv2.INTER_CUBIC)
    rng = np.random.default_rng([3, 3])
    pictures = []
    for k in range(14):
        picture = cv2.warpAffine(image, motion(k), SIZE).astype(float) * (1.0 if k < 8 else 0.4)
        pictures.append(
            framed(np.clip(picture + rng.normal(0, 2, picture.shape), 0, 255).astype(np.uint8), idx=k)
        )
    return pictures


@pytest.fixture(scope="module")
def marked(frames, finder):
    face = finder.find(frames[4])
    points = {name: tuple(face.point(name)) for name in FACE_POINTS}
    return MarkedPoints(camera="upper", frame_idx=4, image_size_px=SIZE, points_px=points, sigma_px=1.0)


def test_marked_points_are_followed_both_ways(frames, marked):
    faces = follow_marked(marked, frames)
    inverse = cv2.invertAffineTransform(motion(4))
    start = np.array(list(marked.points_px.values()))
    rest = start @ inverse[:, :2].T + inverse[:, 2]
    for k, face in enumerate(faces):
        assert face.found_by == ("marked" if k == 4 else "followed")
        seen = np.array([face.point(name) for name in marked.points_px])
        errors = np.linalg.norm(seen - moved(rest, k), axis=1)
        assert np.isfinite(errors).sum() >= 15
        assert np.nanmedian(errors) < 0.8  # 0.1 to 0.5 px measured, exposure drop included
        assert np.nanmax(errors) < 3.0  # under 1.3 px measured


def test_sigma_grows_away_from_the_marked_picture(frames, marked):
    faces = follow_marked(marked, frames)
    assert faces[4].sigma("chin") == 1.0
    assert 1.0 < faces[5].sigma("chin") <= faces[13].sigma("chin")


def test_points_over_a_cut_are_lost_not_made_up(frames, marked, framed):
    rng = np.random.default_rng([3, 4])
    noise = framed(rng.integers(0, 255, (SIZE[1], SIZE[0])).astype(np.uint8), idx=5)
    outcome = follow_marked(marked, [frames[4], noise])[1]
    known = 0 if isinstance(outcome, NoFace) else int(np.isfinite(outcome.points_px[:, 0]).sum())
    assert known <= 2


def test_marked_picture_must_be_there_and_of_its_size(frames, marked, framed):
    with pytest.raises(InputError, match="frame 4 of camera 'upper'"):
        follow_marked(marked, frames[5:])
    with pytest.raises(InputError, match="were marked on 614 × 720"):
        follow_marked(marked, [framed(np.zeros((100, 100), np.uint8), idx=4)])


def test_exposure_change_without_normalising_loses_points(frames):
    """The planted fault: what local normalising is for."""
    points = np.random.default_rng([3, 5]).uniform(230, 420, (24, 2))
    before, after = frames[7].grey8(), frames[8].grey8()
    assert follow(normalised(before), normalised(after), points).trusted.sum() >= 22
    assert (
        follow(before, after, points).trusted.sum()
        < follow(normalised(before), normalised(after), points).trusted.sum()
    )


def test_flow_of_no_points(frames):
    assert len(follow(frames[0].grey8(), frames[1].grey8(), np.zeros((0, 2))).points_px) == 0


def test_turned_by_vote(frames, finder, framed):
    turned = [framed(np.rot90(frame.image), idx=k) for k, frame in enumerate(frames[:6])]
    clip = find_faces(turned, finder)
    assert (len(clip.faces), clip.turned_deg) == (6, 90)
    assert all(face.turned_deg == 90 for face in clip.faces)
    assert "mount_rotation_deg: 90" in clip.findings[0].sentence
    assert find_faces(turned, finder, mount_rotation_deg=90).turned_deg == 0


def test_one_turned_picture_stays_a_suggestion(frames, finder, framed):
    clip = find_faces([framed(np.rot90(frames[0].image))], finder)
    assert (clip.faces, clip.turned_deg, clip.rejected[0].code) == ((), 0, "turned")


def test_votes():
    def turned(deg):
        return replace(no_face(FrameRef(camera="a", frame_idx=0, origin="b"), "turned"), turned_deg=deg)

    assert voted_turn([turned(180)] * 3) == 180
    assert voted_turn([turned(180)] * 2) == 0  # too few
    assert voted_turn([turned(180)] * 3 + [turned(90)] * 3) == 0  # undecided


def test_jumping_face_is_left_out(frames, finder, framed):
    shifted = cv2.warpAffine(frames[3].image, np.array([[1.0, 0, 110], [0, 1.0, 0]]), SIZE)
    clip = find_faces([*frames[:3], framed(shifted, idx=3), *frames[4:8]], finder)
    assert [each.ref.frame_idx for each in clip.rejected] == [3]
    assert "eye distances away" in clip.rejected[0].sentence
    assert [face.ref.frame_idx for face in clip.faces] == [0, 1, 2, 4, 5, 6, 7]
    assert all(isinstance(face, FaceLandmarks) for face in clip.faces)


class Dotted:
    """Finds the same face in each picture; notes whether it was asked for dots, and shows them from one picture on."""

    def __init__(self, face, first_dotted):
        self._face, self._first, self.asked = face, first_dotted, []

    def find(self, frame, *, mount_rotation_deg=0, dotted=True):
        self.asked.append(dotted)
        seen = dotted and len(self.asked) > self._first
        dots = (Finding(code="dots", sentence="30 small dots are on the face."),) if seen else ()
        return replace(self._face, ref=frame.ref, findings=dots)

    def find_turned(self, frame, *, turned_deg, **how):
        return self.find(frame, **how)


@pytest.mark.parametrize(
    ("first_dotted", "once", "asked"),
    [
        (99, True, [True, True, False, False, False, False, False]),  # two faces without: none on the others
        (1, True, [True] * 7),  # the second has some: all are looked at
        (99, False, [True] * 7),
    ],
)
def test_dots_are_looked_for_on_two_faces_or_all(frames, finder, first_dotted, once, asked):
    stub = Dotted(finder.find(frames[0]), first_dotted)
    clip = find_faces(frames[:7], stub, dots_once=once)
    assert stub.asked == asked
    assert len(clip.faces) == 7
