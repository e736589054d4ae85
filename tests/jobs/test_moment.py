"""One moment measured as picture after picture needs it: the same as its parts, one camera or two."""

import multiprocessing
from dataclasses import replace

import numpy as np
import pytest
from face_clips import calibration_of, talking_clip

from rigcheck.face.exposure_light import light_curve
from rigcheck.face.exposure_moment import exposure_moment
from rigcheck.face.focus_moment import focus_moment
from rigcheck.jobs.moment import MomentMeasurer
from rigcheck.landmarks import FaceFinder, NoFace
from rigcheck.model import Frame, FrameRef
from rigcheck.opencv import cv2

pytestmark = pytest.mark.xdist_group("rendered-face")


def frames_of(k):
    return [
        Frame(ref=FrameRef(camera=f"camera{number}", frame_idx=k, origin="rendered"), image=pictures[k])
        for number, pictures in enumerate(talking_clip().pictures, start=1)
    ]


@pytest.fixture(scope="module")
def measured():
    clip = talking_clip()
    with MomentMeasurer(frames_of(0), calibration=calibration_of(clip.rig)) as measurer:
        return [measurer.measure(frames_of(k)) for k in (0, 1)]


def test_a_moment_is_the_same_as_its_parts(measured):
    finder = FaceFinder()
    for part, frame, before in zip(measured[1].cameras, frames_of(1), frames_of(0), strict=True):
        face = finder.find(frame)
        assert (part.face.points_px == face.points_px).all()
        focus = focus_moment(frame, face, before=before)
        assert {name: each.value for name, each in part.focus.regions.items()} == {
            name: each.value for name, each in focus.regions.items()
        }
        assert part.focus.moved_px == focus.moved_px
        light = exposure_moment(frame, face, light_curve(None, bit_depth=8))
        assert part.exposure.ceiling == light.ceiling
        assert part.framing.numbers["roll_deg"].value is not None


def test_the_skin_of_a_calibrated_pair_is_as_far_as_it_was_put(measured):
    """Rendered at 205 mm: the eyes lie within the head's own depth of that."""
    depth = measured[1].pair.depth_mm
    assert depth.shape[1] >= 10
    assert np.median(depth[0]) == pytest.approx(
        205.0, abs=25.0
    )  # skin reaches 25 mm before and behind the origin


def test_matching_may_be_left_out_and_one_camera_works():
    clip = talking_clip()
    with MomentMeasurer(frames_of(0), calibration=calibration_of(clip.rig)) as measurer:
        assert measurer.measure(frames_of(1), matched=False).pair is None
    with MomentMeasurer(frames_of(0)[:1]) as measurer:
        moment = measurer.measure(frames_of(1)[:1])
    assert moment.pair is None
    assert moment.cameras[0].focus.regions


def test_a_picture_without_face_says_why():
    black = [
        Frame(ref=frame.ref, image=np.zeros_like(frame.image)) if k == 0 else frame
        for k, frame in enumerate(frames_of(0))
    ]
    with MomentMeasurer(frames_of(0), calibration=calibration_of(talking_clip().rig)) as measurer:
        moment = measurer.measure(black)
    assert isinstance(moment.cameras[0].face, NoFace)
    assert moment.cameras[0].focus is None
    assert moment.cameras[1].focus is not None
    assert moment.pair is None


def test_painted_dots_are_looked_for_now_and_then_and_in_each_picture_once_found(monkeypatch):
    """Planted: twenty dots from the sixth picture on; looks for dots count, as does a picture without a face."""
    looked = []

    class Finder(FaceFinder):
        def find(self, frame, *, mount_rotation_deg=0, dotted=True):
            looked.append(dotted)
            return super().find(frame, mount_rotation_deg=mount_rotation_deg, dotted=dotted)

    monkeypatch.setattr("rigcheck.jobs.moment_camera.FaceFinder", Finder)
    plain = frames_of(0)[0]
    points = FaceFinder().find(plain).points_px
    image = plain.image.copy()
    for k in (50, 280, 205, 425, 36, 266, 187, 411, 117, 346, 151, 108, 337, 69, 299, 9, 199, 200, 175, 32):
        cv2.circle(image, tuple(int(value) for value in np.rint(points[k])), 2, (12,), -1, cv2.LINE_AA)
    dotted, black = replace(plain, image=image), replace(plain, image=np.zeros_like(image))
    with MomentMeasurer([plain]) as measurer:
        codes = [
            [each.code for each in getattr(measurer.measure([frame]).cameras[0].face, "findings", ())]
            for frame in [plain] * 5 + [dotted] * 12 + [black] + [plain] * 3
        ]
    assert looked[:5] == [True, True, False, False, False]
    assert [k for k in range(5, 17) if "dots" in codes[k]] == [15, 16]
    assert looked[5:17] == [False] * 10 + [True, True]
    assert looked[17:] == [True, True, True, False]


def test_as_many_pictures_as_cameras():
    with pytest.raises(ValueError, match="one or two needed"):
        MomentMeasurer([])
    with MomentMeasurer(frames_of(0)) as measurer, pytest.raises(ValueError, match="2 needed"):
        measurer.measure(frames_of(0)[:1])


def test_cameras_aside_measure_the_same_and_are_not_missed_when_one_is_lost(measured):
    """Planted: a process is killed between two moments; both cameras are then measured here."""
    clip = talking_clip()
    before = set(multiprocessing.active_children())
    with MomentMeasurer(frames_of(0), calibration=calibration_of(clip.rig), aside=True) as measurer:
        moments = [measurer.measure(frames_of(k), matched=k == 1) for k in (0, 1)]
        sides = sorted(set(multiprocessing.active_children()) - before, key=lambda side: side.pid)
        assert len(sides) == 2
        sides[1].kill()
        sides[1].join()
        moments.append(measurer.measure(frames_of(1)))
    for one, same in zip(moments, (measured[0], measured[1], measured[1]), strict=True):
        for part, other in zip(one.cameras, same.cameras, strict=True):
            assert (part.face.points_px == other.face.points_px).all()
            assert {name: each.value for name, each in part.focus.regions.items()} == {
                name: each.value for name, each in other.focus.regions.items()
            }
            assert part.exposure.ceiling == other.exposure.ceiling
            assert (part.framing.fit.parameters == other.framing.fit.parameters).all()
    assert moments[1].cameras[1].focus.moved_px == measured[1].cameras[1].focus.moved_px
    assert moments[0].pair is None
    for one in moments[1:]:
        assert (one.pair.depth_mm == measured[1].pair.depth_mm).all()


@pytest.mark.parametrize("aside", [False, True])
def test_two_moments_at_once_are_those_one_after_the_other(measured, aside):
    """Of the second, skin is matched too; a picture without a face and a fault in between hold nothing up."""
    calibration = calibration_of(talking_clip().rig)
    wrong = [replace(frame, bit_depth=12) if k == 1 else frame for k, frame in enumerate(frames_of(0))]
    with MomentMeasurer(frames_of(0), calibration=calibration, aside=aside) as measurer:
        first = measurer.begin(frames_of(0), matched=False)
        first.first()
        second = measurer.begin(frames_of(1))
        moments = [first.whole()]
        second.first()
        faulty = measurer.begin(wrong, matched=False)
        moments.append(second.whole())
        faulty.first()
        last = measurer.begin(frames_of(0), matched=False)
        with pytest.raises(ValueError, match="12 bit found"):
            faulty.whole()
        if aside:
            with pytest.raises(ValueError, match="nothing is awaited"):
                last.whole()
        moments.append(measurer.measure(frames_of(1), matched=False))
    for one, same in zip(moments, (measured[0], measured[1], measured[1]), strict=True):
        for part, other in zip(one.cameras, same.cameras, strict=True):
            assert (part.face.points_px == other.face.points_px).all()
    assert moments[1].cameras[0].focus.moved_px == measured[1].cameras[0].focus.moved_px
    assert (moments[1].pair.depth_mm == measured[1].pair.depth_mm).all()


def test_of_two_moments_at_once_both_are_measured_here_when_a_process_is_lost(measured):
    before = set(multiprocessing.active_children())
    with MomentMeasurer(frames_of(0), aside=True) as measurer:
        measurer.measure(frames_of(0))
        begun = [measurer.begin(frames_of(1)), measurer.begin(frames_of(0))]
        side = max(set(multiprocessing.active_children()) - before, key=lambda side: side.pid)
        side.kill()
        side.join()
        moments = []
        for each in begun:
            each.first()
            moments.append(each.whole())
    for one, same in zip(moments, (measured[1], measured[0]), strict=True):
        for part, other in zip(one.cameras, same.cameras, strict=True):
            assert (part.face.points_px == other.face.points_px).all()
    with pytest.raises(RuntimeError, match="closed"):
        measurer.measure_here(frames_of(0), matched=False)


def test_cameras_aside_end_with_the_measurer_and_say_what_went_wrong_there():
    before = set(multiprocessing.active_children())
    with MomentMeasurer(frames_of(0), aside=True) as measurer:
        sides = set(multiprocessing.active_children()) - before
        for wrong in (0, 1):
            frames = [
                replace(frame, bit_depth=12) if k == wrong else frame for k, frame in enumerate(frames_of(0))
            ]
            with pytest.raises(ValueError, match="12 bit found"):
                measurer.measure(frames)
        moment = measurer.measure(frames_of(1))
    assert moment.cameras[1].face.ref.frame_idx == 1
    assert moment.cameras[1].focus is not None
    assert len(sides) == 2
    assert not any(side.is_alive() for side in sides)
