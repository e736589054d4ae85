"""The command `live`: from the terminal through the engine to the browser and the files, and a clean end."""

import importlib.util
import json
import re
import signal
import subprocess
import sys
from itertools import count

import numpy as np
import pytest
from face_clips import calibration_of, shifted, talking_clip
from live.conftest import until

from rigcheck.live import command
from rigcheck.main import run
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text

RIG = "name: kestrel\ncameras:\n  - name: upper\n  - name: lower\nworking_distance_mm: 205\n"


def png(picture):
    return cv2.imencode(".png", picture)[1].tobytes()


@pytest.fixture
def stills(tmp_path):
    folder = tmp_path / "stills"
    folder.mkdir()
    (folder / "0001.png").write_bytes(png(np.full((240, 180), 90, np.uint8)))
    return folder


@pytest.mark.xdist_group("live-page")
def test_missing_libraries_are_named_with_what_to_install(stills, tmp_path, monkeypatch, capsys):
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *rest: None if name == "uvicorn" else found(name, *rest)
    )
    assert run(["live", str(stills), "--out", str(tmp_path / "kept")]) == 3
    told = capsys.readouterr().err
    assert "uvicorn" in told
    assert "pip install 'rigcheck[live]'" in told


@pytest.mark.xdist_group("live-page")
def test_ended_with_nothing_kept_it_says_that_nothing_was_written(stills, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(command, "_serve", lambda *_, **__: None)
    assert run(["live", str(stills), "--out", str(tmp_path / "kept")]) == 130
    assert "Interrupted: nothing was written." in capsys.readouterr().err
    assert not (tmp_path / "kept").exists()


@pytest.fixture
def rendered(tmp_path):
    """A performer who sits well, as a pair of pictures; rig and calibration files; folders that stills go to."""
    clip = talking_clip()
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "calibration.yaml").write_text(calibration_text(calibration_of(clip.rig)))
    folders = [tmp_path / "upper", tmp_path / "lower"]
    for folder in folders:
        folder.mkdir()
    return [pictures[0] for pictures in clip.pictures], folders


@pytest.mark.xdist_group("rendered-face")
def test_from_a_camera_to_the_browser_and_into_the_folder(rendered, browser, tmp_path):
    """The rendered performer slides down in the pictures: the page says so, keeps it, and all ends on an interrupt."""
    well, folders = rendered
    low = [shifted(picture, 0, 60) for picture in well]
    out = tmp_path / "kept"
    options = ["--rig", tmp_path / "rig.yaml", "--calibration", tmp_path / "calibration.yaml", "--port", "0"]
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "rigcheck", "live", *map(str, [*folders, "--out", out, *options])],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    numbers = count(1)

    def shows(pictures, script):
        """Save another pair of stills and look at the page."""
        number = next(numbers)
        for folder, picture in zip(folders, pictures, strict=True):
            (tmp_path / "whole.png").write_bytes(png(picture))
            (tmp_path / "whole.png").replace(folder / f"{number:05d}.png")
        page.wait_for_timeout(400)
        return page.evaluate(script)

    try:
        address = re.search(r"http://127\.0\.0\.1:\d+/", process.stdout.readline())[0]
        page = browser.new_page()
        page.goto(address)
        judged = "['pass', 'caution', 'inconclusive'].includes(document.getElementById('framing').className)"
        until(lambda: shows(well, judged), "the framing is judged, and does not fail", seconds=90.0)
        until(lambda: shows(low, "document.querySelector('#framing.fail')"), "it fails", seconds=90.0)
        until(lambda: "mm down" in page.inner_text("#move").replace("\u00a0", " "), "what to move is said")
        assert not out.exists()
        page.keyboard.press("k")
        done = "document.getElementById('keeping').innerText.includes('Kept before: 1')"
        until(lambda: shows(low, done), "the moment is kept", seconds=90.0)
        page.click("#show-kept")
        assert page.get_by_role("link", name="Report of moment-001").count() == 1
        process.send_signal(signal.SIGINT)
        said, told = process.communicate(timeout=60)
        page.close()
    finally:
        process.kill()
    assert process.returncode == 130
    assert "moment-001" in said
    assert "Traceback" not in told
    assert sorted(each.name for each in out.iterdir()) == ["moment-001"]
    assert {"lower", "upper", "report.html", "result.json"} <= {
        each.name for each in (out / "moment-001").iterdir()
    }
    assert json.loads((out / "moment-001" / "result.json").read_text())["verdict"] == "fail"
