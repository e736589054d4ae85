"""What is kept is whole or not there, in the next numbered folder; and what is said of the person under the helmet."""

import os
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from rigcheck.errors import OutputError
from rigcheck.jobs.fitting import FittingInputs
from rigcheck.live.keep import Keeper
from rigcheck.live.safety import safety_line
from rigcheck.live.shots import Shot, View
from rigcheck.live.stills import Still, still_of
from rigcheck.model import PerformerRecord, Worn
from rigcheck.opencv import cv2

NAMES = ("upper", "lower")
NOW = datetime.fromisoformat("2026-03-04T15:00:00+01:00")


def still(value=7):
    return Still(suffix=".png", data=cv2.imencode(".png", np.full((48, 36), value, np.uint8))[1].tobytes())


def shot(image, **more):
    return Shot(number=0, captured_at_s=0.0, bit_depth=8, colour=image.ndim == 3, make=lambda: image, **more)


@pytest.mark.parametrize("shape", [(6, 8), (6, 8, 3)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_still_is_the_picture_itself(shape, dtype):
    image = np.random.default_rng([3, 1]).integers(0, 255, shape).astype(dtype)
    back = cv2.imdecode(np.frombuffer(still_of(View(source_idx=0), shot(image)).data, np.uint8), -1)
    assert back.dtype == dtype
    assert (back == (image if image.ndim == 2 else image[..., ::-1])).all()  # OpenCV reads blue first
    half = still_of(View(source_idx=0, layout="stacked", second=True), shot(image))
    assert cv2.imdecode(np.frombuffer(half.data, np.uint8), -1).shape[0] == 3


def test_a_still_that_came_as_a_file_stays_that_file():
    found = still_of(View(source_idx=0), shot(np.zeros((2, 2), np.uint8), file=(".tif", b"as it came")))
    assert (found.suffix, found.data) == (".tif", b"as it came")


def test_numbers_go_on_from_the_highest_and_nothing_is_written_over(tmp_path):
    keeper = Keeper(tmp_path / "out", NAMES, inputs=())
    assert keeper.next_name("moment") == "moment-001"
    keeper.write_stills("moment-001", [[still(), still()]] * 2)
    assert sorted(os.listdir(tmp_path / "out" / "moment-001" / "lower")) == ["0001.png", "0002.png"]
    (tmp_path / "out" / "moment-007").mkdir()
    assert keeper.next_name("moment") == "moment-008"
    assert keeper.next_name("calibration") == "calibration-001"
    with pytest.raises(OutputError, match="exists already"):
        keeper.write_stills("moment-001", [[still(), still()]])


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    keeper = Keeper(tmp_path / "out", NAMES, inputs=())
    written, really = [], Path.write_bytes

    def full(path, data):
        written.append(path)
        if len(written) == 2:
            raise OSError(28, "No space left on device")
        return really(path, data)

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    with pytest.raises(OutputError, match="No space left"):
        keeper.write_stills("moment-001", [[still(), still()]])
    assert os.listdir(tmp_path) == []


def test_a_folder_that_cannot_be_is_refused_beforehand(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError):
        Keeper(tmp_path / "file", NAMES, inputs=()).check()
    with pytest.raises(OutputError, match="parent"):
        Keeper(tmp_path / "no" / "out", NAMES, inputs=()).check()
    with pytest.raises(OutputError, match="input"):
        Keeper(tmp_path, NAMES, inputs=(str(tmp_path),)).check()


def test_stills_without_a_face_stay_and_it_is_said_why_there_is_no_report(tmp_path):
    keeper = Keeper(tmp_path / "out", NAMES[:1], inputs=())
    record = PerformerRecord(code_name="heron 3")
    kept, after = keeper.keep_moment("moment-001", [[still(0)]], FittingInputs(), record)
    assert kept.link is None
    assert "without a report" in kept.sentence
    assert "black" in kept.sentence
    assert after == record
    assert os.listdir(tmp_path / "out" / "moment-001") == ["upper"]


def worn(minutes, **more):
    on = (NOW - timedelta(minutes=minutes)).isoformat()
    return PerformerRecord(code_name="heron 3", worn=(Worn(on=on),), **more)


def test_minutes_are_counted_and_a_rest_is_asked_for():
    soon = safety_line(worn(29), rest_after_min=30.0, now=NOW)
    due = safety_line(worn(31), rest_after_min=30.0, now=NOW)
    assert (soon.rest_due, due.rest_due) == (False, True)
    assert "29 min" in soon.sentences[0]
    assert any("rest" in each for each in due.sentences)
    nobody = safety_line(PerformerRecord(code_name="heron 3"), rest_after_min=30.0, now=NOW)
    assert "--helmet-on" in nobody.sentences[0]


def test_load_light_and_who_decides_are_always_said():
    # Moment about the ears: 9.81 m/s² · 0.5 kg · 0.25 m = 1.23 N·m (handbook's example: 123 N·cm).
    text = " ".join(
        safety_line(worn(1, head_borne_kg=0.5, overhang_mm=250.0), rest_after_min=30.0, now=NOW).sentences
    )
    for words in ("500 g", "123 N·cm", "never bare", "local rules", "stop and take the helmet off"):
        assert words in text
