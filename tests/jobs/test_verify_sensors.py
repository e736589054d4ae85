"""Sensors with planted hot pixels, from clips to the verdict: the calibration keeps them, `verify` knows them again."""

from dataclasses import dataclass
from pathlib import Path

import av
import pytest
from planted_pixels import far_from, sensor, shown_by
from small_shoot import HEIGHT, WIDTH, SmallShoot, clip_of, small_shoot

import rigcheck
from rigcheck.errors import ConfigError
from rigcheck.footage import open_footage
from rigcheck.jobs.inspecting import Search
from rigcheck.jobs.looking import look_at_clip
from rigcheck.records import read_board

SENSORS = {"upper": sensor(1, 60, (WIDTH, HEIGHT)), "lower": sensor(2, 60, (WIDTH, HEIGHT))}


@dataclass(frozen=True, kw_only=True, eq=False)
class Day:
    """A shoot, a calibration from clips of it, and these."""

    shoot: SmallShoot
    calibration: Path
    result: rigcheck.CalibrationResult
    clips: dict[str, Path]


def filmed(folder, shoot, sensors):
    """Clips as both cameras record the shoot's pictures with these sensors."""
    return {
        name: clip_of(folder / f"{name}.mp4", shown_by(shoot.pictures[name], planted), options={"crf": "18"})
        for name, planted in sensors.items()
    }


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    folder = tmp_path_factory.mktemp("day")
    shoot = small_shoot(folder / "shoot", count=14)
    clips = filmed(folder, shoot, SENSORS)
    result = rigcheck.calibrate(
        clips["upper"], clips["lower"], board=shoot.board, rig=shoot.rig, lens="brown4"
    )
    rigcheck.write_calibration(result, folder / "out")
    return Day(shoot=shoot, calibration=folder / "out" / "calibration.yaml", result=result, clips=clips)


def verified(day, clips):
    result = rigcheck.verify(
        clips["upper"], clips["lower"], calibration=day.calibration, board=day.shoot.board
    )
    return result, {check.code: check for check in result.report.checks}


def test_the_calibration_keeps_them(day):
    again = rigcheck.read_calibration(day.calibration)
    for entry in again.cameras:
        assert len(entry.hot_pixels_px) >= 8
        assert far_from(entry.hot_pixels_px, SENSORS[entry.camera.name]) == 0
    assert any("Hot pixels kept" in note for note in day.result.report.notes)


def test_the_same_sensors_are_known_and_the_same_footage_is_named(day):
    result, checks = verified(day, day.clips)
    assert checks["VER08"].status == "pass"
    assert result.run.measurements["upper.hot_pixels_again"].value >= 0.9
    assert any("this very file" in note and "prove nothing" in note for note in result.report.notes)


def test_exchanged_bodies_are_noticed_where_geometry_sees_nothing(day, tmp_path):
    """The lenses stay, so that every ray does: only the sensors tell."""
    crosswise = {"upper": SENSORS["lower"], "lower": SENSORS["upper"]}
    result, checks = verified(day, filmed(tmp_path, day.shoot, crosswise))
    assert checks["VER05"].status == "pass"
    assert checks["VER08"].status == "fail"
    assert "upper and lower are exchanged" in checks["VER08"].message
    assert result.report.verdict == "fail"
    assert not any("this very file" in note for note in result.report.notes)


def test_another_sensor_is_noticed(day, tmp_path):
    replaced = SENSORS | {"lower": sensor(3, 60, (WIDTH, HEIGHT))}
    _, checks = verified(day, filmed(tmp_path, day.shoot, replaced))
    assert checks["VER08"].status == "caution"
    assert "Was lower replaced" in checks["VER08"].action


def test_a_clip_decoded_whole_is_watched_too(day, tmp_path):
    """Few key pictures: every picture is looked at in a single pass."""
    shown = shown_by(day.shoot.pictures["upper"][:8], SENSORS["upper"])
    clip = open_footage(str(clip_of(tmp_path / "long.mp4", shown, options={"g": "8"})), camera="upper")
    search = Search(
        board=read_board(day.shoot.board), setups=(), lights={}, on_progress=lambda done, total: None
    )
    assert look_at_clip(clip, search).sensors["upper"].n_pictures == 8


def stating(path, pictures, **tags):
    """A clip whose file states these tags."""
    plain = clip_of(path.with_suffix(".mp4"), pictures)
    with av.open(str(plain)) as source, av.open(str(path), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        target.metadata.update(tags)
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    plain.unlink()
    return path


@pytest.fixture(scope="module")
def serials(tmp_path_factory):
    path = tmp_path_factory.mktemp("serials") / "rig.yaml"
    path.write_text(
        "name: kestrel\ncameras:\n  - {name: upper, serial: K-204}\n  - {name: lower, serial: K-209}\n"
    )
    return path


def test_files_that_state_the_other_cameras_serial_are_refused(day, serials, tmp_path):
    """Names of files are neutral, or right: what the camera wrote counts."""
    pictures = day.shoot.pictures["upper"][:2]
    one = stating(tmp_path / "a.mkv", pictures, CAMERA_SERIAL="K-204")
    two = stating(tmp_path / "b.mkv", pictures, **{"maker.model-x.serial-number": "k-209"})
    plain = stating(tmp_path / "upper.mkv", pictures, comment="K-209")
    assert open_footage(str(one), camera="upper").info.devices == ("K-204",)
    assert open_footage(str(two), camera="lower").info.devices == ("k-209",)
    assert open_footage(str(plain), camera="lower").info.devices == ()
    how = {"board": day.shoot.board, "rig": serials}
    with pytest.raises(
        ConfigError, match=r"a\.mkv: the file states the serial K-204, which is that of upper"
    ):
        rigcheck.calibrate(plain, one, **how)
    with pytest.raises(
        ConfigError, match=r"b\.mkv: the file states the serial K-209, which is that of lower"
    ):
        rigcheck.verify(two, one, calibration=day.calibration, **how)


def test_reel_names_are_believed_crosswise_only(day, tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(
        "name: kestrel\ncameras:\n  - {name: upper, serial: '1'}\n  - {name: lower, serial: '2'}\n"
    )
    pictures = day.shoot.pictures["upper"][:2]
    one, two = (stating(tmp_path / f"{k}.mkv", pictures, reel_name=k) for k in ("upper 0007", "lower 0007"))
    with pytest.raises(ConfigError, match="these are of lower and upper"):
        rigcheck.calibrate(two, one, board=day.shoot.board, rig=rig)
