"""A fixed share of the damaged inputs of every command: refused in a sentence, or measured whole; nothing in between.

The whole suite, with inputs that can be measured, is run by hand: `run_faults.py`.
"""

import os
from collections import Counter, defaultdict
from dataclasses import replace

import pytest
from faults.cases import all_cases, chosen, fresh, outcome_of, undamaged
from faults.commands import COMMANDS
from faults.damage import HOSTILE_TEXTS, MARKER
from faults.hostile_pages import hostile_reports
from faults.judging import (
    Told,
    complaints,
    drawing_complaints,
    escaped,
    output_complaints,
    page_complaints,
    sums,
    table_complaints,
    told_by,
    unfit_for_terminal,
)
from faults.stage import build

pytestmark = pytest.mark.xdist_group("faults")
LIMIT_S = 20.0
# Of these a run that measures costs half a second and more, a live session that begins six: few cases of each.
DEAR = {"audit": 4, "compare": 4, "picks": 4, "day": 5, "demo": 4, "live": 6, "live, played": 2}
COUNT = 300


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    return build(tmp_path_factory.mktemp("faults") / "stage", whole=False)


@pytest.fixture(scope="module")
def cases(stage):
    """Spread over inputs and kinds of damage, so that a change of the generators cannot empty one unseen."""
    by_name = defaultdict(list)
    for case in all_cases(stage):
        # Under another name of its folder the whole demo would run: that is done by hand.
        if (case.command.name, case.kind) != ("demo", "hostile output name"):
            by_name[case.command.name].append(case)
    dear = [case for name, count in DEAR.items() for case in chosen(by_name.pop(name), count, 1)]
    return [*chosen([case for cases in by_name.values() for case in cases], COUNT, 1), *dear]


def test_every_command_takes_damage_well(stage, cases, tmp_path):
    right, outcomes = {}, []
    for case in cases:
        if case.command.name not in right:
            right[case.command.name] = undamaged(case.command, stage, tmp_path / "place", limit_s=LIMIT_S)
        outcomes.append(
            outcome_of(case, stage, tmp_path / "place", right=right[case.command.name], limit_s=LIMIT_S)
        )
    faults = [f"{one.case}: {'; '.join(one.complaints)}" for one in outcomes if one.complaints]
    assert not faults, "\n".join(faults)
    counted = Counter(one.command for one in outcomes)
    assert set(counted) == {command.name for command in COMMANDS}
    assert len({one.kind for one in outcomes}) >= 15
    assert Counter(one.result for one in outcomes)["refused"] > 100


def test_hostile_texts_reach_no_page_drawing_or_table_as_they_are(tmp_path):
    outputs = {command.name: command.outputs for command in COMMANDS}
    shown = 0
    for command, out in hostile_reports(tmp_path, whole=False):
        assert output_complaints(out, outputs[command]) == [], command
        shown += sum(path.read_text().count("document.title") for path in out.rglob("*.html"))
    assert shown > 50  # the texts are there, escaped


class TestTheJudge:
    """Each fault planted in what a command did is seen."""

    RIGHT = Told(
        code=3, out="", err="Stopped: a.yaml: x found.\nWhat to do: correct this entry of the file.\n"
    )

    def test_a_right_refusal(self, tmp_path):
        assert complaints(self.RIGHT, tmp_path / "out", ("result.json",), ("a.yaml",)) == []

    @pytest.mark.parametrize(
        ("told", "words"),
        [
            (Told(code=None, out="", err="", raised="KeyError: 1"), "KeyError"),
            (Told(code=1, out="", err=""), "exit code 1"),
            (Told(code=3, out="", err="Traceback (most recent call last):\n"), "traceback"),
            (Told(code=3, out="", err="Stopped: a.yaml.\n"), "no sentence and remedy"),
            (Told(code=3, out="", err="Stopped: a.yaml: x.\nWhat to do: y.\n"), "remedy too short"),
            (Told(code=3, out="", err=RIGHT.err.replace("a.yaml", "b.yaml")), "not named"),
            (Told(code=3, out="", err=RIGHT.err.replace("x", "\x1b[2J")), "terminal"),
            (Told(code=0, out="", err=""), "wrote nothing"),
        ],
    )
    def test_wrong_endings(self, tmp_path, told, words):
        found = complaints(told, tmp_path / "out", ("result.json",), ("a.yaml",))
        assert any(words in one for one in found), found

    def test_a_partial_folder(self, tmp_path):
        out = tmp_path / "out"
        out.mkdir()
        (out / "report.html").write_text("<html>")
        assert any("left" in one for one in complaints(self.RIGHT, out, ("result.json",), ("a.yaml",)))
        found = complaints(Told(code=0, out="", err=""), out, ("result.json",), ())
        assert any("result.json is missing" in one for one in found)
        assert any("cut short" in one for one in found)

    @pytest.mark.parametrize("name", ["script", "handler", "drawing"])
    def test_unescaped_texts(self, name):
        assert page_complaints(f"<p>{HOSTILE_TEXTS[name]}</p>")
        assert drawing_complaints(
            f"<svg xmlns='http://www.w3.org/2000/svg'><script>document.title='{MARKER}'</script></svg>"
        )

    def test_a_formula_and_a_number(self):
        assert table_complaints('a,"=1+1"\r\n')
        assert table_complaints("a,-12.5,+3e-4\r\n") == []

    def test_hang(self, monkeypatch):
        import faults.judging

        monkeypatch.setattr(faults.judging, "run", lambda words: os.read(os.pipe()[0], 1))
        assert "hang" in told_by([], limit_s=0.02).raised

    def test_a_changed_input(self, tmp_path):
        path = fresh(tmp_path / "place") / "in" / "a"
        path.write_text("x")
        before = sums(tmp_path)
        path.write_text("y")
        assert sums(tmp_path) != before

    def test_a_file_that_escaped(self, tmp_path):
        place = fresh(tmp_path / "place")
        (place / "results" / "out").mkdir()
        assert escaped(place) == []
        (place / "results" / "out" / HOSTILE_TEXTS["dots"]).write_text("x")
        assert len(escaped(place)) == 1

    def test_what_an_ended_run_keeps(self, tmp_path):
        out = tmp_path / "out"
        (out / "work").mkdir(parents=True)
        (out / "work" / "a.json").write_text("{}")
        full = Told(code=3, out="", err=self.RIGHT.err)
        said = replace(full, err=full.err.replace("x found", f"full, takes are kept in {out}"))
        names, outputs = ("a.yaml",), ("result.json",)
        assert complaints(said, out, outputs, names, keeps=("work",)) == []
        assert any("unsaid" in one for one in complaints(full, out, outputs, names, keeps=("work",)))
        assert any("left" in one for one in complaints(said, out, outputs, names))
        (out / "work" / "b.json").write_text("{")
        assert any("b.json" in one for one in complaints(said, out, outputs, names, keeps=("work",)))

    def test_an_interrupt(self, tmp_path):
        ended = Told(code=130, out="", err="Interrupted: nothing was written.\n", interrupted=True)
        assert complaints(ended, tmp_path / "out", (), ()) == []
        assert complaints(replace(ended, interrupted=False), tmp_path / "out", (), ()) == ["exit code 130"]

    def test_direction_marks(self):
        assert unfit_for_terminal("a\u202eb")
        assert unfit_for_terminal("Größe 5 µm ± 2\n") == []
