"""`history` from a folder to its files: damaged, hostile and odd ones among them."""

import csv
import io
import json
import os
import re
import shutil
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from results_made import START, made, mornings, write

from rigcheck.errors import ConfigError, InputError, OutputError
from rigcheck.jobs.history import OUTPUTS, history, write_history
from rigcheck.main import run
from rigcheck.records import read_result
from rigcheck.records.result_file import LARGEST_RESULT_BYTES

NOW = START + timedelta(days=8)
NASTY = "kestrel <b>\"'&{{ 7*7 }}</b><script>alert(1)</script>$x^2$"
ACTIVE = '=HYPERLINK("http://invalid")'


def week(folder, **more):
    rng = np.random.default_rng([97, 0])
    write(folder / "calibrated", made(START, rng=rng, command="calibrate", **more))
    for k, moment in enumerate(mornings(7)):
        write(folder / f"day-{k}", made(moment, rng=rng, **more))
    return folder


def status(result, code):
    return next(check.status for check in result.report.checks if check.code == code)


def test_a_quiet_week_passes(tmp_path):
    result = history(week(tmp_path / "in"), now=NOW)
    assert result.report.verdict == "pass"
    write_history(result, tmp_path / "out")
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == sorted(OUTPUTS)
    again = read_result(tmp_path / "out" / "result.json")
    assert again.command == "history"
    assert again.measurements["history.results"].value == 8


def test_odd_files_are_named_and_skipped(tmp_path):
    folder = week(tmp_path / "in")
    good = (folder / "day-3" / "result.json").read_text()
    for name, text in {
        "cut": good[: len(good) // 2],
        "nan": good.replace('"sigma": 0.012', '"sigma": NaN'),
        "newer": good.replace('"version": 1', '"version": 2'),
        "other": '{"hello": 1}',
        "no-time": re.sub(r'"created": "[^"]*"', '"created": "last Tuesday"', good),
        "empty": "",
    }.items():
        (folder / name).mkdir()
        (folder / name / "result.json").write_text(text)
    with (folder / "nan" / "huge.json").open("wb") as file:
        file.write(b'{"format": "rigcheck-result",')
        file.truncate(LARGEST_RESULT_BYTES + 1)  # a hole: takes no disk
    (folder / "package.json").write_text("{}")
    (folder / "bytes.json").write_bytes(b'{"format": "rigcheck-result", "x": "\xff\xfe"}')
    os.mkfifo(folder / "pipe.json")
    result = history(folder, now=NOW)
    skipped = dict(result.history.skipped)
    assert set(skipped) == {
        *(f"{name}/result.json" for name in ("cut", "nan", "newer", "other", "no-time", "empty")),
        "nan/huge.json", "bytes.json", "pipe.json",
    }  # fmt: skip
    assert "not valid JSON" in skipped["cut/result.json"]
    assert "64 MiB" in skipped["nan/huge.json"]
    assert "plain file" in skipped["pipe.json"]
    assert str(tmp_path) not in " ".join(skipped.values())
    assert result.history.n_foreign == 1
    assert len(result.history.rigs[0].records) == 8
    assert status(result, "HIS06") == "caution"


def test_links_that_loop_end(tmp_path):
    folder = week(tmp_path / "in")
    (folder / "day-1" / "up").symlink_to(folder)
    (folder / "again").symlink_to(folder / "day-2")
    (folder / "nowhere.json").symlink_to(folder / "gone")
    result = history(folder, now=NOW)
    assert len(result.history.rigs[0].records) == 8
    assert dict(result.history.skipped).keys() == {"nowhere.json"}


def test_linked_archive_is_read(tmp_path):
    folder = week(tmp_path / "in")
    (tmp_path / "shelf").mkdir()
    (tmp_path / "shelf" / "in").symlink_to(folder)
    assert len(history(tmp_path / "shelf", now=NOW).history.rigs[0].records) == 8


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read every folder")
def test_folder_that_may_not_be_read(tmp_path):
    folder = week(tmp_path / "in")
    (folder / "day-1").chmod(0)
    try:
        assert "day-1" in dict(history(folder, now=NOW).history.skipped)
    finally:
        (folder / "day-1").chmod(0o700)


def test_own_results_are_not_counted(tmp_path):
    folder = week(tmp_path / "in")
    write_history(history(folder, now=NOW), folder / "story")
    result = history(folder, now=NOW)
    assert result.history.n_other == 1
    assert len(result.history.rigs[0].records) == 8


def test_copies_count_once(tmp_path):
    folder = week(tmp_path / "in")
    shutil.copytree(folder / "day-2", folder / "day-2 (backup)")
    text = json.loads((folder / "day-3" / "result.json").read_text())
    (folder / "compact.json").write_text(json.dumps(text))  # the same result laid out otherwise
    result = history(folder, now=NOW)
    assert len(result.history.copies) == 2
    assert len(result.history.rigs[0].records) == 8


@pytest.mark.parametrize(("make", "words"), [
    (lambda path: path.mkdir(), "no result of calibrate or verify"),
    (lambda path: path.write_text("x"), "a file found"),
    (lambda path: None, "no such folder"),
])  # fmt: skip
def test_nothing_to_read(tmp_path, make, words):
    make(tmp_path / "in")
    with pytest.raises(InputError, match=words):
        history(tmp_path / "in", now=NOW)


def test_days(tmp_path):
    folder = week(tmp_path / "in")
    assert status(history(folder, now=NOW), "HIS04") == "pass"
    assert status(history(folder, now=NOW + timedelta(days=7)), "HIS04") == "caution"
    assert status(history(folder, now=NOW, days=0.5), "HIS04") == "caution"
    with pytest.raises(ConfigError, match="positive"):
        history(folder, now=NOW, days=0)


@pytest.fixture(scope="module")
def hostile_out(tmp_path_factory):
    folder = week(tmp_path_factory.mktemp("in"), rig=NASTY, label=ACTIVE, cameras=("up'<i>", '=lo"w'))
    result = history(folder, now=NOW)
    out = tmp_path_factory.mktemp("out") / "story"
    write_history(result, out)
    return out


class TestHostileNames:
    def test_page_escapes_them(self, hostile_out):
        page = (hostile_out / "report.html").read_text(encoding="utf-8")
        assert "<script" not in page
        assert '<b>"' not in page
        assert "<i>" not in page
        assert "{{ 7*7 }}" in page  # shown, not computed
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
        assert "default-src 'none'" in page
        assert not re.search(r"(src|href)=[\"'](?!#)", page)

    def test_drawings_hold_no_names(self, hostile_out):
        page = (hostile_out / "report.html").read_text(encoding="utf-8")
        for svg in re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL):
            assert "kestrel" not in svg
            assert "HYPERLINK" not in svg

    def test_table_runs_nothing(self, hostile_out):
        """RFC 4180: CR LF, quotes doubled; no cell starts a formula."""
        text = (hostile_out / "history.csv").read_bytes().decode("utf-8")
        assert text.count("\r\n") == text.count("\n") == 9  # heading and eight results
        rows = list(csv.reader(io.StringIO(text), strict=True))
        assert len({len(row) for row in rows}) == 1
        for row in rows:
            for cell in row:
                assert not cell.startswith(("=", "+", "@", "\t")) or _is_number(cell)
                assert not cell.startswith("-") or _is_number(cell)
        assert rows[1][0] == NASTY
        assert rows[1 + 1][1] == "'" + ACTIVE
        assert "'=lo\"w.focal_x_px" in rows[0]

    def test_numbers_are_numbers(self, hostile_out):
        rows = list(csv.DictReader(io.StringIO((hostile_out / "history.csv").read_text(encoding="utf-8"))))
        twist = [float(row["stereo.twist_deg"]) for row in rows]
        assert all(-0.31 < one < -0.29 for one in twist)  # negative numbers are not touched


def _is_number(text):
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_surrogates_do_not_stop_it(tmp_path):
    folder = week(tmp_path / "in")
    text = (folder / "day-1" / "result.json").read_text()
    (folder / "day-1" / "result.json").write_text(text.replace('"kestrel"', r'"kes\ud800trel"'))
    (folder / os.fsdecode(b"caf\xe9")).mkdir()
    shutil.copy(folder / "day-2" / "result.json", folder / os.fsdecode(b"caf\xe9") / "result.json")
    write_history(history(folder, now=NOW), tmp_path / "out")
    assert (tmp_path / "out" / "report.html").stat().st_size > 0


class TestChecks:
    def story(self, tmp_path, **more):
        folder = week(tmp_path / "in")
        rng = np.random.default_rng([97, 1])
        for k in range(4):
            moment = START + timedelta(days=8 + k)
            write(folder / f"later-{k}", made(moment, rng=rng, **more))
        return history(folder, now=START + timedelta(days=13))

    def test_step(self, tmp_path):
        """0.05 degrees of convergence are 0.5 mm on the face."""
        result = self.story(tmp_path, change={"stereo.convergence_deg": 0.05})
        assert status(result, "HIS02") == "fail"
        name = "kestrel.stereo.convergence_deg.step_01"
        assert result.report.measurements[name].value == pytest.approx(0.05, abs=0.012)  # three of its sigmas
        assert result.report.measurements[f"{name}_harm_mm"].unit == "mm"
        message = next(check.message for check in result.report.checks if check.code == "HIS02")
        assert "Convergence stepped by +0.0" in message
        assert "between 2026-03-09 08:00 and 2026-03-10 08:00" in message
        write_history(result, tmp_path / "out")
        assert "Since the newest calibration" in (tmp_path / "out" / "report.html").read_text()

    def test_harmless_step(self, tmp_path):
        """0.03 degrees across are 0.02 mm on the face: told, and no harm."""
        result = self.story(tmp_path, change={"stereo.across_deg": 0.03})
        assert result.report.measurements["history.steps"].value == 1
        assert status(result, "HIS02") == "pass"

    def test_creep(self, tmp_path):
        folder = tmp_path / "in"
        rng = np.random.default_rng([97, 2])
        for k, moment in enumerate(mornings(12)):
            write(folder / f"{k}", made(moment, rng=rng, change={"stereo.baseline_mm": 0.03 * k}))
        result = history(folder, now=START + timedelta(days=13))
        assert status(result, "HIS03") == "fail"
        assert status(result, "HIS02") == "pass"

    def test_nothing(self, tmp_path):
        result = self.story(tmp_path)
        assert {check.status for check in result.report.checks} == {"pass"}

    def test_newest_failed(self, tmp_path):
        assert status(self.story(tmp_path, verdict="fail"), "HIS01") == "fail"

    def test_newest_not_decided(self, tmp_path):
        assert status(self.story(tmp_path, verdict="inconclusive"), "HIS01") == "caution"

    def test_clock(self, tmp_path):
        folder = week(tmp_path / "in")
        write(folder / "early", made(START - timedelta(days=3), rng=np.random.default_rng([97, 3])))
        result = history(folder, now=NOW)
        assert status(result, "HIS05") == "caution"

    def test_scatter(self, tmp_path):
        folder = tmp_path / "in"
        rng = np.random.default_rng([97, 4])
        for k, moment in enumerate(mornings(20)):
            shift = {"stereo.convergence_deg": 0.02 * rng.normal()}  # five of its sigmas
            write(folder / f"{k}", made(moment, rng=rng, change=shift))
        assert status(history(folder, now=START + timedelta(days=21)), "HIS07") == "caution"

    def test_too_few(self, tmp_path):
        folder = tmp_path / "in"
        write(folder / "0", made(START, rng=np.random.default_rng([97, 5]), command="calibrate"))
        result = history(folder, now=NOW)
        assert {status(result, code) for code in ("HIS02", "HIS03", "HIS07")} == {"skipped"}
        assert result.report.verdict in ("pass", "caution")

    def test_no_working_distance(self, tmp_path):
        folder = tmp_path / "in"
        rng = np.random.default_rng([97, 6])
        for k, moment in enumerate(mornings(10)):
            report = made(moment, rng=rng, change={"stereo.convergence_deg": 0.05 * (k > 5)})
            kept = {n: one for n, one in report.measurements.items() if "distance" not in n}
            write(folder / f"{k}", replace(report, measurements=kept))
        assert status(history(folder, now=START + timedelta(days=11)), "HIS02") == "caution"


class TestCommand:
    def test_exit_codes_and_files(self, tmp_path, capsys):
        folder = week(tmp_path / "in")
        assert run(["history", str(folder), "--out", str(tmp_path / "out"), "--days", "100000"]) == 0
        assert "HIS04" in capsys.readouterr().out
        assert run(["history", str(folder), "--out", str(tmp_path / "out")]) == 3
        assert "--replace" in capsys.readouterr().err
        assert run(["history", str(folder), "--out", str(tmp_path / "out"), "--replace"]) == 0
        assert run(["history", str(tmp_path / "gone"), "--out", str(tmp_path / "b")]) == 3
        assert not (tmp_path / "b").exists()

    def test_never_into_its_input(self, tmp_path):
        folder = week(tmp_path / "in")
        with pytest.raises(OutputError, match="input folder"):
            write_history(history(folder, now=NOW), folder)


def test_many_results_of_one_rig_draw_a_small_page(tmp_path):
    folder = tmp_path / "in"
    rng = np.random.default_rng([97, 7])
    for k in range(450):
        write(folder / f"{k:04d}", made(START + timedelta(hours=6 * k + 1), rng=rng))
    result = history(folder, now=START + timedelta(days=113))
    write_history(result, tmp_path / "out")
    assert (tmp_path / "out" / "report.html").stat().st_size < 400_000
    assert len((tmp_path / "out" / "history.csv").read_text().splitlines()) == 451
