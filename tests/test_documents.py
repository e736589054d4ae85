"""README and DEVELOPERS.md say what is true: their code runs, their tables are the code's."""

import re
import shutil
from pathlib import Path

import pytest
import typer

from rigcheck import main
from rigcheck.checks import check_table

ROOT = Path(__file__).resolve().parents[1]


def code_blocks(name: str) -> list[str]:
    return re.findall(r"```python\n(.*?)```", (ROOT / name).read_text(), re.S)


@pytest.mark.parametrize("block", code_blocks("DEVELOPERS.md"))
def test_developers_snippets_run(block):
    exec(compile(block, "DEVELOPERS.md", "exec"), {})


def test_readme_example_runs(shoot, tmp_path, monkeypatch, capsys):
    for folder in (shoot.upper, shoot.lower):
        shutil.copytree(folder, tmp_path / folder.name)
    shutil.copy(shoot.board, tmp_path)
    shutil.copy(shoot.rig, tmp_path)
    monkeypatch.chdir(tmp_path)
    (block,) = code_blocks("README.md")
    names: dict[str, object] = {}
    exec(compile(block, "README.md", "exec"), names)
    assert (tmp_path / "monday" / "calibration.yaml").is_file()
    assert re.search(r"baseline 7[12]\.\d{3} ± 0\.\d{3} mm", capsys.readouterr().out)
    assert names["again"].rig.baseline_mm == pytest.approx(72.0, abs=0.2)


def test_readme_table_is_the_codes():
    assert check_table() in (ROOT / "README.md").read_text()


def test_readme_opens_with_the_job_and_two_commands():
    text = (ROOT / "README.md").read_text()
    assert text.index("facial-capture technician") < text.index("```")
    commands = re.search(r"```sh\n(.*?)```", text, re.S).group(1).strip().splitlines()
    assert len(commands) == 2
    assert all(line.startswith("python3.11 -m venv") for line in commands)
    assert "rigcheck demo" in commands[0]
    assert "pytest" in commands[1]


def test_boards_named_in_the_readme_exist():
    for name in re.findall(r"boards/[\w-]+\.yaml", (ROOT / "README.md").read_text()):
        assert (ROOT / name).is_file(), name


def test_pictures_in_the_readme_are_there_and_small():
    shown = re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", (ROOT / "README.md").read_text())
    assert len(shown) >= 8
    for words, place in shown:
        assert words
        assert 5_000 < (ROOT / place).stat().st_size < 120_000, place
    kept = {f".github/pictures/{each.name}" for each in (ROOT / ".github" / "pictures").iterdir()}
    assert kept == {place for _, place in shown}


def test_every_option_in_the_readme_belongs_to_a_command():
    program = typer.main.get_command(main.app)
    known = {
        name
        for each in (program, *program.commands.values())
        for option in each.params
        for name in (*option.opts, *option.secondary_opts)
    }
    named = set(re.findall(r"`(--[a-z-]+)", (ROOT / "README.md").read_text()))
    assert named
    assert named <= known | {"--help"}, named - known
