"""Every command that the README prints is run as it stands there, and does what the README says.

The files it names are a small day's, rendered here and laid into a folder under the README's names; of earlier
commands' results, those that the earlier commands made. A command that is new in the README fails
`test_none_is_forgotten` until it is written down here.
"""

import contextlib
import io
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import pytest
import yaml
from jsonschema import Draft202012Validator
from scipy.spatial.transform import Rotation
from small_day import small_day

from rigcheck.jobs import picks
from rigcheck.main import run
from rigcheck.model import RigidTransform
from rigcheck.records import calibration_text, read_calibration

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text()
EXIT_CODES = {"pass": 0, "caution": 0, "fail": 4, "inconclusive": 5}  # as the README lists them

# Set everything up, run the demo day (four minutes of processor) and the tests: `.ci/run` runs both to the letter.
SET_UP = (
    "python3.11 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/rigcheck demo demo-day",
    "python3.11 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/pytest -q",
)
# A part of the first of them, printed by itself.
IN_SET_UP = ("rigcheck demo demo-day", "time rigcheck demo demo-day")

pytestmark = pytest.mark.xdist_group("readme")


def printed() -> list[str]:
    """Every command line in the README: in blocks, and within sentences."""
    blocks = re.findall(r"```sh\n(.*?)```", README, re.S)
    lines = [line for block in blocks for line in block.splitlines() if line]
    inline = re.findall(r"`((?:time )?rigcheck [^`]+)`", re.sub(r"```.*?```", "", README, flags=re.S))
    return list(dict.fromkeys([*lines, *inline]))


@dataclass(frozen=True, kw_only=True)
class Ran:
    folder: Path
    code: int
    said: str

    def result(self, name: str, command: str) -> dict:
        """A result folder's result.json, whose verdict gave the exit code; its report stands beside it."""
        content = json.loads((self.folder / name / "result.json").read_text())
        assert content["command"] == command
        assert self.code == EXIT_CODES[content["verdict"]], self.said
        assert (self.folder / name / "report.html").read_text().rstrip().endswith("</html>")
        return content


@dataclass(frozen=True, kw_only=True)
class Command:
    """`needs` finds what stands for each name of the README's; `holds` asserts what the README says of the command."""

    needs: dict[str, Callable[["Desk"], Path]] = field(default_factory=dict)
    holds: Callable[[Ran], None]


class Desk:
    """Runs a line once, in a folder of its own, with what it needs laid into it."""

    def __init__(self, home: Path) -> None:
        self.home, self.done = home, {}
        self.day = small_day(home / "day")

    def laid(self, command: Command) -> Path:
        sources = {name: find(self) for name, find in command.needs.items()}
        folder = self.home / f"folder-{len(list(self.home.iterdir()))}"
        folder.mkdir()
        for name, source in sources.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (shutil.copytree if source.is_dir() else shutil.copy)(source, folder / name)
        return folder

    def ran(self, line: str) -> Ran:
        if line not in self.done:
            folder = self.laid(COMMANDS[line])
            before, said = contents(folder), io.StringIO()
            with contextlib.chdir(folder), contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
                code = run(shlex.split(line)[1:])
            after = contents(folder)
            assert {path: after.get(path) for path in before} == before, "inputs are never changed"
            self.done[line] = Ran(folder=folder, code=code, said=said.getvalue())
        return self.done[line]


def contents(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """With fewer moments read by `picks` than usual: what it says does not hang on their number here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(picks, "MOST_MOMENTS", 10)
        yield Desk(tmp_path_factory.mktemp("readme"))


# The commands' own outcomes --------------------------------------------------------------------------------------


def board_is_drawn(ran: Ran) -> None:
    assert ran.code == 0
    names = {path.suffix for path in (ran.folder / "print").iterdir()}
    assert names == {".pdf", ".svg"}


def calibrated(ran: Ran) -> None:
    result = ran.result("monday", "calibrate")
    assert result["verdict"] in ("pass", "caution")
    stored = read_calibration(ran.folder / "monday" / "calibration.yaml")
    assert stored.stereo is not None
    assert stored.covariance.shape == (len(stored.parameters),) * 2
    storage = cv2.FileStorage(str(ran.folder / "monday/calibration-opencv.yaml"), cv2.FILE_STORAGE_READ)
    assert storage.isOpened()
    storage.release()


def fitted(ran: Ran) -> None:
    result = ran.result("heron-fitting", "fitting")
    checks = {check["code"]: check["status"] for check in result["checks"]}
    assert checks["FRM01"] == "pass"
    assert checks["EXP01"] != "skipped"
    assert "heron" in (ran.folder / "heron-fitting" / "performer.yaml").read_text()
    assert (ran.folder / "heron-fitting" / "report.html").read_text().count("data:image/") >= 2


def verified(ran: Ran) -> None:
    result = ran.result("tuesday", "verify")
    checks = {check["code"]: check["status"] for check in result["checks"]}
    assert checks["VER01"] in ("pass", "inconclusive")  # it is the same rig


def compared(ran: Ran) -> None:
    result = ran.result("monday-friday", "compare")
    checks = {check["code"]: check["status"] for check in result["checks"]}
    assert checks["CMP01"] == "fail"  # half a degree of convergence


def remembered(ran: Ran) -> None:
    ran.result("rig-history", "history")
    assert (ran.folder / "rig-history" / "history.csv").read_text().count("\n") >= 3


def picked(ran: Ran) -> None:
    result = ran.result("heron-picks", "picks")
    checks = {check["code"]: check["status"] for check in result["checks"]}
    assert (checks["PIC01"], checks["PIC02"]) == ("pass", "pass")
    stills = list((ran.folder / "heron-picks" / "stills").iterdir())
    assert all(still.read_bytes().startswith(b"\x89PNG") for still in stills)  # lossless
    found = json.loads((ran.folder / "heron-picks" / "picks.json").read_text())["picks"]
    assert {pick["pose"] for pick in found} == {"neutral", "bite"}
    assert {Path(file).name for pick in found for file in pick["files"]} == {still.name for still in stills}


def audited(ran: Ran) -> None:
    ran.result("monday-audit", "audit")
    rows = (ran.folder / "monday-audit" / "takes.csv").read_text().splitlines()
    assert [row.split(",")[0] for row in rows[1:]] == ["take_1", "take_2", "take_3"]


def handed_over(ran: Ran) -> None:
    assert ran.code == 0
    out = ran.folder / "for-the-next-department"
    manifest = json.loads((out / "manifest.json").read_text())
    assert {"calibration.yaml", "calibration-opencv.yaml"} <= {
        Path(file["path"]).name for file in manifest["files"]
    }
    assert len(list(out.rglob("*.tif*"))) == 4  # two maps a camera
    assert (out / "conventions.html").is_file()
    summed = subprocess.run(["sha256sum", "--check", "--quiet", "SHA256SUMS"], cwd=out, check=False)
    assert summed.returncode == 0


def handover_is_whole(ran: Ran) -> None:
    assert ran.code == 0
    assert ran.said.startswith("Pass: all ")


def day_is_run(ran: Ran) -> None:
    out = ran.folder / "tuesday-results"
    steps = [step["name"] for step in yaml.safe_load(day_of_readme())["steps"]]
    page = (out / "report.html").read_text()
    for name in steps:
        assert (out / name / "result.json").is_file(), (name, ran.said)
        assert f'href="{name.replace(" ", "%20")}/report.html"' in page
    ran.result("tuesday-results", "day")


def commands_are_listed(ran: Ran) -> None:
    assert ran.code == 0
    listed = ran.said.partition("Commands:")[2].strip().splitlines()
    assert {line.split()[0] for line in listed} >= {shlex.split(line)[1] for line in COMMANDS} - {"--help"}
    assert not [line for line in listed if line.endswith("...")]  # whole sentences, at the usual width


def formats_are_listed(ran: Ran) -> None:
    assert ran.code == 0
    assert {"board", "rig", "calibration", "result", "day"} <= {
        line.split()[0] for line in ran.said.splitlines()
    }


def schema_is_printed(ran: Ran) -> None:
    assert ran.code == 0
    Draft202012Validator.check_schema(json.loads(ran.said))


def limits_are_listed(ran: Ran) -> None:
    assert ran.code == 0
    assert "board.flatness_mm" in ran.said


# What the README prints ------------------------------------------------------------------------------------------

CALIBRATE = (
    "rigcheck calibrate upper.mov lower.mov --board boards/charuco-9x12-9mm.yaml --rig configs/example-rig.yaml "
    "--out monday"
)
LIVE = (
    "rigcheck live 0 1 --rig configs/example-rig.yaml --calibration monday/calibration.yaml "
    "--board boards/charuco-9x12-9mm.yaml --helmet-on now --out heron-live"
)
VERIFY = (
    "rigcheck verify upper.mov lower.mov --calibration monday/calibration.yaml "
    "--board boards/charuco-9x12-9mm.yaml --out tuesday"
)
HANDOVER = "rigcheck handover monday --out for-the-next-department"
COMPLETION = "rigcheck --install-completion"


def from_day(name: str) -> Callable[[Desk], Path]:
    return lambda desk: desk.day / name


def from_line(line: str, name: str) -> Callable[[Desk], Path]:
    return lambda desk: desk.ran(line).folder / name


def from_project(name: str) -> Callable[[Desk], Path]:
    return lambda desk: ROOT / name


def clips(name: str) -> dict[str, Callable[[Desk], Path]]:
    return {f"{camera}.mov": from_day(f"{name}/{camera}.mov") for camera in ("upper", "lower")}


def of_friday(desk: Desk) -> Path:
    """Monday's calibration, made from other footage, and half a degree of convergence on."""
    monday = read_calibration(desk.ran(CALIBRATE).folder / "monday" / "calibration.yaml")
    pose = monday.stereo.camera2_from_camera1
    turned = RigidTransform(
        rotation=Rotation.from_rotvec([0.5, 0.0, 0.0], degrees=True).as_matrix() @ pose.rotation,
        translation_mm=pose.translation_mm,
    )
    inputs = {name: f"{number:064x}" for number, name in enumerate(monday.provenance.inputs_sha256)}
    friday = replace(
        monday,
        stereo=replace(monday.stereo, camera2_from_camera1=turned),
        provenance=replace(monday.provenance, inputs_sha256=inputs),
    )
    path = desk.home / "friday.yaml"
    path.write_text(calibration_text(friday))
    return path


def day_of_readme() -> str:
    (text,) = (block for block in re.findall(r"```yaml\n(.*?)```", README, re.S) if "rigcheck-day" in block)
    return text


def day_file(desk: Desk) -> Path:
    path = desk.home / "day.yaml"
    path.write_text(day_of_readme())
    return path


RIG = {"configs/example-rig.yaml": from_day("rig.yaml")}
BOARD = {"boards/charuco-9x12-9mm.yaml": from_day("board.yaml")}
MONDAY = {"monday": from_line(CALIBRATE, "monday")}

COMMANDS = {
    "rigcheck board boards/charuco-9x12-9mm.yaml --out print": Command(
        needs={"boards/charuco-9x12-9mm.yaml": from_project("boards/charuco-9x12-9mm.yaml")},
        holds=board_is_drawn,
    ),
    CALIBRATE: Command(needs=clips("a") | RIG | BOARD, holds=calibrated),
    "rigcheck fitting upper.mov lower.mov --rig configs/example-rig.yaml --calibration monday/calibration.yaml "
    "--code-name heron --out heron-fitting": Command(needs=clips("b") | RIG | MONDAY, holds=fitted),
    VERIFY: Command(needs=clips("d") | BOARD | MONDAY, holds=verified),
    "rigcheck compare monday/calibration.yaml friday/calibration.yaml --out monday-friday": Command(
        needs=MONDAY | {"friday/calibration.yaml": of_friday}, holds=compared
    ),
    "rigcheck history results --out rig-history": Command(
        needs={
            "results/monday": from_line(CALIBRATE, "monday"),
            "results/tuesday": from_line(VERIFY, "tuesday"),
        },
        holds=remembered,
    ),
    "rigcheck picks upper.mov lower.mov --rig configs/example-rig.yaml --calibration monday/calibration.yaml "
    "--out heron-picks": Command(needs=clips("c") | RIG | MONDAY, holds=picked),
    "rigcheck audit takes --calibration monday/calibration.yaml "
    "--end-calibration monday-evening/calibration.yaml --out monday-audit": Command(
        needs=MONDAY | {"takes": from_day("takes"), "monday-evening/calibration.yaml": of_friday},
        holds=audited,
    ),
    HANDOVER: Command(needs=MONDAY, holds=handed_over),
    "rigcheck handover for-the-next-department --check": Command(
        needs={"for-the-next-department": from_line(HANDOVER, "for-the-next-department")},
        holds=handover_is_whole,
    ),
    "rigcheck day tuesday/day.yaml --out tuesday-results": Command(
        needs={
            "tuesday/day.yaml": day_file,
            "tuesday/kestrel.yaml": from_day("rig.yaml"),
            "tuesday/boards/charuco-9x12-9mm.yaml": from_day("board.yaml"),
            **{f"cards/{name}": from_day(name) for name in ("a", "b", "c", "d", "takes")},
        },
        holds=day_is_run,
    ),
    "rigcheck --help": Command(holds=commands_are_listed),
    "rigcheck formats": Command(holds=formats_are_listed),
    "rigcheck formats calibration": Command(holds=schema_is_printed),
    "rigcheck limits": Command(holds=limits_are_listed),
}


def test_none_is_forgotten():
    known = {*SET_UP, *IN_SET_UP, *COMMANDS, LIVE, COMPLETION}
    assert set(printed()) == known


def test_ci_runs_what_sets_up():
    assert printed()[:2] == list(SET_UP)
    script = (ROOT / ".ci" / "run").read_text()
    assert "done < <(grep -m 2 '^python3.11 -m venv' README.md)" in script


@pytest.mark.parametrize("line", COMMANDS, ids=lambda line: shlex.split(line)[1])
def test_it_does_what_the_readme_says(line, desk):
    COMMANDS[line].holds(desk.ran(line))


# Stands for capture devices 0 and 1, which play the clips of the fitting; all else is the command as it is.
DEVICES = """
import sys, time
import cv2
opened = cv2.VideoCapture
class Device:
    def __init__(self, which, *_):
        self.clip = opened(("upper.mov", "lower.mov")[which])
    def isOpened(self):
        return self.clip.isOpened()
    def set(self, *_):
        return True
    def read(self):
        time.sleep(0.1)
        good, picture = self.clip.read()
        if not good:
            self.clip.set(cv2.CAP_PROP_POS_FRAMES, 0)
            good, picture = self.clip.read()
        return good, picture
    def release(self):
        self.clip.release()
cv2.VideoCapture = Device
sys.argv[0] = "rigcheck"
from rigcheck.main import main
main()
"""


def test_live_shows_its_page_and_ends_on_an_interrupt(desk):
    pytest.importorskip("uvicorn", reason="the extra [live] is not installed")
    folder = desk.laid(Command(needs=clips("b") | RIG | BOARD | MONDAY, holds=fitted))
    before = contents(folder)
    process = subprocess.Popen(
        [sys.executable, "-u", "-c", DEVICES, *shlex.split(LIVE)[1:]],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        address = re.search(r"http://\S+", process.stdout.readline())
        if address is None and "in use" in (told := process.communicate(timeout=60)[1]):
            pytest.skip(f"another program has the port of the README: {told}")
        assert address[0] == re.search(r"`(http://127\.0\.0\.1:\d+/)`", README)[1]
        with urllib.request.urlopen(address[0], timeout=30) as answer:
            page = answer.read().decode()
        process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=60)
    finally:
        process.kill()
    assert "<title>" in page
    assert "Keep this moment" in page
    assert process.returncode == 130
    assert "nothing was written" in told
    assert "Traceback" not in told
    assert contents(folder) == before


def test_completion_is_installed_for_the_shell_it_is_typed_in(tmp_path):
    """The shell is bash, and its start-up file in an empty home."""
    program = Path(sys.executable).parent
    ended = subprocess.run(
        ["bash", "--norc", "-c", f"{COMPLETION}; exit $?"],
        env=os.environ | {"HOME": str(tmp_path), "PATH": f"{program}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    assert "bash" in (tmp_path / ".bashrc").read_text()
    assert "complete" in next((tmp_path / ".bash_completions").iterdir()).read_text()


def test_the_report_read_line_by_line_is_the_demo_days():
    """Numbers of another processor differ by rounding: by less than a sigma, or 2 %."""
    made = ROOT / "demo-day" / "results" / "calibration-morning" / "result.json"
    if not made.is_file():
        pytest.skip("no demo day in the project's folder; .ci/run makes one before the tests")
    checks = {check["code"]: check for check in json.loads(made.read_text())["checks"]}
    (table,) = re.findall(r"```text\n(Verdict .*?)```", README, re.S)
    rows = re.findall(r"^(\w+) +(CAL\d\d) (.+?)  +([\d.]+)(?: ± [\d.]+)?[^ ]*(?: \w+)?  +(.+)$", table, re.M)
    assert len(rows) == len(table.splitlines()) - 1 >= 10
    for verdict, code, title, value, limit in rows:
        check = checks[code]
        assert (verdict.lower(), title, limit) == (check["status"], check["title"], check["limit"])
        assert float(value) == pytest.approx(
            check["value"], abs=max(check["sigma"] or 0, 0.02 * check["value"])
        )
