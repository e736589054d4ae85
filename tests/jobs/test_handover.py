"""`handover` from a day's folder to one for the next department, and the check of a received one."""

import errno
import hashlib
import io
import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from face_clips import calibration_of
from results_made import START, made, write
from scipy.ndimage import map_coordinates

from rigcheck.demo.head_rig import head_rig
from rigcheck.errors import ConfigError, InputError, OutputError, SchemaError
from rigcheck.geometry.st_map import recorded_from_straightened, straightened_from_recorded
from rigcheck.jobs.handover import HandoverChoice, check_handover, handover
from rigcheck.main import run
from rigcheck.model import CameraModel, PerformerRecord
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text, performer_text, read_calibration
from rigcheck.records.manifest_file import read_manifest

SMALL = (90, 120)
BROWN = CameraModel(
    name="upper",
    image_size_px=(180, 240),
    model="brown",
    focal_px=(236.0, 237.0),
    principal_point_px=(91.3, 118.2),
    distortion=(-0.12, 0.05, 3e-4, -2e-4, 0.01),
)
FISHEYE = replace(BROWN, model="fisheye", distortion=(0.02, -0.01, 0.003, 0.001))


def shrunken(calibration, footage):
    """The calibration of a small pair, made from a file that exists."""
    cameras = tuple(
        replace(
            entry,
            camera=replace(
                entry.camera,
                image_size_px=SMALL,
                focal_px=(118.0, 118.0),
                principal_point_px=(44.5, 59.5),
            ),
        )
        for entry in calibration.cameras
    )
    made_from = {str(footage): hashlib.sha256(footage.read_bytes()).hexdigest(), "gone.mov": "0" * 64}
    return replace(
        calibration, cameras=cameras, provenance=replace(calibration.provenance, inputs_sha256=made_from)
    )


@pytest.fixture
def day(tmp_path):
    """A day with a calibration, results with reports, a performer record, picks with a still, a take table."""
    folder, rng = tmp_path / "day", np.random.default_rng([98, 0])
    for name in ("morning/board", "fitting", "picks", "audit"):
        (folder / name).mkdir(parents=True)
    footage = folder / "morning" / "board" / "upper.mov"
    footage.write_bytes(b"board" * 100)
    calibration = shrunken(calibration_of(head_rig()), footage)
    (folder / "morning" / "calibration.yaml").write_text(calibration_text(calibration), encoding="utf-8")
    write(folder / "morning", made(START, rng=rng, command="calibrate"))
    write(folder / "fitting", made(START, rng=rng, command="fitting"))
    for name in ("morning", "fitting"):
        (folder / name / "report.html").write_text(f"<p>{name}", encoding="utf-8")
    (folder / "fitting" / "performer.yaml").write_text(
        performer_text(PerformerRecord(code_name="heron")), encoding="utf-8"
    )
    (folder / "picks" / "picks.json").write_text('{"format": "rigcheck-picks", "version": 1}')
    (folder / "picks" / "neutral_upper.png").write_bytes(cv2.imencode(".png", np.zeros((8, 8)))[1].tobytes())
    (folder / "audit" / "takes.json").write_text('{"format": "rigcheck-takes", "version": 1}')
    (folder / "notes.json").write_text('{"mine": true}')
    return folder


def sums(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(Path(folder).rglob("*"))
        if path.is_file()
    }


def test_everything_of_the_day_is_there_without_pictures(day, tmp_path):
    before, out = sums(day), tmp_path / "out"
    result = handover(day, out)
    assert sums(day) == before  # inputs are never changed
    names = {each.path for each in result.files}
    assert names == {
        "calibrations/morning/calibration.yaml",
        "calibrations/morning/calibration-opencv.yaml",
        *(f"calibrations/morning/{c}-{k}.tif" for c in ("upper", "lower") for k in ("straighten", "distort")),
        "day/morning/result.json",
        "day/morning/report.html",
        "day/fitting/result.json",
        "day/fitting/performer.yaml",
        "day/picks/picks.json",
        "day/audit/takes.json",
        "board-footage.json",
        "conventions.html",
    }
    assert {each.path for each in result.left_out} == {"fitting/report.html", "picks/neutral_upper.png"}
    assert (out / "calibrations/morning/calibration.yaml").read_bytes() == (
        day / "morning/calibration.yaml"
    ).read_bytes()
    assert check_handover(out) == (len(names), ())
    assert not any(b"PNG" in path.read_bytes()[:8] for path in out.rglob("*") if path.is_file())


def test_sums_are_those_that_any_other_program_finds(day, tmp_path):
    handover(day, tmp_path / "out")
    listed = dict(
        reversed(line.split("  ", 1)) for line in (tmp_path / "out" / "SHA256SUMS").read_text().splitlines()
    )
    found = sums(tmp_path / "out")
    del found["SHA256SUMS"]
    assert listed == found  # hashlib over the files themselves
    assert {each.path: each.sha256 for each in read_manifest(tmp_path / "out")} == {
        path: digest for path, digest in found.items() if path != "manifest.json"
    }


def test_pictures_and_footage_go_along_when_asked_for(day, tmp_path):
    choice = HandoverChoice(pictures=True, board_footage=True)
    result = handover(day, tmp_path / "out", choice=choice)
    names = {each.path for each in result.files}
    assert {"day/fitting/report.html", "day/picks/neutral_upper.png"} <= names
    copied = [name for name in names if name.startswith("board-footage/")]
    assert len(copied) == 1
    assert (tmp_path / "out" / copied[0]).read_bytes() == b"board" * 100
    assert [each.path for each in result.left_out] == ["gone.mov"]  # recorded, but not there any more
    entries = json.loads((tmp_path / "out" / "board-footage.json").read_text())["files"]
    assert [entry.get("copied_to") for entry in entries if entry["path"] != "gone.mov"] == copied


def test_footage_that_changed_since_is_not_handed_over(day, tmp_path):
    (day / "morning" / "board" / "upper.mov").write_bytes(b"other" * 100)
    result = handover(day, tmp_path / "out", choice=HandoverChoice(board_footage=True))
    assert not any(each.path.startswith("board-footage/") for each in result.files)
    assert any("same content" in each.reason for each in result.left_out)


@pytest.mark.parametrize("fault", ["changed", "longer", "missing", "extra", "link"])
def test_the_check_names_each_fault(fault, day, tmp_path, capsys):
    out = tmp_path / "out"
    handover(day, out)
    victim = out / "day" / "picks" / "picks.json"
    if fault == "changed":
        victim.write_bytes(victim.read_bytes().replace(b"1", b"2"))
    elif fault == "longer":
        victim.write_bytes(victim.read_bytes() + b"\n")
    elif fault == "missing":
        victim.unlink()
    elif fault == "extra":
        victim = out / "day" / "stray.txt"
        victim.write_text("stray")
    else:
        away = tmp_path / "elsewhere.json"
        victim.rename(away)
        victim.symlink_to(away)
    assert run(["handover", str(out), "--check"]) == 4
    said = capsys.readouterr().out
    assert str(victim.relative_to(out)) in said
    assert "Fail: 1 of" in said


def test_the_check_passes_what_is_whole(day, tmp_path, capsys):
    assert run(["handover", str(day), "--out", str(tmp_path / "out")]) == 0
    assert run(["handover", str(tmp_path / "out"), "--check"]) == 0
    assert "Pass: all 14 files" in capsys.readouterr().out


@pytest.mark.parametrize("path", ["../day/secret", "/etc/hosts", "a\\..\\b", ""])
def test_a_manifest_that_leads_out_of_its_folder_is_refused(path, day, tmp_path):
    out = tmp_path / "out"
    handover(day, out)
    content = json.loads((out / "manifest.json").read_text())
    content["files"][0]["path"] = path
    (out / "manifest.json").write_text(json.dumps(content))
    with pytest.raises(SchemaError, match="path"):
        check_handover(out)


def test_what_cannot_be_handed_over_is_refused_or_named(day, tmp_path):
    with pytest.raises(ConfigError, match="lies inside"):
        handover(day, day / "out")
    with pytest.raises(InputError, match="no such folder"):
        handover(tmp_path / "none", tmp_path / "out")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="no calibration"):
        handover(tmp_path / "empty", tmp_path / "out")
    assert not (tmp_path / "out").exists()
    (day / "morning" / "calibration.yaml").write_text("format: rigcheck-calibration\nversion: 1\n")
    result = handover(day, tmp_path / "out")
    assert [each.path for each in result.left_out if "missing" in each.reason] == ["morning/calibration.yaml"]
    with pytest.raises(OutputError, match="manifest"):
        handover(day, tmp_path / "out")
    with pytest.raises(InputError, match=r"no manifest\.json"):
        check_handover(day)


def test_a_full_disk_is_said_and_leaves_nothing(day, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("rigcheck.jobs.handover.shutil.copyfile", full)
    with pytest.raises(OutputError, match="No space left"):
        handover(day, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_an_earlier_handover_is_not_handed_over_again(day, tmp_path):
    handover(day, tmp_path / "out")
    os.rename(tmp_path / "out", day / "sent")
    again = handover(day, tmp_path / "out")
    assert not any("sent" in each.path for each in again.files)


def test_odd_names_are_made_safe_and_stay_apart(day, tmp_path):
    for name in ("a:b", "a?b"):
        (day / name).mkdir()
        write(day / name, made(START, rng=np.random.default_rng([98, 1]), command="verify"))
    result = handover(day, tmp_path / "out")
    assert {"day/a_b/result.json", "day/a_b/result-2.json"} <= {each.path for each in result.files}


def test_wrong_options_are_a_usage_error(day, tmp_path):
    assert run(["handover", str(day)]) == 2
    assert run(["handover", str(day), "--check", "--out", str(tmp_path / "out")]) == 2


@pytest.mark.parametrize("camera", [BROWN, FISHEYE], ids=["brown", "fisheye"])
def test_maps_are_those_of_opencv(camera):
    """Outside: cv2.initUndistortRectifyMap and its fisheye namesake, float32 (1e-4 px is their own rounding)."""
    size, coefficients = camera.image_size_px, np.array(camera.distortion)
    made_by = cv2 if camera.model == "brown" else cv2.fisheye
    x, y = made_by.initUndistortRectifyMap(camera.K, coefficients, np.eye(3), camera.K, size, cv2.CV_32FC1)
    ours = recorded_from_straightened(camera)
    assert ours[..., 2].all()
    assert np.abs(ours[..., 0] * size[0] - 0.5 - x).max() < 1e-4
    assert np.abs(ours[..., 1] * size[1] - 0.5 - y).max() < 1e-4


@pytest.mark.parametrize("camera", [BROWN, FISHEYE], ids=["brown", "fisheye"])
def test_one_map_undoes_the_other(camera):
    there, back = recorded_from_straightened(camera), straightened_from_recorded(camera)
    width, height = camera.image_size_px
    x, y = (there[..., k] * n - 0.5 for k, n in ((0, width), (1, height)))
    inside = (x > 8) & (x < width - 9) & (y > 8) & (y < height - 9)  # a spline is unsure at its ends
    across, down = (map_coordinates(back[..., k], [y, x], order=3) for k in range(2))
    rows, columns = np.indices((height, width))
    # px: what interpolating between float32 places leaves
    assert np.abs(across * width - 0.5 - columns)[inside].max() < 1e-3
    assert np.abs(down * height - 0.5 - rows)[inside].max() < 1e-3


def test_maps_are_written_red_across_and_green_down(day, tmp_path):
    """Outside: tifffile reads red first."""
    handover(day, tmp_path / "out")
    folder = tmp_path / "out" / "calibrations" / "morning"
    camera = read_calibration(folder / "calibration.yaml").cameras[0].camera
    found = tifffile.imread(io.BytesIO((folder / "upper-straighten.tif").read_bytes()))
    assert found.dtype == np.float32
    assert np.array_equal(found, recorded_from_straightened(camera))


def test_no_place_is_said_where_the_lens_folds():
    folded = replace(BROWN, distortion=(-1.2, 0.0, 0.0, 0.0))
    for made_map in (recorded_from_straightened(folded), straightened_from_recorded(folded)):
        assert 0 < made_map[..., 2].mean() < 1
        assert (made_map[made_map[..., 2] == 0] == 0).all()
        assert np.isfinite(made_map).all()
