"""A live session from end to end on small played clips: pictures, answers, keeping a moment, a clean stop."""

import json
import threading
import time
from dataclasses import replace

import numpy as np
import pytest
from face_clips import calibration_of, shifted, talking_clip
from small_shoot import clip_of

from rigcheck.errors import ConfigError, InputError
from rigcheck.footage import open_footage
from rigcheck.jobs.wearing import WornSaid
from rigcheck.live.engine import LiveEngine
from rigcheck.live.options import LiveOptions
from rigcheck.model import CameraDescription, Proxy, RigDescription
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text, read_performer, read_result

pytestmark = pytest.mark.xdist_group("rendered-face")

RATE = 8
SOON_S = 90.0


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    """Clips of the performer sitting well, and of the same sitting low; rig and calibration."""
    folder = tmp_path_factory.mktemp("live")
    clip = talking_clip()
    for name, pictures in zip(("upper", "lower"), clip.pictures, strict=True):
        still = [pictures[0]] * (6 * RATE)
        low = [shifted(pictures[0], 0, 60)] * (60 * RATE)
        clip_of(folder / f"{name}.mp4", [*still, *low], rate=RATE, options={"g": "8", "preset": "ultrafast"})
    (folder / "rig.yaml").write_text(
        "name: kestrel\ncameras:\n  - name: upper\n  - name: lower\nworking_distance_mm: 205\n"
    )
    (folder / "calibration.yaml").write_text(calibration_text(calibration_of(clip.rig)))
    return folder


def options(stage, out, **more):
    given = {
        "sources": (str(stage / "upper.mp4"), str(stage / "lower.mp4")),
        "rig": stage / "rig.yaml",
        "calibration": stage / "calibration.yaml",
        "code_name": "heron 3",
        "worn": WornSaid(on="now"),
        "most_per_s": 3.0,
        "stills": 1,
    }
    return LiveOptions(out=out, **(given | more))


def wait_for(engine, holds):
    """Wait until a reading holds; under load this takes longer, and nothing else changes."""
    end = time.monotonic() + SOON_S
    reading = engine.reading()
    while not holds(reading):
        assert time.monotonic() < end, reading
        reading = engine.wait_reading(reading.number, 0.5)
    return reading


def framing(reading):
    return next((each for each in reading.answers if each.subject == "framing"), None)


def test_from_the_first_picture_to_a_kept_moment_and_a_clean_stop(stage, tmp_path):
    before = set(threading.enumerate())
    out = tmp_path / "kept"
    engine = LiveEngine(options(stage, out, mass_g=400.0, overhang_mm=90.0))
    with engine:
        first = engine.wait_picture(0, -1, SOON_S)
        picture = cv2.imdecode(np.frombuffer(first.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert picture.shape == (480, 360) == first.size_px[::-1]
        assert engine.wait_picture(1, -1, SOON_S).jpeg != first.jpeg
        assert engine.wait_picture(0, first.seq, SOON_S).seq > first.seq

        good = wait_for(engine, lambda reading: framing(reading) is not None)
        assert framing(good).status != "fail"
        assert {each.subject for each in good.answers} == {"framing", "focus", "light"}
        assert all(source.state == "running" for source in good.sources)
        assert all(camera.face and len(camera.crosses) == 6 for camera in good.cameras)
        nostrils = good.cameras[0].crosses[0]
        assert (nostrils.x, nostrils.y) == (pytest.approx(0.5, abs=0.05), pytest.approx(0.5, abs=0.08))
        assert "35 N·cm" in " ".join(good.safety.sentences)  # 9.81 · 0.4 kg · 9 cm
        assert json.loads(json.dumps(good.as_json(), allow_nan=False))["mode"] == "face"
        assert not out.exists()

        low = wait_for(engine, lambda reading: framing(reading).status == "fail")
        assert "mm down" in framing(low).move
        assert low.measured_per_s > 0

        for kind in ("focus", "light"):
            overlay = cv2.imdecode(np.frombuffer(engine.map_png(kind, 1), np.uint8), cv2.IMREAD_UNCHANGED)
            assert overlay.shape == (480, 360, 4)
            assert (0.01 if kind == "focus" else 0.0) <= (overlay[..., 3] > 0).mean() < 0.5

        name = engine.keep()
        assert name in engine.reading().keeping
        with pytest.raises(ConfigError, match="being kept"):
            engine.keep()
        kept = wait_for(engine, lambda reading: reading.kept).kept[0]
        assert not engine.reading().keeping
    folder = out / name
    assert sorted(path.name for path in out.iterdir()) == ["moment-001"]
    assert kept.link == "moment-001/report.html"
    assert (out / kept.link).is_file()
    assert sorted(path.name for path in folder.iterdir()) == [
        "lower",
        "performer.yaml",
        "report.html",
        "result.json",
        "upper",
    ]
    still = cv2.imread(str(folder / "upper" / "0001.png"), cv2.IMREAD_UNCHANGED)
    frames = open_footage(str(stage / "upper.mp4"), camera="upper").frames()
    assert any(np.array_equal(still, frame.image) for frame in frames)  # as recorded, nothing lost
    report = read_result(folder / "result.json")
    assert report.command == "fitting"
    assert {check.code: check.status for check in report.checks}[framing(low).code] == "fail"
    record = read_performer(folder / "performer.yaml")
    assert (record.code_name, record.head_borne_kg, record.worn[0].off) == ("heron 3", 0.4, None)
    assert set(threading.enumerate()) == before


def test_one_camera_recovers_while_the_other_runs(stage, tmp_path, monkeypatch):
    """A folder of stills beside a clip: gone, it is lost; back, all goes on."""
    monkeypatch.setattr("rigcheck.live.face_session.FaceSession.take", lambda *_: None)
    folder = tmp_path / "stills"
    folder.mkdir()
    still = cv2.imencode(".png", talking_clip().pictures[1][0])[1].tobytes()
    (folder / "1.png").write_bytes(still)
    sources = (str(stage / "upper.mp4"), str(folder))
    with LiveEngine(options(stage, tmp_path / "out", sources=sources)) as engine:
        wait_for(engine, lambda reading: [each.state for each in reading.sources] == ["running"] * 2)
        folder.rename(tmp_path / "away")
        lost = wait_for(engine, lambda reading: reading.sources[1].state == "lost")
        assert lost.sources[0].state == "running"
        (tmp_path / "away" / "2.png").write_bytes(still)
        (tmp_path / "away").rename(folder)
        wait_for(engine, lambda reading: reading.sources[1].state == "running")


def test_only_so_many_pictures_are_held(stage, tmp_path, monkeypatch):
    monkeypatch.setattr("rigcheck.live.face_session.FaceSession.take", lambda *_: None)
    with LiveEngine(options(stage, tmp_path / "out")) as engine:
        wait_for(engine, lambda _: (engine.picture(0) or engine).__dict__.get("seq", 0) >= 12)
        assert all(len(source.newest()) <= 4 for source in engine._sources)


def test_what_cannot_be_is_refused_before_anything_is_opened(stage, tmp_path):
    with pytest.raises(InputError, match="needed is"):
        LiveEngine(options(stage, tmp_path, sources=("nowhere.mp4",)))
    with pytest.raises(ConfigError, match="board"):
        LiveEngine(options(stage, tmp_path, mode="board"))
    with pytest.raises(ConfigError, match="mass"):
        LiveEngine(options(stage, tmp_path, mass_g=90000.0))
    engine = LiveEngine(options(stage, tmp_path))
    with pytest.raises(ConfigError, match="no picture"):
        engine.keep()
    with pytest.raises(ConfigError, match="board"):
        engine.set_mode("board")
    with pytest.raises(ConfigError, match="board"):
        engine.calibrate()
    with pytest.raises(ConfigError, match="map"):
        engine.map_png("heat", 0)
    assert engine.map_png("focus", 0) is None
    engine.stop()


def test_a_proxy_is_no_ground_for_a_calibration(stage, tmp_path):
    rig = RigDescription(
        name="kestrel",
        cameras=(CameraDescription(name="upper"), CameraDescription(name="lower")),
        proxy=Proxy(scale=0.5),
    )
    board = tmp_path / "board.yaml"
    board.write_text("name: b\nkind: checkerboard\nsquares: [9, 12]\nsquare_mm: 9.0\n")
    engine = LiveEngine(options(stage, tmp_path / "out", rig=rig, calibration=None, board=board))
    with pytest.raises(ConfigError, match="proxy"):
        engine.set_mode("board")
    engine.stop()


def test_a_calibration_of_another_size_is_said_and_pictures_go_on(stage, tmp_path):
    calibration = calibration_of(talking_clip().rig)
    other = replace(
        calibration,
        cameras=tuple(
            replace(entry, camera=replace(entry.camera, image_size_px=(720, 960)))
            for entry in calibration.cameras
        ),
    )
    with LiveEngine(options(stage, tmp_path / "out", calibration=other, rig=None)) as engine:
        reading = wait_for(engine, lambda reading: reading.answers)
        assert "720 × 960" in framing(reading).move
        assert "720 × 960" in reading.cameras[0].sentence
        first = engine.wait_picture(0, -1, SOON_S)
        assert engine.wait_picture(0, first.seq, SOON_S) is not None


def test_a_still_is_judged_though_no_other_comes(stage, tmp_path):
    """A moment is noted while the next is measured; where none comes, at once."""
    for name, pictures in zip(("upper", "lower"), talking_clip().pictures, strict=True):
        (tmp_path / name).mkdir()
        cv2.imwrite(str(tmp_path / name / "0001.png"), pictures[0])
    sources = (str(tmp_path / "upper"), str(tmp_path / "lower"))
    with LiveEngine(options(stage, tmp_path / "out", sources=sources, most_per_s=None)) as engine:
        found = wait_for(engine, lambda reading: framing(reading) is not None)
    assert framing(found).code  # of a check that spoke


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_while_measuring_is_said(stage, tmp_path, monkeypatch):
    def broken(*_):
        raise IndexError("planted")

    monkeypatch.setattr("rigcheck.live.face_session.FaceSession.take", broken)
    with LiveEngine(options(stage, tmp_path / "out")) as engine:
        reading = wait_for(engine, lambda reading: reading.answers)
    assert "start it again" in framing(reading).move


def test_an_end_does_not_wait_for_a_measurement_that_hangs(stage, tmp_path, monkeypatch):
    """Its processes go with the session: what that breaks in the thread that measures is told to nobody."""
    gone, told = threading.Event(), []
    monkeypatch.setattr(threading, "excepthook", told.append)
    monkeypatch.setattr("rigcheck.live.engine._JOIN_S", 0.1)
    engine = LiveEngine(options(stage, tmp_path / "kept"))

    def hangs(*_):
        begun.set()
        gone.wait(SOON_S)
        raise RuntimeError("cannot schedule new futures after shutdown")

    begun = threading.Event()
    monkeypatch.setattr(engine._face, "take", hangs)
    with engine:
        assert begun.wait(SOON_S)
        measuring = next(thread for thread in threading.enumerate() if thread.name == "measuring")
        before = time.monotonic()
    assert time.monotonic() - before < 30.0
    gone.set()
    measuring.join(SOON_S)
    assert not measuring.is_alive()
    assert told == []
