"""Every framing check on a rendered performer: passes without the fault, and fails with it."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from face_clips import SIZE_PX, render_clip, rolled, shifted, smaller, talking_clip, with_bar

from rigcheck.checks import FRAMING_CHECKS, Limits, effective_limits, run_checks
from rigcheck.demo.head_expression import blink, neutral
from rigcheck.face.fitting_run import CameraSeen, camera_optics, fitting_run
from rigcheck.face.framing_cover import work_picture
from rigcheck.landmarks import FaceFinder, find_faces
from rigcheck.model import (
    Estimate,
    Frame,
    FrameRef,
    PerformerLooks,
    Provenance,
    RigidTransform,
    StereoRig,
)
from rigcheck.opencv import cv2

pytestmark = pytest.mark.xdist_group("rendered-face")


@lru_cache(maxsize=1)
def finder():
    return FaceFinder()


def seen(pictures, name="upper", camera=None, mount=0):
    frames = [
        Frame(ref=FrameRef(camera=name, frame_idx=k, origin="clip"), image=picture)
        for k, picture in enumerate(pictures)
    ]
    found = find_faces(frames, finder(), mount_rotation_deg=mount)
    height, width = pictures[0].shape
    optics = replace(
        camera_optics((width, height), None, working_distance_mm=205.0),
        camera=camera,
        mount_rotation_deg=mount,
    )
    kept = [face.ref.frame_idx for face in found.faces]
    return CameraSeen(
        optics=optics,
        name=name,
        faces=found.faces,
        pictures=tuple(work_picture(pictures[k]) for k in kept),
        looked=len(pictures),
        turned_deg=found.turned_deg,
    )


def judged(run, **overrides):
    limits = Limits(effective_limits(overrides, origin="rig.yaml", cameras=("upper", "lower")))
    return {result.code: result for result in run_checks(FRAMING_CHECKS, run, limits)}


def of(pictures, **overrides):
    return judged(fitting_run([seen(pictures)]), **overrides)


@lru_cache(maxsize=1)
def sound():
    clip = talking_clip()
    return fitting_run([seen(clip.pictures[1])])


def few(pictures):
    """Pictures at rest: enough for everything that needs no movement."""
    return pictures[:3]


def test_a_sound_fitting_passes():
    """The lower camera's clip: everything that can be judged passes; the open jaw stays open until it is filmed."""
    results = judged(sound())
    bad = {code: each.status for code, each in results.items() if each.status in ("fail", "inconclusive")}
    assert set(bad) <= {"FRM05"}
    for code in ("FRM01", "FRM02", "FRM03", "FRM04", "FRM06", "FRM07", "FRM08", "FRM09", "FRM10", "FRM11"):
        assert results[code].status == "pass", (code, results[code].message)


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (lambda picture: shifted(picture, 0, -110), "FRM03"),
        (lambda picture: shifted(picture, 0, 110), "FRM03"),
        (lambda picture: shifted(picture, 78, 0), "FRM02"),
        (lambda picture: shifted(picture, -78, 0), "FRM02"),
        (lambda picture: rolled(picture, 14.0), "FRM08"),
        (lambda picture: rolled(picture, -14.0), "FRM08"),
        (lambda picture: smaller(picture, 0.45), "FRM07"),
    ],
    ids=["up", "down", "left", "right", "clockwise", "counter-clockwise", "too far"],
)
def test_planted_in_the_frame(fault, code):
    results = of([fault(picture) for picture in few(talking_clip().pictures[1])])
    assert results[code].status == "fail", results[code].message
    assert results[code].action


def test_advice_goes_the_right_way():
    """The face low and toward the performer's left: the camera goes down, and toward the performer's left."""
    results = of([shifted(picture, 78, 110) for picture in few(talking_clip().pictures[1])])
    assert "toward the performer's left until" in results["FRM02"].action
    assert "down until" in results["FRM03"].action
    turned = of([rolled(picture, 14.0) for picture in few(talking_clip().pictures[1])])
    assert " clockwise as seen from behind" in turned["FRM08"].action


def test_chin_out_of_the_frame():
    results = of([shifted(picture, 0, 150) for picture in few(talking_clip().pictures[1])])
    assert results["FRM04"].status in ("fail", "inconclusive")
    assert results["FRM05"].status == "fail"
    assert "comfortable" in results["FRM05"].action  # never force the jaw


def test_forehead_and_side_cut():
    results = of([shifted(picture, 0, -150) for picture in few(talking_clip().pictures[1])])
    assert results["FRM06"].status == "caution"


@lru_cache(maxsize=4)
def seen_from(look_up_deg):
    clip = render_clip(
        2, cameras=1, expressions=[neutral()] * 2, look_up_deg=look_up_deg, down_mm=4.0, distance_mm=215.0
    )
    return fitting_run([seen(list(clip.pictures[0]))])


def test_too_high():
    """Camera 1 of the pair stands 10.5° above the bar's axis: -44° in all; the lids then show from above only."""
    run = seen_from(-34.0)
    results = judged(run)
    assert results["FRM09"].status in ("fail", "inconclusive"), results["FRM09"].message
    assert "stands too high" in results["FRM09"].action
    eyes = run.measurements | {"framing.upper.eyes_shut_share": Estimate(value=0.0, n=2)}
    assert judged(replace(run, measurements=eyes))["FRM10"].status == "fail"


def test_a_camera_may_have_limits_of_its_own():
    """The rig file lets the upper camera look down; another camera's limit changes nothing."""
    run = seen_from(-25.0)
    assert judged(run)["FRM09"].status != "pass"
    own = {"upper.framing.look_down_deg.caution": 70.0, "upper.framing.look_down_deg.fail": 80.0}
    assert judged(run, **own)["FRM09"].status == "pass"
    other = {"lower.framing.look_down_deg.caution": 70.0, "lower.framing.look_down_deg.fail": 80.0}
    assert judged(run, **other)["FRM09"].status != "pass"


def test_eyes_shut():
    clip = render_clip(1, cameras=1, expressions=[blink()])
    results = judged(fitting_run([seen(list(clip.pictures[0]))]))
    assert results["FRM10"].status == "caution"
    assert "eyes open" in results["FRM10"].action


def test_mask_before_the_mouth():
    """A plain mask takes the lips' edges away; the points are those of the clear pictures, as a mesh may put them."""

    def masked(picture):
        covered = picture.copy()
        cv2.ellipse(covered, (180, 340), (90, 100), 0, 0, 360, 120, -1)
        return covered

    clear = seen(few(talking_clip().pictures[1]))
    covered = tuple(work_picture(masked(picture)) for picture in few(talking_clip().pictures[1]))
    before, after = (
        judged(fitting_run([each]))["FRM17"] for each in (clear, replace(clear, pictures=covered))
    )
    assert before.status == "pass", before.message
    assert after.status == "fail", after.message
    assert "mask" in after.action


def fingers(picture, towards):
    """Four textured fingers over the mouth, lit like skin: upright, or slanting by (across, down) px."""
    rng = np.random.default_rng([83, *map(abs, towards)])
    skin = float(np.median(picture[230:260, 110:150]))  # a cheek
    hand = picture.copy()
    for k in range(4):
        middle = np.array([141 + 26 * k, 345]) if towards[0] == 0 else np.array([180, 306 + 26 * k])
        ends = [tuple(int(v) for v in middle + sign * np.array(towards)) for sign in (-1, 1)]
        cv2.line(hand, ends[0], ends[1], int(skin * (0.9 + 0.05 * k)), 24, cv2.LINE_AA)
    on = hand != picture
    grain = cv2.GaussianBlur(rng.normal(0.0, 0.25 * skin, picture.shape), (0, 0), 2.0)
    return np.where(on, np.clip(hand + grain, 0, 255), picture).astype(np.uint8)


@pytest.mark.parametrize(
    "towards", [(0, 55), (60, 22), (60, -30)], ids=["upright", "slanting", "the other way"]
)
def test_a_hand_of_the_same_skin_before_the_mouth(towards):
    """Edges it has, as many as lips; none of them runs along where the mesh puts the lips."""
    clear = seen(few(talking_clip().pictures[1]))
    hands = tuple(work_picture(fingers(picture, towards)) for picture in few(talking_clip().pictures[1]))
    run = fitting_run([replace(clear, pictures=hands)])
    assert run.number("upper", "mouth_detail").value < 0.28
    assert judged(run)["FRM17"].status in ("caution", "fail")


def test_pictures_in_which_the_mouth_is_unclear_count():
    """The mesh's own doubt alone: nothing else is changed."""
    run = sound()
    doubt = {"framing.upper.mouth_unclear_share": Estimate(value=0.8, n=14)}
    assert judged(run)["FRM17"].status == "pass"
    after = judged(replace(run, measurements=run.measurements | doubt))["FRM17"]
    assert after.status == "caution"
    assert "80" in after.message


def rocked(pictures):
    """The helmet rocked by hand: 4 px of 480 are 1.8 mm at the face."""
    return [
        shifted(picture, 2.8 * np.cos(1.9 * k), 4.0 * np.sin(1.1 * k)) for k, picture in enumerate(pictures)
    ]


def test_boom_and_cable_are_found_when_the_face_moves():
    pictures = rocked(talking_clip().pictures[1])
    clear = of(pictures)["FRM11"]
    boom = of([with_bar(picture, (0, 330), (120, 270), 12) for picture in pictures])["FRM11"]
    assert clear.status == "pass", clear.message
    assert boom.status == "fail", boom.message
    assert "right cheek" in boom.action


def test_stills_do_not_tell_what_is_fixed():
    result = of(few(talking_clip().pictures[1]))["FRM11"]
    assert result.status == "skipped"
    assert "stills cannot" in result.message


def test_helmet_sliding():
    """0.9 px a picture, 12 px in all: 5 mm on the face."""
    pictures = talking_clip().pictures[1]
    result = of([shifted(picture, 0, 0.9 * k) for k, picture in enumerate(pictures)])["FRM12"]
    assert result.status == "fail", result.message
    assert "stop" in result.action  # pain, numbness or dizziness


def pair(first, second, rig):
    return fitting_run(
        [seen(first, "upper", rig.camera1), seen(second, "lower", rig.camera2)],
        rig=rig,
    )


def test_pair_agrees_and_lengths_are_a_face():
    clip = talking_clip()
    results = judged(pair(few(clip.pictures[0]), few(clip.pictures[1]), clip.rig.stereo))
    assert results["FRM13"].status == "pass", results["FRM13"].message
    assert results["FRM14"].status in ("pass", "caution"), results["FRM14"].message


def test_exchanged_cameras_and_a_wrong_square_size():
    clip = talking_clip()
    rig = clip.rig.stereo
    swapped = judged(pair(few(clip.pictures[1]), few(clip.pictures[0]), rig))
    assert swapped["FRM13"].status == "fail", swapped["FRM13"].message
    pose = rig.camera2_from_camera1
    large = StereoRig(
        camera1=rig.camera1,
        camera2=rig.camera2,
        camera2_from_camera1=RigidTransform(rotation=pose.rotation, translation_mm=1.6 * pose.translation_mm),
    )
    wrong = judged(pair(few(clip.pictures[0]), few(clip.pictures[1]), large))
    assert wrong["FRM14"].status == "fail", wrong["FRM14"].message
    assert "square size" in wrong["FRM14"].action


def test_one_camera_rolled_against_the_other():
    clip = talking_clip()
    run = fitting_run(
        [
            seen(few(clip.pictures[0])),
            seen([rolled(picture, 16.0) for picture in few(clip.pictures[1])], "lower"),
        ]
    )
    result = judged(run)["FRM13"]
    assert result.status == "fail"
    assert "without a calibration" in result.message  # mirroring cannot be told


def approved_report(run):
    from rigcheck.model import Report

    provenance = Provenance(
        created="2026-02-03T09:00:00+01:00", versions={}, inputs_sha256={}, options={}, command="fitting"
    )
    return Report(
        command="fitting",
        verdict="pass",
        checks=(),
        measurements=run.measurements,
        rejected=(),
        limits=(),
        provenance=provenance,
    )


def test_refit_passes_as_approved_and_fails_moved():
    """44 px lower at 2.2 px/mm are 20 mm."""
    pictures = few(talking_clip().pictures[1])
    before = fitting_run([seen(pictures)])
    again = judged(fitting_run([seen(pictures)], approved=approved_report(before)))
    assert again["FRM15"].status in ("pass", "caution"), again["FRM15"].message
    run = fitting_run([seen([shifted(each, 0, 44) for each in pictures])], approved=approved_report(before))
    moved = judged(run)["FRM15"]
    assert moved.status == "fail", moved.message
    assert "down" in moved.action
    assert run.measurements["refit.upper.down_mm"].value == pytest.approx(
        20.0, abs=3.0
    )  # scale of an average face


def test_looks_against_approval():
    run = replace(sound(), looks=PerformerLooks(glasses=True), approved_looks=PerformerLooks(glasses=False))
    assert judged(run)["FRM16"].status == "caution"
    same = replace(run, approved_looks=PerformerLooks(glasses=True))
    assert judged(same)["FRM16"].status == "pass"


def test_turned_pictures_fail_and_name_the_remedy():
    pictures = [np.ascontiguousarray(picture[::-1, ::-1]) for picture in talking_clip().pictures[1][:5]]
    result = of(pictures)["FRM01"]
    assert result.status == "fail"
    assert "mount_rotation_deg" in result.action


def test_few_pictures_with_a_face():
    run = sound()
    rare = run.measurements | {"framing.upper.seen_share": Estimate(value=0.2, n=100)}
    assert judged(replace(run, measurements=rare))["FRM01"].status == "fail"


def test_nostril_base_on_the_truth():
    """First picture of each camera: within 3.5 % of the eye distance of the rendered truth."""
    clip = talking_clip()
    for camera, truth in enumerate(clip.truths):
        run = fitting_run([seen(clip.pictures[camera][:1])])
        base = (truth["alar_base_left"] + truth["alar_base_right"]) / 2
        off = np.array([run.number("upper", f"nostril_offset_{axis}_px").value for axis in "xy"])
        eyes = np.linalg.norm(truth["eye_outer_left"] - truth["eye_outer_right"])
        assert np.linalg.norm(off + (np.array(SIZE_PX) - 1) / 2 - base) < 0.035 * eyes
