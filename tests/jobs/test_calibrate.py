"""The main job on rendered stills: right within its own sigma, and honest about thin footage."""

import json
import shutil

import numpy as np
import pytest
from rendered import render_pairs, tilted_poses
from synthetic import reference_rig

import rigcheck
from rigcheck.demo import compare_with_truth
from rigcheck.jobs.calibrate import OUTPUTS
from rigcheck.main import run
from rigcheck.opencv import cv2


@pytest.fixture(scope="module")
def result(shoot):
    return rigcheck.calibrate(shoot.upper, shoot.lower, board=shoot.board, rig=shoot.rig)


def test_the_truth_lies_within_three_sigma(result):
    rows = {row.name: row for row in compare_with_truth(result.run.calibration, reference_rig())}
    judged = [row for row in rows.values() if row.error_in_sigmas is not None and row.truth != 0]
    assert len(judged) >= 12
    assert max(abs(row.error_in_sigmas) for row in judged) < 4, judged  # the largest of about 15
    assert rows["baseline"].error == pytest.approx(0, abs=0.1)  # mm


def test_files_are_written_whole_and_read_back(result, tmp_path):
    out = tmp_path / "out"
    rigcheck.write_calibration(result, out)
    assert sorted(p.name for p in out.iterdir()) == sorted(OUTPUTS)
    again = rigcheck.read_calibration(out / "calibration.yaml")
    assert again.rig.baseline_mm == pytest.approx(result.run.calibration.rig.baseline_mm, abs=1e-12)
    assert again.covariance == pytest.approx(result.run.calibration.covariance, rel=1e-12)
    found = json.loads((out / "result.json").read_text())
    assert found["format"] == "rigcheck-result"
    assert found["verdict"] == result.report.verdict
    storage = cv2.FileStorage(str(out / "calibration-opencv.yaml"), cv2.FILE_STORAGE_READ)
    assert storage.isOpened()
    storage.release()
    assert set(found["provenance"]["inputs_sha256"]) >= {str(result.inputs[0])}


def test_the_covariance_belongs_to_the_sigmas(result):
    calibration = result.run.calibration
    sigma = dict(zip(calibration.parameters, np.sqrt(np.diag(calibration.covariance)), strict=True))
    stated = calibration.cameras[0].sigma_focal_px[0]
    # The stated one may be the larger of two answers.
    assert sigma["upper.focal_x_px"] <= stated * (1 + 1e-9)
    assert sigma["upper.focal_x_px"] > 0.5 * stated


def test_the_command_says_pass_or_caution_and_exits_0(shoot, tmp_path, capsys):
    code = run(
        [
            "calibrate",
            str(shoot.upper),
            str(shoot.lower),
            "--board",
            str(shoot.board),
            "--out",
            str(tmp_path / "o"),
        ]
    )
    told = capsys.readouterr()
    assert code == 0
    assert "CAL01" in told.out
    assert told.err == ""  # no bars where there is no terminal


def test_an_earlier_calibration_is_kept_without_replace(shoot, tmp_path, capsys):
    arguments = [
        "calibrate",
        str(shoot.upper),
        str(shoot.lower),
        "--board",
        str(shoot.board),
        "--out",
        str(tmp_path),
    ]
    (tmp_path / "calibration.yaml").write_text("earlier")
    assert run(arguments) == 3
    assert "--replace" in capsys.readouterr().err
    assert (tmp_path / "calibration.yaml").read_text() == "earlier"
    assert [p.name for p in tmp_path.iterdir()] == ["calibration.yaml"]
    assert run([*arguments, "--replace"]) == 0
    assert (tmp_path / "calibration.yaml").read_text() != "earlier"


def test_one_camera_alone(shoot, tmp_path):
    result = rigcheck.calibrate(shoot.upper, board=shoot.board)
    assert result.run.calibration.stereo is None
    camera = result.run.calibration.cameras[0]
    truth = reference_rig().camera1
    for value, sigma, true in zip(camera.camera.focal_px, camera.sigma_focal_px, truth.focal_px, strict=True):
        assert abs(value - true) < 4 * sigma
    rigcheck.write_calibration(result, tmp_path / "one")


def test_one_file_that_holds_both_cameras(shoot, tmp_path):
    joined = tmp_path / "joined"
    joined.mkdir()
    for path in sorted(shoot.upper.iterdir()):
        both = [
            cv2.imread(str(folder / path.name), cv2.IMREAD_GRAYSCALE) for folder in (shoot.upper, shoot.lower)
        ]
        cv2.imwrite(str(joined / path.name), np.hstack(both))
    split = rigcheck.calibrate(f"{joined}#side-by-side", board=shoot.board)
    apart = rigcheck.calibrate(shoot.upper, shoot.lower, board=shoot.board)
    assert split.run.calibration.rig.baseline_mm == pytest.approx(
        apart.run.calibration.rig.baseline_mm, abs=1e-9
    )


def test_a_second_clip_adds_to_the_first(shoot, tmp_path):
    halves = {}
    for name, folder in (("upper", shoot.upper), ("lower", shoot.lower)):
        for part in (0, 1):
            target = tmp_path / f"{name}{part}"
            target.mkdir()
            for path in sorted(folder.iterdir())[5 * part : 5 * part + 5]:
                shutil.copy(path, target)
            halves[name, part] = target
    result = rigcheck.calibrate(
        f"{halves['upper', 0]},{halves['upper', 1]}",
        f"{halves['lower', 0]},{halves['lower', 1]}",
        board=shoot.board,
    )
    assert len(result.run.views) == 10


FOUR = [(35, 8, 0), (-35, -6, 10), (6, 35, -8), (-8, -35, 4)]


@pytest.fixture(scope="module")
def four_tilted(tmp_path_factory):
    return render_pairs(tmp_path_factory.mktemp("four"), tilted_poses(FOUR, distance_mm=170.0), seed=1)


def harm(result):
    return next(check for check in result.report.checks if check.code == "CAL01")


def test_four_well_tilted_views_pass_on_harm(four_tilted, shoot):
    """Four pictures are not too few: what counts is the uncertainty on the result."""
    upper, lower = four_tilted
    assert harm(rigcheck.calibrate(upper, board=shoot.board)).status == "pass"
    assert harm(rigcheck.calibrate(upper, lower, board=shoot.board)).status == "pass"


def test_flat_on_views_fail_with_the_number_that_shows_it(shoot, tmp_path):
    """Zhang 2000: parallel planes add nothing; ten of them are no better."""
    flat = [(0.4 * k, -0.3 * k, 3 * k) for k in range(-2, 3)]
    upper, lower = render_pairs(tmp_path, tilted_poses(flat), seed=2)
    result = rigcheck.calibrate(upper, lower, board=shoot.board)
    checks = {check.code: check for check in result.report.checks}
    assert checks["CAL06"].status == "fail"
    assert checks["CAL06"].estimate.value < 2.5
    assert result.report.verdict == "fail"


def test_one_corner_of_the_picture_only_is_flagged(shoot, tmp_path):
    centre = np.array([36.0, 49.5, 0.0])
    poses = []
    for pose in tilted_poses(
        [(30, 5, 0), (-30, 5, 10), (5, 30, -8), (-8, -30, 4), (20, 20, 3)], distance_mm=400.0
    ):
        middle = pose.apply(centre)
        shift = np.array([-0.24, -0.12, 1.0]) * 400.0 - middle
        poses.append(type(pose)(rotation=pose.rotation, translation_mm=pose.translation_mm + shift))
    upper, _ = render_pairs(tmp_path, poses, seed=3)
    result = rigcheck.calibrate(upper, board=shoot.board)
    checks = {check.code: check for check in result.report.checks}
    assert checks["CAL07"].status in ("caution", "fail")
    assert checks["CAL07"].estimate.value < 0.3
    assert result.report.verdict != "pass"
