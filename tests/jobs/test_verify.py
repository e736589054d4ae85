"""The command `verify` on rendered stills, and the errors it must give."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from rendered import render_pairs, tilted_poses, write_picture
from verifying import TRUE_RIG, Changed, calibrated

import rigcheck
from rigcheck.drift.same_setup import refuse_other_setup
from rigcheck.errors import BoardError, ConfigError, EstimationError, InputError, RigcheckError, SchemaError
from rigcheck.geometry.board_views import CameraSetup
from rigcheck.jobs.verify import OUTPUTS
from rigcheck.main import run
from rigcheck.model import Estimate
from rigcheck.records import calibration_text, result_text
from rigcheck.report.verify_page import verify_page

TILTS = [(35, 8, 0), (-35, -6, 10), (6, 35, -8), (-8, -35, 4)]
KNOCK_DEG = 0.05
BOARD_YAML = """\
name: reference
kind: charuco
squares: [9, 12]
square_mm: 9.0
marker_mm: 6.75
dictionary: DICT_4X4_100
"""
RIG_YAML = """\
name: kestrel
cameras:
  - {name: upper, serial: K1}
  - {name: lower, serial: K2}
working_distance_mm: 195
"""


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """A stored calibration, and stills of the rig as it was and after a knock."""
    folder = tmp_path_factory.mktemp("day")
    (folder / "board.yaml").write_text(BOARD_YAML)
    (folder / "rig.yaml").write_text(RIG_YAML)
    (folder / "calibration.yaml").write_text(calibration_text(calibrated()))
    poses = tilted_poses(TILTS, distance_mm=180.0)
    render_pairs(folder / "same", poses, seed=5)
    render_pairs(folder / "knocked", poses, seed=6, rig=Changed(convergence_deg=KNOCK_DEG).rig)
    return folder


def options(day, name, **more):
    given = {"calibration": day / "calibration.yaml", "board": day / "board.yaml"} | more
    return (day / name / "upper", day / name / "lower"), given


def verified(day, name, **more):
    footage, given = options(day, name, **more)
    return rigcheck.verify(*footage, **given)


@pytest.fixture(scope="module")
def same(day):
    return verified(day, "same", rig=day / "rig.yaml", label="worn")


@pytest.fixture(scope="module")
def knocked(day):
    return verified(day, "knocked")


def test_an_untouched_rig_passes(same):
    assert same.report.verdict == "pass"
    assert same.report.command == "verify"
    assert len(same.run.views) == 4


def test_a_knock_fails_with_its_size(knocked):
    assert knocked.report.verdict == "fail"
    found = knocked.run.measurements["change.convergence_deg"]
    assert abs(found.value - KNOCK_DEG) < 4 * found.sigma
    assert found.sigma < 0.01
    assert any("not seen at all" in note for note in knocked.report.notes)


def test_what_history_needs_is_kept(same, knocked):
    kept = same.report.provenance.options
    assert kept["label"] == "worn"
    assert kept["rig"] == "kestrel"
    assert kept["calibration_created"] == calibrated().created
    assert knocked.report.provenance.options["label"] is None
    named = same.run.measurements
    for name in (
        "stereo.baseline_mm", "stereo.convergence_deg", "stereo.across_deg", "stereo.twist_deg",
        "stereo.rms_px", "stereo.epipolar_rms_px", "upper.rms_px", "lower.focal_x_px", "harm.depth_mm",
        "upper.focus_depth_mm", "change.baseline_mm", "verify.chi_square_p",
    ):  # fmt: skip
        assert name in named
    truth = TRUE_RIG.baseline_mm
    assert abs(named["stereo.baseline_mm"].value - truth) < 4 * named["stereo.baseline_mm"].sigma


def test_files_are_written_whole_and_read_back(knocked, tmp_path):
    out = tmp_path / "out"
    rigcheck.write_verification(knocked, out)
    assert sorted(p.name for p in out.iterdir()) == sorted(OUTPUTS)
    again = rigcheck.read_result(out / "result.json")
    assert again.verdict == "fail"
    assert again.measurements["harm.depth_mm"] == knocked.run.harm
    page = (out / "report.html").read_text()
    assert "<script" not in page
    assert "://" not in page
    assert "turned in its mount" in page or "moved against each other" in page


def test_text_from_outside_is_escaped_and_the_map_shows_the_limit(same, knocked):
    options = dict(same.report.provenance.options) | {"label": "<img src=x>"}
    report = replace(same.report, provenance=replace(same.report.provenance, options=options))
    page = verify_page(report, same.run)
    assert "<img" not in page
    assert "&lt;img src=x&gt;" in page
    assert "No check asks for anything" in page
    beyond = verify_page(knocked.report, knocked.run)
    assert "Map of the depth change" in beyond
    assert "+0.5" in beyond.split("<svg", 1)[1].split("</svg>", 1)[0]


def test_the_command_writes_says_and_exits(day, tmp_path, capsys):
    footage, given = options(day, "knocked")
    arguments = ["verify", *map(str, footage), "--out", str(tmp_path / "o"), "--label", "stand"]
    arguments += ["--calibration", str(given["calibration"]), "--board", str(given["board"])]
    assert run(arguments) == 4
    told = capsys.readouterr()
    assert "VER01" in told.out
    assert "no longer holds" in told.out
    assert told.err == ""
    found = json.loads((tmp_path / "o" / "result.json").read_text())
    assert found["provenance"]["options"]["label"] == "stand"
    assert run(arguments) == 3  # an earlier result is kept
    assert "--replace" in capsys.readouterr().err


def test_where_the_plane_of_focus_was_is_read_beside_the_calibration(day, same, tmp_path):
    """A result.json of the calibration's own run is used, one of another run is not."""
    shutil.copy(day / "calibration.yaml", tmp_path)
    then = replace(
        same.report,
        command="calibrate",
        provenance=replace(same.report.provenance, created=calibrated().created),
        measurements={
            f"{name}.focus_depth_mm": Estimate(value=150.0, sigma=1.0, unit="mm")
            for name in ("upper", "lower")
        },
    )
    (tmp_path / "result.json").write_text(result_text(then))
    used = verified(day, "same", calibration=tmp_path / "calibration.yaml")
    focus = used.run.measurements["upper.focus_depth_mm"]
    moved = used.run.measurements["upper.focus_moved_mm"]
    assert str(tmp_path / "result.json") in used.report.provenance.inputs_sha256
    if focus.value is not None:
        assert moved.value == pytest.approx(focus.value - 150.0)
    else:
        assert moved.reason == focus.reason
    other = replace(then, provenance=replace(then.provenance, created="2025-01-01T00:00:00+00:00"))
    (tmp_path / "result.json").write_text(result_text(other))
    unused = verified(day, "same", calibration=tmp_path / "calibration.yaml")
    assert any("of another run and was not used" in note for note in unused.run.notes)


def test_clips_in_the_wrong_order_are_noticed(day):
    footage, given = options(day, "same")
    with pytest.raises(ConfigError, match="wrong order: the first shows lower"):
        rigcheck.verify(footage[1], footage[0], **given)


def test_a_calibration_of_another_rig_is_refused(day):
    entry = calibrated().cameras[0]
    far = replace(entry.camera, focal_px=tuple(1.3 * f for f in entry.camera.focal_px))
    other = replace(calibrated(), cameras=(replace(entry, camera=far), calibrated().cameras[1]))
    with pytest.raises(EstimationError, match="not of the rig calibrated 2026-02-03"):
        verified(day, "same", calibration=other)


def test_another_size_rate_number_or_order_of_cameras_is_refused(day, tmp_path):
    entries = calibrated().cameras
    smaller = tuple(replace(e, camera=replace(e.camera, image_size_px=(540, 720))) for e in entries)
    with pytest.raises(
        ConfigError, match="pictures of 1080 x 1440 px found; the calibration was made from 540"
    ):
        verified(day, "same", calibration=replace(calibrated(), cameras=smaller))
    footage, given = options(day, "same")
    with pytest.raises(ConfigError, match="calibration is of 2 camera"):
        rigcheck.verify(footage[0], **given)
    exchanged = tmp_path / "rig.yaml"
    exchanged.write_text("name: kestrel\ncameras: [{name: lower}, {name: upper}]\n")
    with pytest.raises(ConfigError, match="in another order"):
        verified(day, "same", rig=exchanged)


def test_another_rate_is_refused():
    def at(rate):
        return [
            CameraSetup(name=e.camera.name, image_size_px=e.camera.image_size_px, frame_rate_hz=rate)
            for e in calibrated().cameras
        ]

    refuse_other_setup(calibrated(), at(60.0))
    refuse_other_setup(calibrated(), at(None))
    with pytest.raises(ConfigError, match="50 frames per second found; the calibration was made at 60"):
        refuse_other_setup(calibrated(), at(50.0))
    with pytest.raises(ConfigError, match=r"59\.9401 frames"):
        refuse_other_setup(calibrated(), at(60000 / 1001))


def test_another_board_is_refused_and_another_measurement_of_it_is_noted(day, tmp_path):
    other = tmp_path / "other.yaml"
    other.write_text(BOARD_YAML.replace("square_mm: 9.0", "square_mm: 9.5").replace("6.75", "7.0"))
    with pytest.raises(BoardError, match=r"square_mm 9\.5, then 9\.0; marker_mm 7\.0, then 6\.75"):
        verified(day, "same", board=other)
    measured = tmp_path / "measured.yaml"
    measured.write_text(
        BOARD_YAML
        + "measured: {across_mm: 81.05, across_squares: 9, down_mm: 108.05, down_squares: 12, u_mm: 0.02}\n"
    )
    noted = verified(day, "same", board=measured)
    assert any("other measured lengths" in note for note in noted.run.notes)
    # The scale of the calibration is used: 0.06 % of the baseline would be 0.04 mm.
    change = noted.run.measurements["change.baseline_mm"]
    assert abs(change.value) < 4 * change.sigma


@pytest.mark.parametrize(
    ("old", "new", "error"),
    [
        ("version: 1", "version: 2", SchemaError),
        ("covariance:", "covarianze:", SchemaError),
        ("baseline_mm: 7", "baseline_mm: 8", SchemaError),
        ("upper.focal_x_px", "upper.focal_w_px", SchemaError),
    ],
)
def test_a_damaged_or_newer_calibration_is_refused(day, tmp_path, old, new, error):
    text = (day / "calibration.yaml").read_text()
    assert old in text
    path = tmp_path / "calibration.yaml"
    path.write_text(text.replace(old, new))
    with pytest.raises(error) as caught:
        verified(day, "same", calibration=path)
    assert caught.value.hint


def test_the_same_clip_twice_and_no_board_are_refused(day, tmp_path):
    footage, given = options(day, "same")
    copy = tmp_path / "copy"
    shutil.copytree(footage[0], copy)
    with pytest.raises(InputError, match="same"):
        rigcheck.verify(footage[0], copy, **given)
    rng = np.random.default_rng([94, 0])
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        for k in range(3):
            write_picture(tmp_path / name / f"{k}.png", rng.integers(90, 110, (1440, 1080)).astype(np.uint8))
    with pytest.raises(RigcheckError, match="board"):
        rigcheck.verify(tmp_path / "a", tmp_path / "b", **given)
