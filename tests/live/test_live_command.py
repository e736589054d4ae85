"""The command `live`: what it says, what it needs, and that it ends cleanly."""

import http.client
import importlib.util
import os
import re
import signal
import subprocess
import sys
from contextlib import closing

import numpy as np
import pytest

from rigcheck.live import command
from rigcheck.main import run
from rigcheck.opencv import cv2

pytestmark = pytest.mark.xdist_group("live-page")


@pytest.fixture
def stills(tmp_path):
    folder = tmp_path / "stills"
    folder.mkdir()
    (folder / "0001.png").write_bytes(cv2.imencode(".png", np.full((240, 180), 90, np.uint8))[1].tobytes())
    return folder


def test_missing_libraries_are_named_with_what_to_install(stills, tmp_path, monkeypatch, capsys):
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *rest: None if name == "uvicorn" else found(name, *rest)
    )
    assert run(["live", str(stills), "--out", str(tmp_path / "kept")]) == 3
    told = capsys.readouterr().err
    assert "uvicorn" in told
    assert "pip install 'rigcheck[live]'" in told


def test_a_request_to_terminate_is_an_interrupt():
    before = signal.getsignal(signal.SIGTERM)
    with pytest.raises(KeyboardInterrupt), command._terminated_like_interrupted():
        os.kill(os.getpid(), signal.SIGTERM)
    assert signal.getsignal(signal.SIGTERM) is before


def test_an_interrupt_ends_it_and_nothing_was_written(stills, tmp_path):
    """With a page open whose stream never ends by itself."""
    out = tmp_path / "kept"
    words = ["live", stills, "--out", out, "--port", "0"]
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "rigcheck", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        port = int(re.search(r"http://127\.0\.0\.1:(\d+)/", process.stdout.readline())[1])
        assert str(out) in process.stdout.readline()
        page = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        page.request("GET", "/stream")
        with closing(page), page.getresponse() as stream:
            assert b"version" in stream.read(60)
            process.send_signal(signal.SIGINT)
            _, told = process.communicate(timeout=30)
    finally:
        process.kill()
    assert process.returncode == 130
    assert "Interrupted: nothing was written." in told
    assert "Traceback" not in told
    assert not out.exists()
