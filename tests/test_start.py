"""How the program starts: quickly, with a sentence where the system lacks a library, with stable exit codes."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from rigcheck.main import run
from rigcheck.opencv import missing_library_error

BROKEN_CV2 = "raise ImportError('libGL.so.1: cannot open shared object file: No such file or directory')\n"


def started(*arguments, path=None):
    environment = {**os.environ, "PYTHONPATH": str(path)} if path else dict(os.environ)
    command = [sys.executable, "-m", "rigcheck", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, env=environment, check=False)


def test_a_missing_system_library_is_a_sentence_naming_packages(tmp_path):
    (tmp_path / "fake").mkdir()
    (tmp_path / "fake" / "cv2.py").write_text(BROKEN_CV2)
    board = Path(__file__).resolve().parents[1] / "boards" / "charuco-9x12-9mm.yaml"
    told = started("board", board, "--out", tmp_path / "o", path=tmp_path / "fake")
    assert told.returncode == 3
    assert "libgl1 libglib2.0-0" in told.stderr
    assert "Traceback" not in told.stderr
    assert not (tmp_path / "o").exists()


def test_help_needs_no_heavy_library(tmp_path):
    """Planted: an OpenCV that cannot be loaded is not even asked for."""
    (tmp_path / "cv2.py").write_text(BROKEN_CV2)
    told = started("--help", path=tmp_path)
    assert told.returncode == 0
    for command in ("board", "calibrate", "limits", "demo"):
        assert command in told.stdout


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("libGL.so.1: cannot open shared object file", "libgl1"),
        ("libgthread-2.0.so.0: cannot open shared object file", "libglib2.0-0"),
        ("No module named 'cv2'", "opencv-contrib-python"),
    ],
)
def test_reasons_and_remedies(reason, words):
    error = missing_library_error(reason)
    assert reason in error.message
    assert words in error.hint


def test_version_and_usage(capsys):
    assert run(["--version"]) == 0
    assert "rigcheck 0." in capsys.readouterr().out
    assert run(["calibrat"]) == 2
    assert run([]) in (0, 2)


def test_limits_are_listed_with_unit_and_source(capsys, tmp_path):
    assert run(["limits"]) == 0
    lines = capsys.readouterr().out.splitlines()
    harm = next(line for line in lines if line.startswith("harm.depth_mm.caution"))
    assert "0.1 mm" in harm
    assert "default" in harm
    rig = tmp_path / "rig.yaml"
    rig.write_text("name: kestrel\ncameras: [{name: upper}]\nlimits: {harm.depth_mm.caution: 0.05}\n")
    assert run(["limits", "--rig", str(rig)]) == 0
    harm = next(
        line for line in capsys.readouterr().out.splitlines() if line.startswith("harm.depth_mm.caution")
    )
    assert "0.05 mm" in harm
    assert "rig.yaml" in harm
    rig.write_text("name: kestrel\ncameras: [{name: upper}]\nlimits: {harm.dept_mm.caution: 0.05}\n")
    assert run(["limits", "--rig", str(rig)]) == 3
    assert "harm.depth_mm.caution" in capsys.readouterr().err


def test_judging_a_day_of_takes_loads_no_slow_library():
    """Planted: parts of scipy that cannot be loaded; they took longer to load than a day takes to judge."""
    slow = ("scipy.stats", "scipy.optimize", "scipy.interpolate", "scipy.spatial", "scipy.ndimage")
    told = subprocess.run(
        [sys.executable, "-c", _JUDGING.format(slow=slow)], capture_output=True, text=True, check=False
    )
    assert told.returncode == 0, told.stderr
    # The handbook of the field, section 11: 21.1 for 20 takes; ours is a bound from above.
    assert 21.1 <= float(told.stdout) < 21.5


_JUDGING = """
import sys
sys.modules.update(dict.fromkeys({slow!r}))
import numpy as np
import rigcheck.jobs.audit
from rigcheck.drift.audit_day import _between
from rigcheck.drift.audit_scan import alikeness, scan_threshold, step_shapes
steps = step_shapes(20)
_between(np.random.default_rng(1).normal(size=(20, 5)), np.tile(np.eye(5), (20, 1, 1)), np.tile(np.eye(5), (20, 1, 1)))
print(scan_threshold(alikeness(steps, np.ones(20)), unknowns=5, false_alarms=0.01))
"""
