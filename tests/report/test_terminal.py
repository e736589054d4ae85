"""The terminal table is read in any width, without colour, and never breaks a number."""

import io
import re
from dataclasses import replace

import pytest
from rich.console import Console

from rigcheck.report import progress, terminal_table
from rigcheck.report.progress import SilentProgress


def printed(report, run=None, **settings):
    console = Console(file=io.StringIO(), **settings)
    terminal_table(report, run, console=console)
    return console.file.getvalue()


NUMBERS = tuple(
    text.replace(" ", "\u00a0")
    for text in ("0.1024 ± 0.0011 px", "1.00013 ± 0.00021", "0.1120 ± 0.0040 mm", "72.004 ± 0.012 mm")
)


@pytest.mark.parametrize("width", [30, 50, 80, 120])
def test_no_number_is_wrapped_or_cut(scenario, width):
    text = printed(scenario.report, scenario.run, width=width)
    for number in NUMBERS:
        assert number in text
    assert "…" not in text


def test_eighty_columns_are_enough_for_the_table(scenario):
    table = printed(scenario.report, width=80).split("\n\n")[0].splitlines()
    assert table[0].split() == ["Verdict", "Check", "Measured", "Limit"]
    assert max(len(line) for line in table) <= 80
    assert sum(
        line.startswith(("Pass", "Fail", "Caution", "Not decided", "Skipped")) for line in table
    ) == sum(check.status != "skipped" or check.required for check in scenario.report.checks)


def test_optional_checks_that_were_skipped_share_one_line(scenario):
    skipped = [c.code for c in scenario.report.checks if c.status == "skipped" and not c.required]
    assert skipped
    text = printed(scenario.report, width=80)
    assert f"Not judged, the report says why: {', '.join(skipped)}" in text


def test_without_a_terminal_there_is_no_escape_and_every_check(scenario):
    text = printed(scenario.report, scenario.run)
    assert "\x1b" not in text
    assert all(check.code in text for check in scenario.report.checks)
    assert "\x1b" in printed(scenario.report, scenario.run, force_terminal=True, width=80), (
        "bold heads are seen"
    )


def test_the_last_line_is_the_verdict_and_what_to_do(scenario):
    last = printed(scenario.report, scenario.run, width=80).rstrip("\n").splitlines()[-1]
    assert last.startswith(
        "Fail. Do not use this calibration. 9 checks: 1 failed, 1 not decided, 1 with caution"
    )
    assert last.endswith(
        "Do first: " + next(check.action for check in scenario.report.checks if check.status == "fail")
    )


def test_control_characters_and_markup_in_names_do_nothing(scenario):
    bad = "[bold]x[/bold]\x1b[31m\u202e\r[/]"
    report = replace(
        scenario.report, checks=tuple(replace(check, title=bad) for check in scenario.report.checks)
    )
    text = printed(report, width=100)
    assert "[bold]x[/bold]" in text
    assert not re.search("[\x00-\x09\x0b-\x1f\u202e]", text)


def test_an_ascii_terminal_gets_ascii(scenario):
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    terminal_table(scenario.report, scenario.run, console=Console(file=stream, width=80))
    stream.flush()
    assert b"72.004 +/- 0.012 mm" in raw.getvalue()
    assert b"<= 0.30 px" in raw.getvalue()
    stream.detach()


def test_progress_is_silent_where_nobody_watches():
    quiet = Console(file=io.StringIO())
    with progress(quiet) as sink:
        step = sink.track("looking")
        step(1, 2)
    assert isinstance(sink, SilentProgress)
    assert quiet.file.getvalue() == ""


def test_progress_is_drawn_on_a_terminal():
    watched = Console(file=io.StringIO(), force_terminal=True, width=100)
    with progress(watched) as sink:
        step = sink.track("looking [at] frames")
        step(1, 0)
        step(3, 4)
    assert "looking [at] frames" in watched.file.getvalue()
    assert "3/4" in watched.file.getvalue()
