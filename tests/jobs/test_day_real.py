"""A small day by the commands themselves, as typed: two board steps, footage without a face, a damaged clip."""

import inspect
import json
from types import SimpleNamespace

import numpy as np
import pytest
from day_files import EVERY_OPTION
from rendered import write_picture
from small_shoot import small_shoot

from rigcheck.jobs import day_steps
from rigcheck.main import run
from rigcheck.model.day import DayStep
from rigcheck.records import read_calibration, read_result
from rigcheck.records.day_file import read_day
from rigcheck.report import SilentProgress

DAY = """\
format: rigcheck-day
version: 1
rigs:
  kestrel: {rig: rig.yaml, board: board.yaml}
performers:
  heron: {looks: {glasses: false}}
steps:
  - {name: morning, run: calibrate, rig: kestrel, footage: [upper, lower]}
  - {name: noon, run: verify, rig: kestrel, calibration: morning, footage: [upper, lower], label: stand}
  - {name: no face, run: fitting, performer: heron, footage: [noise.png]}
  - {name: damaged, run: picks, performer: heron, footage: [damaged.mov]}
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    folder = tmp_path_factory.mktemp("day")
    small_shoot(folder / "shoot", count=8)
    (folder / "shoot" / "day.yaml").write_text(DAY)
    noise = np.random.default_rng([81, 0]).integers(0, 255, (480, 360)).astype(np.uint8)
    write_picture(folder / "shoot" / "noise.png", noise)
    (folder / "shoot" / "damaged.mov").write_bytes(b"\0\0\0\x18ftypqt  " + bytes(400))
    return folder


def command(desk, *more):
    return run(["day", str(desk / "shoot" / "day.yaml"), "--out", str(desk / "out"), *more])


def test_a_day_by_its_commands(desk, capfd):
    before = {path: path.read_bytes() for path in (desk / "shoot").rglob("*") if path.is_file()}
    code = command(desk, "--json", "-")
    said = capfd.readouterr()
    out, result = desk / "out", json.loads(said.out)
    assert said.out == (out / "result.json").read_text()
    assert read_calibration(out / "morning" / "calibration.yaml").stereo is not None
    verified = read_result(out / "noon" / "result.json")
    assert verified.provenance.options["label"] == "stand"
    # The board measured with the footage it was calibrated from: the rig has not moved.
    assert next(check for check in verified.checks if check.code == "VER01").status in (
        "pass",
        "inconclusive",
    )
    assert (out / "no face" / "points-camera1.yaml").is_file()
    assert not (out / "damaged").exists()
    assert code == (4 if result["verdict"] == "fail" else 3)
    assert [line.split(",")[0] for line in said.err.splitlines() if " of 4" in line][:4] == [
        f"{number} of 4" for number in range(1, 5)
    ]
    assert "points:" in said.err
    page = (out / "report.html").read_text()
    assert 'href="morning/report.html"' in page
    assert 'href="no%20face' not in page
    first = read_result(out / "morning" / "result.json").provenance.created
    assert command(desk) == code
    assert read_result(out / "morning" / "result.json").provenance.created == first
    assert {path: path.read_bytes() for path in before} == before


WRITERS = {
    "calibrate": "write_calibration",
    "verify": "write_verification",
    "fitting": "write_fitting",
    "picks": "write_picks",
    "audit": "write_audit",
}


def bound(home, name, kept, key, gives):
    """A stand-in for a job that takes what the job takes, and keeps it."""
    signature = inspect.signature(getattr(home, name))

    def stand_in(*args, **named):
        kept[key] = signature.bind(*args, **named).arguments
        return gives

    return stand_in


def test_every_option_reaches_its_command(tmp_path, monkeypatch):
    """Each runner calls the real signatures, with what the file says."""
    (tmp_path / "day.yaml").write_text(EVERY_OPTION)
    seen, written = {}, {}
    for name in day_steps.RUNNERS:
        home, writer = getattr(day_steps, name), WRITERS[name]
        monkeypatch.setattr(home, writer, bound(home, writer, written, name, None))
        monkeypatch.setattr(home, name, bound(home, name, seen, name, SimpleNamespace(report=name)))
    for step in read_day(tmp_path / "day.yaml").steps:
        assert day_steps.RUNNERS[step.command](order_of(step, tmp_path)) == step.command
    assert seen["calibrate"]["lens"] == "brown5"
    assert seen["calibrate"]["flat_board"] is True
    assert seen["calibrate"]["prior"] == tmp_path / "p.yaml"
    assert (seen["calibrate"]["pairing"].by, seen["calibrate"]["pairing"].offset_frames) == ("index", -2)
    assert seen["verify"]["calibration"] == tmp_path / "out" / "c" / "calibration.yaml"
    assert (seen["verify"]["label"], seen["verify"]["pairing"].by) == ("worn", "timecode")
    fit = seen["fitting"]["given"]
    assert (fit.code_name, fit.performer, fit.looks.glasses) == ("heron", tmp_path / "heron.yaml", False)
    assert [one.name for one in fit.points] == ["p1.yaml", "p2.yaml"]
    pick = seen["picks"]["given"]
    assert (pick.want, pick.reference) == ({"neutral": 1, "side": 2}, 7)
    assert pick.approved == tmp_path / "out" / "f" / "result.json"
    assert pick.performer == tmp_path / "out" / "f" / "performer.yaml"
    assert written["picks"]["pictures"] is False
    assert seen["audit"]["takes"] == tmp_path / "takes"
    assert seen["audit"]["given"].end_calibration == tmp_path / "e.yaml"
    assert seen["audit"]["given"].workers == 1
    assert all(one["replace_earlier"] is True for one in written.values())


def order_of(step: DayStep, folder):
    from rigcheck.jobs.day_inputs import DayPlace

    place = DayPlace(base=folder, roots=(folder,), out=folder / "out")
    return day_steps.StepOrder(
        step=step,
        footage=place.footage(step),
        files=place.files(step),
        points=tuple(folder / one for one in step.points),
        folder=folder / "out" / step.name,
        replace=True,
        progress=SilentProgress(),
    )
