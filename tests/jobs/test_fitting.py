"""`fitting` as typed: outputs, exit codes, and what it says to input that shows no usable face."""

import json
import os
import re
from pathlib import Path

import matplotlib
import numpy as np
import pytest
import skimage
from face_clips import calibration_of, shifted, talking_clip, write_pictures

from rigcheck.cli.fitting import read_looks
from rigcheck.errors import ConfigError
from rigcheck.jobs.fitting import FittingInputs, asked
from rigcheck.main import run
from rigcheck.model import FACE_POINTS, PerformerLooks, PerformerRecord
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text, performer_text, read_performer, read_result

pytestmark = pytest.mark.xdist_group("rendered-face")
RIG = "name: kestrel\ncameras:\n  - name: upper\n  - name: lower\nworking_distance_mm: 205\n"


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fitting")
    clip = talking_clip()
    for name, pictures in zip(("upper", "lower"), clip.pictures, strict=True):
        write_pictures(folder / name, pictures[:10])
        write_pictures(folder / f"{name}-moved", [shifted(each, 0, 60) for each in pictures[:2]])
    (folder / "rig.yaml").write_text(RIG)
    (folder / "calibration.yaml").write_text(calibration_text(calibration_of(clip.rig)))
    return folder


def save(path: Path, picture) -> Path:
    path.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    return path


def fit(*arguments) -> int:
    return run(["fitting", *map(str, arguments)])


@pytest.fixture(scope="module")
def fitted(stage):
    """A calibrated pair, fitted: exit code and folder."""
    out = stage / "out"
    given = ("--rig", stage / "rig.yaml", "--calibration", stage / "calibration.yaml")
    code = fit(
        stage / "upper",
        stage / "lower",
        *given,
        "--out",
        out,
        "--code-name",
        "heron 3",
        "--looks",
        "glasses=no",
    )
    return code, out


def test_times_and_knocks_said_are_in_record_and_report(fitted, stage, tmp_path):
    _, out = fitted
    said = ("--helmet-on", "now", "--knock", "<b>boom</b> met the door")
    again = ("--performer", out / "performer.yaml", "--out", tmp_path / "out", *said)
    assert fit(stage / "upper", stage / "lower", "--rig", stage / "rig.yaml", *again) in (0, 5)
    record = read_performer(tmp_path / "out" / "performer.yaml")
    assert record.worn[0].off is None
    assert record.knocks[0].note == "<b>boom</b> met the door"
    page = (tmp_path / "out" / "report.html").read_text()
    assert "the helmet is on" in page
    assert "&lt;b&gt;boom" in page


def test_writes_result_report_and_record(fitted):
    code, out = fitted
    assert code in (0, 5)  # the open jaw was not filmed: it may stay open
    assert sorted(os.listdir(out)) == ["performer.yaml", "report.html", "result.json"]
    report = read_result(out / "result.json")
    assert report.command == "fitting"
    for camera in ("upper", "lower"):
        for quantity in (
            "nostril_offset_x_px",
            "nostril_offset_y_px",
            "chin_margin_px",
            "jaw_open_margin_px",
            "face_fill",
            "roll_deg",
            "look_up_deg",
        ):
            assert report.measurements[f"framing.{camera}.{quantity}"].value is not None
            assert report.measurements[f"framing.{camera}.{quantity}"].sigma is not None
    assert read_performer(out / "performer.yaml").code_name == "heron 3"
    assert read_performer(out / "performer.yaml").looks.glasses is False


def test_millimetres_and_degrees_with_a_calibration(stage, fitted):
    out = stage / "moved"
    given = ("--rig", stage / "rig.yaml", "--calibration", stage / "calibration.yaml")
    approved = ("--approved", fitted[1] / "result.json", "--performer", fitted[1] / "performer.yaml")
    before = (fitted[1] / "performer.yaml").read_bytes()
    code = fit(
        stage / "upper-moved",
        stage / "lower-moved",
        *given,
        *approved,
        "--looks",
        "glasses=yes",
        "--out",
        out,
    )
    assert code == 4
    checks = {each["code"]: each for each in json.loads((out / "result.json").read_text())["checks"]}
    assert re.search(r"bar \d+ mm down|\d°\S* down|\d\.\d° down", checks["FRM03"]["action"]), checks["FRM03"]
    assert checks["FRM15"]["status"] == "fail"
    assert "mm down" in checks["FRM15"]["action"]
    assert checks["FRM16"]["status"] == "caution"
    assert (fitted[1] / "performer.yaml").read_bytes() == before  # inputs are never changed
    record = read_performer(out / "performer.yaml")
    assert (record.looks.glasses, record.approved.looks.glasses) == (True, False)
    assert len(record.notes) == 2


def test_one_camera_and_no_pictures(stage):
    out = stage / "one"
    code = fit(stage / "lower-moved", "--no-pictures", "--out", out)
    page = (out / "report.html").read_text()
    assert code in (0, 4, 5)
    assert "data:image" not in page
    assert "<image" not in page
    assert "without pictures of the performer" in page


def test_focus_is_judged_and_a_camera_out_of_focus_fails(stage, fitted):
    """Blurred by a Gaussian of 3 px: less than a tenth of the contrast is left where fine detail is counted."""
    _, out = fitted
    sharp = read_result(out / "result.json")
    status = {check.code: check.status for check in sharp.checks}
    assert status["FOC01"] != "fail"
    assert status["FOC02"] != "fail"
    blurred = stage / "upper-blurred"
    write_pictures(blurred, [cv2.GaussianBlur(each, (0, 0), 3.0) for each in talking_clip().pictures[0][:10]])
    assert fit(blurred, stage / "lower", "--rig", stage / "rig.yaml", "--out", stage / "blurred") == 4
    found = read_result(stage / "blurred" / "result.json")
    check = {check.code: check for check in found.checks}
    assert check["FOC02"].status == "fail"
    assert "upper" in check["FOC02"].message + check["FOC02"].action
    assert (
        found.measurements["focus.upper.cheeks"].value < 0.5 * sharp.measurements["focus.upper.cheeks"].value
    )
    assert check["FOC05"].status == "skipped"  # no calibration: no depth, and it says so
    page = (stage / "blurred" / "report.html").read_text()
    assert "Focus on the face" in page
    assert "the depth of the plane of focus is not told" in page


def test_a_proxy_is_judged_without_its_calibration(stage):
    (stage / "proxy.yaml").write_text(RIG + "proxy: {scale: 0.5}\n")
    given = ("--rig", stage / "proxy.yaml", "--calibration", stage / "calibration.yaml")
    assert fit(stage / "upper-moved", stage / "lower-moved", *given, "--out", stage / "proxy") in (0, 4, 5)
    found = read_result(stage / "proxy" / "result.json")
    notes = " ".join(found.notes)
    assert "its calibration is not used" in notes
    assert "Focus was not judged" in notes
    assert not any(name.startswith(("focus.", "exposure.")) for name in found.measurements)
    assert not any(check.code.startswith(("FOC", "EXP")) for check in found.checks)


def board_picture():
    squares = np.kron(np.indices((10, 8)).sum(axis=0) % 2, np.ones((40, 40)))
    return np.pad((squares * 200 + 20).astype(np.uint8), 40, constant_values=220)


@pytest.mark.parametrize(
    ("picture", "words", "marks"),
    [
        (np.zeros((480, 360), np.uint8), "black", False),
        (np.full((480, 360), 128, np.uint8), "next to nothing", False),
        (board_picture(), "board", False),
        (np.random.default_rng([81, 0]).integers(0, 255, (480, 360)).astype(np.uint8), "no face", True),
    ],
    ids=["black", "grey", "board", "noise"],
)
def test_no_face_says_what_is_seen_instead(picture, words, marks, tmp_path, capfd):
    code = fit(save(tmp_path / "still.png", picture), "--out", tmp_path / "out")
    said = capfd.readouterr().err
    assert code == 3
    assert words in said
    if marks:
        assert sorted(os.listdir(tmp_path / "out")) == ["mark-camera1.png", "points-camera1.yaml"]
        assert "--points" in said
    else:
        assert not (tmp_path / "out").exists()


def test_upside_down_names_the_mounting(tmp_path, capfd):
    picture = talking_clip().pictures[1][0]
    code = fit(save(tmp_path / "still.png", picture[::-1, ::-1]), "--out", tmp_path / "out")
    assert code == 3
    assert "mount_rotation_deg: 180" in capfd.readouterr().err


def test_two_faces(tmp_path, capfd):
    picture = talking_clip().pictures[1][0]
    code = fit(save(tmp_path / "still.png", np.hstack([picture, picture])), "--out", tmp_path / "out")
    assert code == 3
    assert "two faces" in capfd.readouterr().err


def test_covered_face_is_not_taken_for_a_sound_one(tmp_path, capfd):
    """A mask over nose and mouth: no usable face, or a check that fails and says so."""
    picture = talking_clip().pictures[1][0].copy()
    cv2.ellipse(picture, (180, 320), (90, 110), 0, 0, 360, 120, -1)
    code = fit(save(tmp_path / "still.png", picture), "--out", tmp_path / "out")
    assert code in (3, 4)
    assert "Mouth" in capfd.readouterr().out or code == 3


def test_half_out_of_frame(tmp_path):
    picture = talking_clip().pictures[1][0]
    code = fit(save(tmp_path / "still.png", shifted(picture, 130, 0)), "--out", tmp_path / "out")
    assert code in (3, 4)


def test_marked_points_replace_what_is_not_found(tmp_path):
    """Points of a person on a picture in which no face is found: framing is judged on them."""
    truth = talking_clip().truths[1]
    noise = np.random.default_rng([82, 0]).integers(0, 255, (480, 360)).astype(np.uint8)
    still = save(tmp_path / "still.png", noise)
    rows = "\n".join(f"  {name}: [{x:.1f}, {y:.1f}]" for name, (x, y) in truth.items() if name in FACE_POINTS)
    points = tmp_path / "points.yaml"
    points.write_text(
        f"format: rigcheck-points\nversion: 1\ncamera: camera1\nframe: 0\nimage_size_px: [360, 480]\npoints:\n{rows}\n"
    )
    assert fit(still, "--points", points, "--out", tmp_path / "out") in (0, 4, 5)
    report = read_result(tmp_path / "out" / "result.json")
    base = (truth["alar_base_left"] + truth["alar_base_right"]) / 2 - [179.5, 239.5]
    for axis, want in zip("xy", base, strict=True):
        found = report.measurements[f"framing.camera1.nostril_offset_{axis}_px"]
        assert found.value == pytest.approx(want, abs=0.1)  # px: written to a tenth
    assert report.measurements["framing.camera1.jaw_open_margin_px"].value is not None
    assert report.measurements["framing.camera1.face_fill"].value > 0.2
    assert "marked on frame 0" in " ".join(report.notes)


PORTRAITS = {
    "astronaut": Path(skimage.__file__).parent / "data" / "astronaut.png",
    "officer": Path(matplotlib.__file__).parent / "mpl-data" / "sample_data" / "grace_hopper.jpg",
}
# Nostril base and chin as read off the pictures by eye, px; good to about 3 px.
BY_EYE = {"astronaut": ((224, 131), 178), "officer": ((265, 253), 336)}


@pytest.mark.parametrize("name", PORTRAITS)
def test_public_domain_portraits(name, tmp_path):
    """Real faces far from the camera: found, placed, and told to come nearer."""
    code = fit(PORTRAITS[name], "--out", tmp_path / "out")
    report = read_result(tmp_path / "out" / "result.json")
    assert code == 4
    picture = cv2.imdecode(np.fromfile(PORTRAITS[name], np.uint8), cv2.IMREAD_GRAYSCALE)
    height, width = picture.shape
    (x, y), chin = BY_EYE[name]
    found = {key.removeprefix("framing.camera1."): each for key, each in report.measurements.items()}
    eyes = found["eye_distance_px"].value
    assert found["nostril_offset_x_px"].value == pytest.approx(x - (width - 1) / 2, abs=0.08 * eyes)
    assert found["nostril_offset_y_px"].value == pytest.approx(y - (height - 1) / 2, abs=0.08 * eyes)
    assert height - 0.5 - found["chin_margin_px"].value == pytest.approx(chin, abs=0.15 * eyes)
    assert abs(found["roll_deg"].value) < 10
    assert {each.code: each.status for each in report.checks}["FRM07"] == "fail"


def test_wrong_inputs_are_named(stage, capfd):
    def refused(*arguments) -> str:
        assert fit(*arguments, "--out", stage / "refused") == 3
        assert not (stage / "refused").exists()
        return capfd.readouterr().err

    result = stage / "other.json"
    other = json.loads(json.dumps({"format": "rigcheck-result"}))
    result.write_text(json.dumps(other))
    assert "missing" in refused(stage / "upper-moved", "--approved", result)
    assert "a rig file found" in refused(stage / "upper-moved", "--performer", stage / "rig.yaml")
    large = save(stage / "large.png", np.zeros((960, 720), np.uint8))
    small = save(stage / "large2.png", np.full((960, 720), 9, np.uint8))
    given = ("--calibration", stage / "calibration.yaml")
    assert "the calibration is for 360 × 480 px" in refused(large, small, *given)
    assert "calibration is of upper, lower" in refused(stage / "upper-moved", *given)
    assert "not understood" in refused(stage / "upper-moved", "--looks", "hat=yes")


def test_looks_are_read_and_asked_for_once():
    looks = read_looks(["glasses=yes", "facial_hair=no", "hair_note=tied back"])
    assert (looks.glasses, looks.facial_hair, looks.hair_note) == (True, False, "tied back")
    with pytest.raises(ConfigError, match="needed"):
        read_looks(["glasses=maybe"])
    asked_about = []

    def answer(name: str) -> bool:
        asked_about.append(name)
        return name == "heavy_make_up"

    record = PerformerRecord(code_name="heron 3", looks=PerformerLooks(glasses=True))
    given = asked(FittingInputs(performer=record, looks=looks), answer)
    assert asked_about == ["accessories", "heavy_make_up", "hair_over_brows"]
    assert given.looks.heavy_make_up is True
    assert asked(given, answer).looks == given.looks
    assert len(asked_about) == 3


def test_another_code_name_is_refused(stage, tmp_path, capfd):
    record = tmp_path / "performer.yaml"
    record.write_text(performer_text(PerformerRecord(code_name="heron 3")))
    out = tmp_path / "out"
    assert fit(stage / "upper-moved", "--performer", record, "--code-name", "rook 1", "--out", out) == 3
    assert "'heron 3'" in capfd.readouterr().err
