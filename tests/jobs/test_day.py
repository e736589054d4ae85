"""A day from its file: only what changed runs, a faulty step stops no other, nothing is replaced without leave."""

import itertools
import os
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from results_made import made

from rigcheck.checks import day_exit_code
from rigcheck.errors import ConfigError, InputError, OutputError, SchemaError
from rigcheck.jobs.day import DayShown, day, keeping, write_day
from rigcheck.jobs.day_steps import RUNNERS
from rigcheck.main import run
from rigcheck.model import CheckResult, Estimate
from rigcheck.records import read_result, result_text
from rigcheck.records.day_file import read_day
from rigcheck.records.day_state import STATE_NAME, read_day_state

DAY = """\
format: rigcheck-day
version: 1
title: first day
rigs:
  kestrel: {rig: rig.yaml, board: board.yaml}
  merlin: {board: board.yaml}
performers:
  heron: {looks: {glasses: false}}
steps:
  - {name: morning, run: calibrate, rig: kestrel, footage: [cards/a.mov@1-9, cards/b.mov]}
  - {name: other rig, run: calibrate, rig: merlin, footage: [cards/c]}
  - {name: noon, run: verify, rig: kestrel, calibration: morning, footage: [cards/a.mov, cards/b.mov], label: worn}
  - {name: heron 1, run: fitting, rig: kestrel, performer: heron, calibration: morning, footage: [cards/d.mov]}
  - {name: heron 2, run: fitting, rig: kestrel, performer: heron, calibration: morning, record: heron 1,
     footage: [cards/e.mov]}
  - {name: heron picks, run: picks, rig: kestrel, performer: heron, calibration: morning, approved: heron 2,
     footage: [cards/d.mov]}
  - {name: takes, run: audit, rig: kestrel, calibration: morning, approved: heron 2, takes: takes}
"""
NAMES = ["morning", "other rig", "noon", "heron 1", "heron 2", "heron picks", "takes"]
RIG = "name: kestrel\ncameras: [{name: upper}, {name: lower}]\n"


class Desk:
    """A folder with a day in it, and runners that write what the commands would, or fail where told to."""

    def __init__(self, folder):
        self.folder, self.out = folder, folder / "out"
        self.ran, self.verdicts, self.faults = [], {}, {}
        self.count = 0
        self.put("day.yaml", DAY)
        self.put("rig.yaml", RIG)
        self.put("board.yaml", "kind: checkerboard\n")
        for name in ("a.mov", "b.mov", "d.mov", "e.mov", "c/1.png", "c/2.png"):
            self.put(f"cards/{name}", name)
        for take in ("t1", "t2"):
            self.put(f"takes/{take}/upper.mov", take)
            self.put(f"takes/{take}/lower.mov", take)

    def put(self, name, text):
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        return path

    def change(self, old, new, name="day.yaml"):
        text = (self.folder / name).read_text()
        assert old in text
        self.put(name, text.replace(old, new))

    def run(self, order):
        name = order.step.name
        self.ran.append(name)
        self.orders = getattr(self, "orders", {}) | {name: order}
        if name in self.faults:
            raise self.faults[name]
        verdict = self.verdicts.get(name, "pass")
        self.count += 1
        report = made(
            datetime(2026, 3, 2, 8, tzinfo=UTC), rng=np.random.default_rng(self.count), verdict=verdict
        )
        status = CheckResult(
            code="CAL01",
            title="Harm",
            status=verdict,
            estimate=Estimate(value=1.0),
            limit="",
            message="m",
            action=f"Mend {name}.",
        )
        report = replace(report, command=order.step.command, checks=(status,))
        order.folder.mkdir(exist_ok=True)
        files = {"result.json": result_text(report), "report.html": "<p>"}
        files |= {"calibration.yaml": str(self.count)} if order.step.command == "calibrate" else {}
        files |= {"performer.yaml": str(self.count)} if order.step.command == "fitting" else {}
        for one, text in files.items():
            path = order.folder / one
            assert order.replace or not path.exists()
            path.write_text(text)
        return report

    def day(self, *, page=False, **more):
        """Run the day; give back the names of the steps that ran."""
        self.ran.clear()
        runners = dict.fromkeys(("calibrate", "verify", "fitting", "picks", "audit"), self.run)
        self.result = day(self.folder / "day.yaml", self.out, runners=runners, **more)
        if page:
            write_day(self.result, self.out)
        return list(self.ran)

    def states(self):
        return {one.step.name: one.state for one in self.result.run.outcomes}

    def code(self):
        return day_exit_code(self.result.run, self.result.report.verdict)

    def outcome(self, name):
        return next(one for one in self.result.run.outcomes if one.step.name == name)


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path)


def test_everything_runs_once_and_then_nothing(desk):
    assert desk.day(page=True) == NAMES
    assert (desk.result.report.verdict, desk.code()) == ("pass", 0)
    assert desk.day(page=True) == []
    assert set(desk.states().values()) == {"unchanged"}
    assert desk.code() == 0
    assert read_result(desk.out / "result.json").command == "day"
    assert desk.orders["heron 2"].files["record"] == desk.out / "heron 1" / "performer.yaml"
    assert desk.orders["heron picks"].files["approved"] == desk.out / "heron 2" / "result.json"
    assert desk.orders["morning"].footage[0].endswith("cards/a.mov@1-9")


CHANGES = [
    ("lambda", lambda desk: desk.change("label: worn", "label: stand"), ["noon"]),
    ("option", lambda desk: desk.change("[cards/c]", "[cards/c], flat_board: true"), ["other rig"]),
    ("fitting", lambda desk: desk.change("[cards/e.mov]", "[cards/e.mov], pictures: false"), NAMES[4:]),
    ("points", lambda desk: desk.change("@1-9", "@1-8"), ["morning", *NAMES[2:]]),
    ("footage", lambda desk: desk.put("cards/c/2.png", "otherwise"), ["other rig"]),
    ("picture more", lambda desk: desk.put("cards/c/3.png", "3"), ["other rig"]),
    ("take more", lambda desk: desk.put("takes/t3/upper.mov", "3"), ["takes"]),
    ("rig file", lambda desk: desk.put("rig.yaml", RIG + "frame_rate: 50\n"), ["morning", *NAMES[2:]]),
    ("looks", lambda desk: desk.change("glasses: false", "glasses: true"), NAMES[3:]),
    ("only said", lambda desk: desk.change("title: first day", "title: second day"), []),
    ("hidden file", lambda desk: desk.put("cards/c/.thumbnails", "x"), []),
]


@pytest.mark.parametrize(("change", "ran"), [one[1:] for one in CHANGES], ids=[one[0] for one in CHANGES])
def test_what_changed_and_what_uses_it_runs_again(desk, change, ran):
    desk.day()
    before = {path: path.read_bytes() for path in desk.out.rglob("*") if path.is_file()}
    change(desk)
    if ran:
        with pytest.raises(OutputError, match=re.escape(ran[0])):
            desk.day()
        assert desk.ran == []
        assert {path: path.read_bytes() for path in before} == before
    assert desk.day(replace_earlier=True) == ran
    assert desk.day() == []


def test_the_same_content_with_another_time_is_unchanged(desk):
    desk.day()
    os.utime(desk.folder / "cards" / "a.mov", (1, 1))
    os.utime(desk.folder / "cards" / "c" / "1.png", (1, 1))
    assert desk.day() == []


def test_results_lost_or_altered_are_made_again_only_with_leave(desk):
    desk.day()
    (desk.out / "noon" / "report.html").write_text("edited by hand")
    with pytest.raises(OutputError, match=r"noon \(missing or changed in its folder: report.html\)"):
        desk.day()
    assert (desk.out / "noon" / "report.html").read_text() == "edited by hand"
    assert desk.day(replace_earlier=True) == ["noon"]


def test_another_version_measures_anew(desk, monkeypatch):
    desk.day()
    monkeypatch.setattr("rigcheck.jobs.day_changes.program_version", lambda: "99.0")
    with pytest.raises(OutputError, match="made by rigcheck"):
        desk.day()


def test_a_step_that_cannot_be_measured_stops_only_those_that_use_it(desk):
    desk.faults["heron 2"] = InputError("cards/e.mov: damaged.", hint="copy it again.")
    assert desk.day() == NAMES[:5]
    assert desk.states()["heron picks"] == desk.states()["takes"] == "held back"
    assert desk.states()["noon"] == "measured"
    assert (desk.result.report.verdict, desk.code()) == ("inconclusive", 3)
    assert "Copy it again." in desk.outcome("heron 2").hint
    desk.faults.clear()
    assert desk.day() == NAMES[4:]
    assert desk.code() == 0


def test_missing_footage_is_named_and_the_rest_goes_on(desk):
    (desk.folder / "cards" / "b.mov").unlink()
    assert desk.day() == ["other rig"]
    assert "b.mov" in desk.outcome("morning").message
    assert desk.code() == 3
    desk.put("cards/b.mov", "b.mov")
    assert desk.day() == ["morning", *NAMES[2:]]


def test_what_rests_on_a_failed_step_waits_unless_said(desk):
    desk.verdicts = {"morning": "fail"}
    assert desk.day() == ["morning", "other rig"]
    assert desk.code() == 4
    assert "which failed" in desk.outcome("noon").message
    desk.change("label: worn", "label: worn, even_if_failed: true")
    assert desk.day() == ["noon"]


def test_a_failed_fittings_record_is_gone_on_with(desk):
    desk.verdicts = {"heron 1": "fail"}
    assert desk.day() == NAMES
    assert desk.code() == 4


@pytest.mark.parametrize(
    ("verdicts", "fault", "code"),
    [
        ({}, False, 0),
        ({"noon": "caution"}, False, 0),
        ({"noon": "inconclusive"}, False, 5),
        ({"noon": "inconclusive", "takes": "fail"}, False, 4),
        ({"noon": "inconclusive"}, True, 3),
        ({"noon": "fail"}, True, 4),
        ({}, True, 3),
    ],
)
def test_the_worst_step_speaks_for_the_day(desk, verdicts, fault, code):
    desk.verdicts = verdicts
    if fault:
        desk.faults["other rig"] = InputError("x.", hint="y.")
    desk.day()
    assert desk.code() == code


@pytest.mark.parametrize(
    ("second", "fault", "code"),
    [("pass", False, 0), ("inconclusive", False, 5), ("fail", False, 4), ("pass", True, 4)],
)
def test_a_mended_step_no_longer_counts(desk, second, fault, code):
    desk.change("record: heron 1,", "record: heron 1, mends: heron 1,")
    desk.verdicts = {"heron 1": "fail", "heron 2": second}
    if fault:
        desk.faults["heron 2"] = InputError("x.", hint="y.")
    desk.day(page=True)
    assert desk.code() == code
    page = (desk.out / "report.html").read_text()
    assert ("Mended by heron 2" in page) == (code in (0, 5))


def test_after_an_interrupt_the_same_command_goes_on(desk):
    desk.faults["heron 1"] = KeyboardInterrupt()
    with pytest.raises(KeyboardInterrupt):
        desk.day()
    assert desk.ran == NAMES[:4]
    # As after a kill between writing a step's files and noting that it is done.
    (desk.out / "heron 1").mkdir()
    (desk.out / "heron 1" / "result.json").write_text("of an unfinished run")
    desk.faults.clear()
    assert desk.day() == NAMES[3:]


@pytest.mark.parametrize(("at", "words"), [("heron 1", "kept in"), ("morning", "nothing was written")])
def test_an_interrupt_says_what_is_kept(desk, monkeypatch, capfd, at, words):
    for name in RUNNERS:
        monkeypatch.setitem(RUNNERS, name, desk.run)
    desk.faults[at] = KeyboardInterrupt()
    assert run(["day", str(desk.folder / "day.yaml"), "--out", str(desk.out)]) == 130
    said = capfd.readouterr()
    assert said.err.count("Interrupted") == 1
    assert words in said.err
    assert said.out == ""
    assert desk.out.exists() == (words == "kept in")


def ended_at(last, flushed):
    """A flush that ends the process at the last of its calls."""
    calls = itertools.count(1)

    def flush(handle):
        flushed(handle)
        if next(calls) == last:
            os._exit(9)

    return flush


@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_killed_at_any_flush_the_same_command_goes_on(desk):
    """A process that ends at once, nothing tidied up, each time a file or folder has just reached the disk."""
    desk.change(DAY[DAY.index("  - {name: heron 1") :], "")
    count = 0
    for kill_at in itertools.count(1):
        child = os.fork()
        if child == 0:
            os.fsync = ended_at(kill_at, os.fsync)
            desk.day()
            os._exit(0)
        if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0:
            break
        known = read_day_state(desk.out)
        finished = {name for name, made in known.items() if made.done}
        assert desk.day() == [name for name in NAMES[:3] if name not in finished]
        assert set(desk.states().values()) <= {"measured", "unchanged"}
        shutil.rmtree(desk.out)
        count += 1
    assert count >= 8


def test_results_of_something_else_are_not_replaced(desk):
    (desk.out / "noon").mkdir(parents=True)
    (desk.out / "noon" / "result.json").write_text("kept")
    with pytest.raises(OutputError, match="noon"):
        desk.day()
    assert (desk.out / "noon" / "result.json").read_text() == "kept"
    assert desk.ran == []
    (desk.out / "result.json").write_text("kept")
    with pytest.raises(OutputError, match="exists already"):
        desk.day()


def test_outputs_never_lie_in_an_input(desk):
    desk.out = desk.folder / "cards" / "c"
    with pytest.raises(OutputError, match="input folder"):
        desk.day()


def test_a_damaged_state_is_named(desk):
    desk.day()
    (desk.out / STATE_NAME).write_text("{")
    with pytest.raises(SchemaError) as caught:
        desk.day()
    assert "--replace" in caught.value.hint
    (desk.out / STATE_NAME).unlink()
    assert desk.day(replace_earlier=True) == NAMES
    assert set(read_day_state(desk.out)) == set(NAMES)


WRONG = [
    ("name: noon", "name: Morning", SchemaError, "a second time"),
    ("run: verify, rig: kestrel, calibration: morning", "run: verify, rig: kestrel, calibration: evening",
     SchemaError, "'evening'"),
    ("approved: heron 2,\n", "approved: noon,\n", SchemaError, "runs verify; one that runs fitting"),
    ("[cards/d.mov]}\n  - {name: heron 2", "[cards/d.mov], approved: heron 2}\n  - {name: heron 2", SchemaError,
     "in a circle: heron 1 needs heron 2 needs heron 1"),
    ("record: heron 1", "mends: noon", SchemaError, "runs verify; one that runs fitting"),
    ("rig: merlin", "rig: merlyn", SchemaError, "'merlyn'"),
    ("run: audit", "run: adit", SchemaError, "'adit'"),
    ("label: worn", "lable: worn", SchemaError, "steps[2].lable"),
    ("name: noon", "name: ../noon", SchemaError, "a short name"),
    ("name: noon", "name: <script>alert(1)</script>", SchemaError, "a short name"),
    ("cards/a.mov@1-9", "../../etc/passwd", ConfigError, "outside the folders"),
    ("[cards/c]", "[cards/c/1.png, /etc/hostname]", ConfigError, "outside the folders"),
    ("takes: takes", "takes: ..", ConfigError, "outside the folders"),
    ("{rig: rig.yaml,", "{rig: /etc/hosts,", ConfigError, "outside the folders"),
    ("cards/a.mov@1-9", "cards/a.mov@9-1", InputError, "before the in point"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "kind", "words"), WRONG, ids=[one[1][:30] for one in WRONG])
def test_a_wrong_day_file_is_refused_before_anything_runs(desk, old, new, kind, words):
    desk.change(old, new)
    with pytest.raises(kind, match=re.escape(words)) as caught:
        desk.day()
    assert "day.yaml:" in caught.value.message or kind is InputError
    assert desk.ran == []
    assert not desk.out.exists()


def test_links_that_lead_out_are_refused_and_named_folders_allowed(desk, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (elsewhere / "f.mov").write_text("f")
    (desk.folder / "cards" / "link.mov").symlink_to(elsewhere / "f.mov")
    desk.change("[cards/e.mov]", "[cards/link.mov]")
    with pytest.raises(ConfigError, match="outside the folders"):
        desk.day()
    desk.change("title: first day", f"title: first day\nreads_from: [., '{elsewhere}']")
    assert desk.day() == NAMES


def test_a_list_of_takes_stays_inside_too(desk):
    desk.put("list.yaml", "- {name: t1, footage: [takes/t1/upper.mov, ../../x/lower.mov]}\n")
    desk.change("takes: takes", "takes: list.yaml")
    assert desk.day() == NAMES[:-1]
    assert "outside the folders" in desk.outcome("takes").message


def test_the_page_leads_to_every_report_in_order_and_escapes(desk):
    evil = "<img src=x onerror=alert(1)>"
    desk.change("title: first day", f"title: '{evil}'")
    desk.put(f"cards/{evil}.mov", "f")
    desk.change("[cards/e.mov]", f"['cards/{evil}.mov']")
    desk.faults["heron 2"] = InputError(f"cards/{evil}.mov: damaged.", hint=f"look at {evil}.")
    desk.verdicts = {"noon": "caution"}
    desk.day(page=True)
    page = (desk.out / "report.html").read_text()
    assert evil not in page
    assert "&lt;img src=x" in page
    links = re.findall(r'<a href="([^"#]+)">', page)
    assert links == [f"{name.replace(' ', '%20')}/report.html" for name in NAMES[:4]]
    assert "Mend noon." in page
    assert page.index(">heron 2<") < page.index(">heron picks<")
    assert "http" not in page.replace("http-equiv", "")
    desk.faults.clear()
    desk.day(page=True)
    assert (desk.out / "report.html").read_text().count('">Unchanged, not run again<') == 4


def test_the_readmes_day_is_one(tmp_path):
    text = (Path(__file__).resolve().parents[2] / "README.md").read_text()
    (block,) = re.findall(r"```yaml\n(format: rigcheck-day.*?)```", text, re.S)
    (tmp_path / "day.yaml").write_text(block)
    plan = read_day(tmp_path / "day.yaml")
    assert [step.command for step in plan.steps] == ["calibrate", "fitting", "picks", "verify", "audit"]
    assert plan.steps[-1].from_steps == {
        "calibration": "morning",
        "approved": "heron fitting",
        "record": "heron fitting",
    }


def test_each_outcome_is_told_as_it_comes(desk):
    told = []
    desk.day(shown=DayShown(told=lambda number, total, one: told.append((number, total, one.step.name))))
    assert told == [(number, 7, name) for number, name in enumerate(NAMES, start=1)]


class TestFullDisk:
    """A day that cannot be written says what it kept, and leaves nothing where no step left anything."""

    def refused(self, desk, *, page=True):
        with pytest.raises(OutputError) as told, keeping(desk.out):
            desk.day(page=page)
        return told.value.hint

    def test_after_steps(self, desk, monkeypatch):
        monkeypatch.setattr("rigcheck.jobs.day.day_page", full)
        assert "(7) are kept in" in self.refused(desk)
        assert desk.day() == []

    def test_with_no_step_done(self, desk, monkeypatch):
        monkeypatch.setattr("rigcheck.jobs.day.day_page", full)
        desk.faults = dict.fromkeys(NAMES, InputError("no.", hint="none."))
        assert self.refused(desk) == "free some space."
        assert not desk.out.exists()

    def test_refused_before_any_step(self, desk):
        desk.day(page=True)
        desk.change("label: worn", "label: stand")
        assert "kept in" not in self.refused(desk)


def full(*_):
    raise OutputError("disk full.", hint="free some space.")
