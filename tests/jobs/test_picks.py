"""`picks` as typed: a short scripted clip, its files, what it says when there is nothing to pick, and odd input."""

import json
import os
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from face_clips import calibration_of

from rigcheck.demo.head_clip import FaceClip, Hold
from rigcheck.demo.head_expression import bite, jaw_open, neutral
from rigcheck.demo.head_files import write_face_clips
from rigcheck.demo.head_performer import Performer, fair_exposure_stops
from rigcheck.demo.head_rig import head_rig
from rigcheck.demo.head_scene import FaceScene
from rigcheck.errors import ConfigError, InputError, SchemaError
from rigcheck.face.picks_glance import Glancer
from rigcheck.footage import open_footage
from rigcheck.jobs import picks as job
from rigcheck.jobs import picks_looking
from rigcheck.jobs.rig_settings import settings_differ, settings_of
from rigcheck.main import run
from rigcheck.model import (
    ApprovedFitting,
    CameraDescription,
    Estimate,
    PerformerLooks,
    PerformerRecord,
    RigDescription,
)
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text, performer_text, read_result, read_rig, result_text
from rigcheck.records.picks_file import read_picks

pytestmark = pytest.mark.xdist_group("rendered-picks")
RATE = 10
RIG = """name: kestrel
frame_rate: 10
working_distance_mm: 195
cameras:
  - {name: upper, transfer: linear, black_level: 4}
  - {name: lower, transfer: linear, black_level: 4}
"""
# Seconds from the clip's start in which each pose is held.
HELD = {"neutral": (0.0, 1.8), "bite": (2.5, 3.3)}
SIZE = (480, 640)


@pytest.fixture(scope="module", autouse=True)
def few_moments():
    """Read fewer moments than the command does: what is tested here does not hang on their number."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(job, "MOST_MOMENTS", 10)
        yield


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    folder = tmp_path_factory.mktemp("picks")
    rig = head_rig(size_px=SIZE)
    performer = Performer(identity=5, skin_luminance=0.25, hair="cap")
    scene = FaceScene(performer=performer, rig=rig, exposure_stops=fair_exposure_stops(performer))
    script = (
        Hold(expression=neutral(), hold_s=1.8, move_s=0.0),
        Hold(expression=jaw_open(0.5), hold_s=0.5, move_s=0.1),
        Hold(expression=bite(), hold_s=0.8, move_s=0.1),
    )
    clip = FaceClip(scene=scene, script=script, frame_rate=Fraction(RATE), sway_mm=0.0, seed=5)
    write_face_clips(folder / "clip", clip)
    (folder / "rig.yaml").write_text(RIG)
    (folder / "calibration.yaml").write_text(calibration_text(calibration_of(rig)))
    return folder


def clips(stage, span=""):
    return [f"{stage / 'clip' / name}.mp4{span}" for name in ("upper", "lower")]


def pick(*arguments):
    return run(["picks", *map(str, arguments)])


@pytest.fixture(scope="module")
def picked(stage):
    out = stage / "out"
    given = ("--rig", stage / "rig.yaml", "--calibration", stage / "calibration.yaml")
    return pick(*clips(stage), *given, "--out", out), out


def test_the_right_moments_are_picked(picked):
    code, out = picked
    assert code in (0, 5)
    content = read_picks(out / "picks.json")
    first = {entry.pose: entry for entry in content.picks}
    assert set(first) == {"neutral", "bite"}
    for pose, (start, end) in HELD.items():
        assert start <= first[pose].frame_idx / RATE < end, pose
    assert first["neutral"].frames == {name: first["neutral"].frame_idx for name in ("upper", "lower")}
    report = read_result(out / "result.json")
    status = {check.code: check.status for check in report.checks}
    assert (status["PIC01"], status["PIC02"], status["PIC08"]) == ("pass", "pass", "pass")
    assert report.measurements["picks.neutral.1.score"].value > 0.5


def test_stills_are_lossless_and_upright_in_pairs(picked, stage):
    _, out = picked
    content = read_picks(out / "picks.json")
    names = sorted(f"stills/{name}" for name in os.listdir(out / "stills"))
    assert names == sorted(file for entry in content.picks for file in entry.files)
    first = content.picks[0]
    recorded = [name for name in first.files if "upper" in name and name.endswith("_recorded.png")]
    assert len(recorded) == 1
    assert f"neutral-1_upper_{first.frame_idx:06d}" in recorded[0]
    capture = cv2.VideoCapture(clips(stage)[0])  # an outside reader of the same picture
    capture.set(cv2.CAP_PROP_POS_FRAMES, first.frame_idx)
    _, frame = capture.read()
    capture.release()
    still = cv2.imread(str(out / recorded[0]), cv2.IMREAD_UNCHANGED)
    luma = still if still.ndim == 2 else cv2.cvtColor(still, cv2.COLOR_BGR2GRAY)
    assert np.abs(luma.astype(int) - cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY).astype(int)).max() <= 1
    assert (out / "contact-sheet.png").stat().st_size > 1000


def test_a_mounted_camera_is_turned_upright(stage, tmp_path):
    rig = RIG.replace("name: upper,", "name: upper, mount_rotation_deg: 180,")
    (tmp_path / "rig.yaml").write_text(rig)
    # The picture is not turned, so that the face stands on its head once the mounting is undone: found, and said.
    assert pick(
        clips(stage)[0] + "@0-0.7", "--rig", _one(tmp_path, rig), "--want", "neutral", "--out", tmp_path / "o"
    ) in (0, 4, 5)
    notes = " ".join(read_result(tmp_path / "o" / "result.json").notes)
    assert "turned by 180°" in notes


def _one(folder, rig):
    path = folder / "one.yaml"
    path.write_text("\n".join(line for line in rig.splitlines() if "lower" not in line) + "\n")
    return path


def test_a_clip_without_a_pose_says_so_and_what_to_ask(stage, tmp_path, capsys):
    span = "@2.0-2.3"  # the mouth is open
    code = pick(*clips(stage, span), "--rig", stage / "rig.yaml", "--out", tmp_path / "out")
    assert code == 4
    report = read_result(tmp_path / "out" / "result.json")
    fault = next(check for check in report.checks if check.code == "PIC01")
    assert fault.status == "fail"
    assert "kindly" in fault.action
    assert not (tmp_path / "out" / "contact-sheet.png").exists()
    assert read_picks(tmp_path / "out" / "picks.json").picks == []
    assert "contact-sheet" not in capsys.readouterr().out.splitlines()[-1]


def test_a_missing_bite_is_a_caution_and_a_page_without_pictures_shows_none(stage, tmp_path):
    given = ("--rig", stage / "rig.yaml", "--no-pictures")
    code = pick(*clips(stage, "@0-1.2"), *given, "--out", tmp_path / "out")
    report = read_result(tmp_path / "out" / "result.json")
    assert code in (0, 5)
    status = {check.code: check.status for check in report.checks}
    assert (status["PIC01"], status["PIC02"]) == ("pass", "caution")
    page = (tmp_path / "out" / "report.html").read_text()
    assert "data:image" not in page
    assert "without pictures" in page


def test_no_pick_at_all_fails_whatever_was_asked_for(stage, tmp_path):
    code = pick(clips(stage)[0] + "@0-0.6", "--want", "bite", "--out", tmp_path / "out")
    assert code == 4


def test_settings_and_looks_that_differ_are_named(stage, picked, tmp_path):
    """Each planted difference by name: size, rate, lens and transfer against the calibration, size, rate, aperture and
    focus against the approved fitting, and the performer's looks."""
    calibration = calibration_of(head_rig(size_px=(540, 720)))
    earlier = settings_of(read_rig(stage / "rig.yaml"))
    earlier[0] |= {"focal_length_mm": 6.0, "transfer": "srgb", "proxy_crop": None}
    earlier[1] |= {"focal_length_mm": 8.0}
    calibration = replace(
        calibration,
        cameras=tuple(replace(each, frame_rate_hz=25.0) for each in calibration.cameras),
        provenance=replace(calibration.provenance, options={"rig_settings": earlier}),
    )
    (tmp_path / "calibration.yaml").write_text(calibration_text(calibration))
    rig = RIG.replace("name: upper,", "name: upper, focal_length_mm: 8, f_number: 4, focused_at_mm: 190,")
    (tmp_path / "rig.yaml").write_text(rig)
    fitted = settings_of(read_rig(tmp_path / "rig.yaml"))
    fitted[0] |= {"f_number": 2.8, "focused_at_mm": 210.0}
    report = read_result(picked[1] / "result.json")
    report = replace(
        report,
        command="fitting",
        measurements={
            "framing.lower.width_px": Estimate(value=540.0, unit="px"),
            "framing.lower.height_px": Estimate(value=640.0, unit="px"),
        },
        provenance=replace(
            report.provenance,
            options={"rig_settings": fitted, "frame_rate_hz": {"upper": 12.5, "lower": None}},
        ),
    )
    (tmp_path / "approved.json").write_text(result_text(report))
    then = PerformerLooks(glasses=False, facial_hair=False)
    record = PerformerRecord(
        code_name="heron",
        looks=replace(then, facial_hair=True),
        approved=ApprovedFitting(when="2026-03-02T08:00:00+01:00", result_sha256="0" * 64, looks=then),
    )
    (tmp_path / "performer.yaml").write_text(performer_text(record))
    given = {"rig": "rig.yaml", "calibration": "calibration.yaml", "performer": "performer.yaml"}
    files = [part for name, file in given.items() for part in (f"--{name}", tmp_path / file)]
    files += ["--approved", tmp_path / "approved.json"]
    assert pick(*clips(stage, "@0-0.6"), *files, "--out", tmp_path / "out") == 4
    checks = {check.code: check for check in read_result(tmp_path / "out" / "result.json").checks}
    assert checks["PIC08"].status == "fail"
    for words in (
        "480 × 640 px (scaled by 0.889), 540 × 720 px",
        "upper: frames a second 10, 25",
        "upper: lens, mm 8.0, 6.0",
        "upper: transfer curve linear, srgb",
        "upper: frames a second 10, 12.5 at the approved fitting",
        "upper: aperture, f-number 4.0, 2.8 at the approved fitting",
        "upper: focus, mm 190.0, 210.0 at the approved fitting",
        "lower: picture size 480 × 640 px (another crop), 540 × 640 px at the approved fitting",
    ):
        assert words in checks["PIC08"].message
    assert "lower: lens" not in checks["PIC08"].message  # one of them does not say
    assert checks["PIC09"].status == "caution"
    assert "facial hair" in checks["PIC09"].message


def test_settings_compare_field_by_field():
    camera = CameraDescription(name="front", focal_length_mm=6.0, f_number=2.8, transfer="linear")
    then = RigDescription(name="kestrel", cameras=(camera,))
    now = replace(then, cameras=(replace(camera, f_number=4.0, transfer="srgb", shutter_s=0.002),))
    assert settings_differ(settings_of(then), now) == [
        ("front: aperture, f-number", "2.8", "4.0"),
        ("front: transfer curve", "linear", "srgb"),
    ]
    assert settings_differ(settings_of(then), then) == []
    assert settings_differ(None, now) == []
    assert settings_differ(settings_of(None), now) == []


def test_a_reference_frame_is_used_and_one_outside_is_refused_before_anything_is_looked_at(stage):
    result = job.picks(*clips(stage, "@0-1.2"), given=job.PicksInputs(rig=stage / "rig.yaml", reference=5))
    assert result.run.reference == 5
    assert result.run.first("neutral") is not None
    with pytest.raises(ConfigError, match="--reference 500"):
        job.picks(clips(stage)[0] + "@0-0.5", given=job.PicksInputs(reference=500))


def test_one_frame_is_a_clip(stage, tmp_path):
    picture = next(open_footage(clips(stage)[0], camera="upper").frames_at([3])).grey8()
    path = tmp_path / "one.png"
    path.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    assert pick(path, "--want", "neutral,bite,side,side", "--out", tmp_path / "out") == 5
    checks = {check.code: check for check in read_result(tmp_path / "out" / "result.json").checks}
    assert checks["PIC01"].status == "pass"
    # Nothing to hold it against: not called good.
    assert checks["PIC04"].status == "inconclusive"
    assert "1 look at" in checks["PIC04"].message
    assert (checks["PIC02"].status, checks["PIC03"].status) == ("caution", "caution")


def test_a_long_clip_is_seen_in_steps(stage, monkeypatch):
    seen = []
    monkeypatch.setattr(picks_looking, "MOST_GLANCES", 12)
    see = Glancer.see
    monkeypatch.setattr(
        Glancer, "see", lambda self, frame: seen.append(frame.ref.frame_idx) or see(self, frame)
    )
    result = job.picks(clips(stage)[0], given=job.PicksInputs(want={"neutral": 1}))
    assert result.run.pairs == len(seen) <= 12
    assert set(np.diff(seen)) == {3}  # 33 pictures in steps of three


def test_earlier_picks_are_kept(picked, stage, capsys):
    _, out = picked
    before = (out / "picks.json").read_bytes()
    assert pick(*clips(stage), "--out", out) == 3
    assert "--replace" in capsys.readouterr().err
    assert (out / "picks.json").read_bytes() == before


@pytest.mark.parametrize("want", ["", "frown", "neutral,,frown", ",".join(["bite"] * 13)])
def test_unknown_wants_are_refused(want):
    with pytest.raises(ConfigError, match="--want"):
        job.read_want(want)


def test_wants_are_counted():
    assert job.read_want("neutral, bite,side,Side") == {"neutral": 1, "bite": 1, "side": 2}


def test_footage_without_a_face_fails_and_a_broken_file_is_an_error(tmp_path):
    noise = np.random.default_rng([99]).integers(0, 255, (240, 180), dtype=np.uint8)
    (tmp_path / "noise.png").write_bytes(cv2.imencode(".png", noise)[1].tobytes())
    assert pick(tmp_path / "noise.png", "--out", tmp_path / "out") == 4
    checks = read_result(tmp_path / "out" / "result.json").checks
    assert "no face" in next(check.message for check in checks if check.code == "PIC01")
    (tmp_path / "broken.mp4").write_text("no video")
    with pytest.raises(InputError):
        job.picks(tmp_path / "broken.mp4")


@pytest.mark.parametrize(
    "change",
    [
        {"version": 2},
        {"picks": [{"pose": "frown"}]},
        {"wanted": {"neutral": -1}},
        {"surprise": 1},
    ],
)
def test_the_file_is_read_strictly(change, picked, tmp_path):
    content = json.loads((picked[1] / "picks.json").read_text()) | change
    (tmp_path / "picks.json").write_text(json.dumps(content))
    with pytest.raises(SchemaError):
        read_picks(tmp_path / "picks.json")


def test_a_file_that_points_out_of_its_folder_is_refused(picked, tmp_path):
    content = json.loads((picked[1] / "picks.json").read_text())
    content["picks"][0]["files"] = ["../elsewhere.png"]
    (tmp_path / "picks.json").write_text(json.dumps(content))
    with pytest.raises(SchemaError, match="files"):
        read_picks(tmp_path / "picks.json")
