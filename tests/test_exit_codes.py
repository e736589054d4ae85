"""Exit codes, as the README gives them, of every command; and what `--json -` prints.

0 every check passed or cautioned, 2 usage, 3 could not measure, 4 a check failed, 5 a required check stayed
inconclusive. The jobs are stood in for: what they find is theirs to test, how a command ends is one table.
"""

import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
import typer
from results_made import made

from rigcheck import main
from rigcheck.errors import (
    BoardError,
    ConfigError,
    DependencyError,
    EstimationError,
    InputError,
    OutputError,
    SchemaError,
)
from rigcheck.records import parse_result

MEASURING = {
    # command: arguments; what writes; where its key numbers come from.
    "calibrate": (["a", "b", "--board", "x"], "write_calibration", []),
    "verify": (["a", "b", "--board", "x", "--calibration", "c"], "write_verification", []),
    "fitting": (["a", "b"], "write_fitting", []),
    "picks": (["a", "b"], "write_picks", ["rigcheck.jobs.picks.pick_lines", "rigcheck.jobs.picks.written"]),
    "audit": (["takes"], "write_audit", ["rigcheck.report.audit_page.take_lines"]),
    "compare": (["c1", "c2"], "write_comparison", ["rigcheck.report.compare_page.key_differences"]),
    "history": (["results"], "write_history", ["rigcheck.report.history_page.rig_lines"]),
    "day": (["day.yaml"], "write_day", ["rigcheck.report.day_page.step_lines"]),
}
OTHERS = {"board", "limits", "formats", "handover", "demo", "live"}
VERDICTS = {"pass": 0, "caution": 0, "fail": 4, "inconclusive": 5}
ERRORS = (BoardError, ConfigError, DependencyError, EstimationError, InputError, OutputError, SchemaError)


def report_of(command, verdict):
    return made(
        datetime(2026, 3, 2, tzinfo=UTC), rng=np.random.default_rng(5), command=command, verdict=verdict
    )


@pytest.fixture
def ended(tmp_path, monkeypatch, capfd):
    """Run a command whose job gives a report, or raises; give back exit code, standard output and errors."""

    def run(command, outcome, *more):
        arguments, writer, numbers = MEASURING[command]

        def job(*args, **named):
            if isinstance(outcome, BaseException):
                raise outcome
            empty = SimpleNamespace(outcomes=(), counted=())
            return SimpleNamespace(report=outcome, run=empty, history=None, comparison=None, record=None)

        monkeypatch.setattr(f"rigcheck.jobs.{command}.{command}", job)
        monkeypatch.setattr(f"rigcheck.jobs.{command}.{writer}", lambda *args, **named: None)
        for name in numbers:
            monkeypatch.setattr(name, lambda *args: ())
        monkeypatch.setattr("rigcheck.report.calibration_tables.key_numbers", lambda run: [])
        monkeypatch.setattr("rigcheck.report.terminal.key_numbers", lambda run: [])
        code = main.run([command, *arguments, "--out", str(tmp_path / "out"), *more])
        said = capfd.readouterr()
        return code, said.out, said.err

    return run


def test_every_command_is_in_the_table():
    commands = typer.main.get_command(main.app).commands
    assert set(MEASURING) | (OTHERS & set(commands)) == set(commands)
    with_json = {name for name, each in commands.items() for option in each.params if "--json" in option.opts}
    assert with_json == set(MEASURING)


@pytest.mark.parametrize("command", MEASURING)
@pytest.mark.parametrize("verdict", VERDICTS)
def test_the_verdict_is_the_code_and_json_goes_alone(command, verdict, ended):
    report = report_of(command, verdict)
    code, out, err = ended(command, report)
    assert (code, err) == (VERDICTS[verdict], "")
    assert "Written to" in out
    code, out, err = ended(command, report, "--json", "-")
    assert code == VERDICTS[verdict]
    assert json.loads(out)["verdict"] == verdict
    assert parse_result(out, "stdout").measurements == report.measurements
    assert "Written to" in err


@pytest.mark.parametrize("command", MEASURING)
def test_what_cannot_be_measured_is_3_and_prints_no_json(command, ended):
    for kind in ERRORS:
        code, out, err = ended(command, kind("clip.mov: damaged.", hint="copy it again."), "--json", "-")
        assert (code, out) == (3, "")
        assert "Stopped: clip.mov: damaged." in err
        assert "What to do: copy it again." in err


@pytest.mark.parametrize("command", MEASURING)
def test_usage_is_2_and_an_interrupt_130(command, ended, capfd):
    for wrong in (["--json", "result.json"], ["--no-such-option"], ["--json"]):
        code, out, err = ended(command, report_of(command, "pass"), *wrong)
        assert (code, out) == (2, "")
        assert err
    assert main.run([command]) == 2
    assert ended(command, KeyboardInterrupt())[0] == 130


def test_a_crash_is_never_taken_for_a_verdict(ended):
    """Python's own exit code for it is 1: a fault in the program is shown, not dressed up."""
    with pytest.raises(ZeroDivisionError):
        ended("verify", ZeroDivisionError())


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["limits"], 0),
        (["limits", "--rig", "none.yaml"], 3),
        (["limits", "--nosuch"], 2),
        (["formats"], 0),
        (["formats", "nosuch"], 2),
        (["board", "none.yaml", "--out", "o"], 3),
        (["board"], 2),
        (["handover", "none", "--check"], 3),
        (["handover", "none"], 2),
        (["demo", "no/such/parent"], 3),
        (["demo", "d", "--seconds", "1"], 2),
        (["--version"], 0),
        (["--help"], 0),
        (["nosuch"], 2),
    ],
)
def test_codes_of_the_other_commands(arguments, code, tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    assert main.run(arguments) == code


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shells_are_given_commands_options_and_values(shell):
    """As each shell asks, by the variables that its completion script sets; the script is what gets installed."""
    start = "import sys; sys.argv[0] = 'rigcheck'; from rigcheck.main import main; main()"

    def told(*, asked, says):
        program = [sys.executable, "-c", start]
        ended = subprocess.run(program, capture_output=True, text=True, env=os.environ | asked, check=False)
        assert says in ended.stdout, (asked, ended)

    told(asked={"_RIGCHECK_COMPLETE": f"source_{shell}"}, says=f"_RIGCHECK_COMPLETE=complete_{shell}")
    for line, found in (
        ("cal", "calibrate"),
        ("calibrate --fl", "--flat-board"),
        ("verify --pair tim", "timecode"),
    ):
        words = f"rigcheck {line}"
        asked = {
            "_RIGCHECK_COMPLETE": f"complete_{shell}",
            "COMP_WORDS": words,
            "COMP_CWORD": str(len(words.split()) - 1),
            "_TYPER_COMPLETE_ARGS": words,
            "_TYPER_COMPLETE_FISH_ACTION": "get-args",
        }
        told(asked=asked, says=found)
