"""Whether a command took damage well: no traceback, no hang, no partial file, nothing hostile let out."""

import contextlib
import csv
import hashlib
import io
import json
import os
import re
import signal
import sys
import time
import traceback
import unicodedata
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from threading import Event, Thread

import av
import yaml
from faults.damage import ESCAPED, MARKER

from rigcheck.errors import INTERRUPTED
from rigcheck.main import run
from rigcheck.opencv import cv2
from rigcheck.records import read_calibration, read_performer, read_result
from rigcheck.records.manifest_file import manifest_findings

REFUSED = (2, 3)
JUDGED = (0, 4, 5)
# A session is let go on for so long once it has begun; one that does not say so counts as begun after a while.
SESSION_S, BEGINS_S = 1.0, 4.0
_ACTIVE = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[-+]?[\d.,eE+-]+")


@dataclass(frozen=True, kw_only=True)
class Told:
    """What a run gave: exit code (None when it raised), what it printed, what it raised, whether it was interrupted."""

    code: int | None
    out: str
    err: str
    raised: str = ""
    interrupted: bool = False


class TooLongError(BaseException):
    """The time limit was reached; no Exception, so that no command catches it."""


@contextlib.contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """So much processor time, and ten times as much on the clock, since other work may share the machine."""
    timers = {
        signal.SIGPROF: (signal.ITIMER_PROF, seconds),
        signal.SIGALRM: (signal.ITIMER_REAL, 10 * seconds),
    }

    def late(number: int, frame: object) -> None:
        raise TooLongError

    before = {number: signal.signal(number, late) for number in timers}
    for timer, limit in timers.values():
        signal.setitimer(timer, limit)
    try:
        yield
    finally:
        for number, (timer, _) in timers.items():
            signal.setitimer(timer, 0)
            signal.signal(number, before[number])


@contextlib.contextmanager
def interrupted_once_begun(said: Callable[[], str]) -> Iterator[Event]:
    """Send an interrupt, as Ctrl-C does, a moment after the block's program says that it has begun; tells if it did."""
    ended, sent = Event(), Event()

    def watch() -> None:
        until = time.monotonic() + BEGINS_S
        while "The page is at" not in said() and time.monotonic() < until:
            if ended.wait(0.05):
                return
        if not ended.wait(SESSION_S):
            sent.set()
            os.kill(os.getpid(), signal.SIGINT)

    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    watcher = Thread(target=watch)
    watcher.start()
    try:
        yield sent
    finally:
        ended.set()
        watcher.join()
        signal.signal(signal.SIGINT, before)


def told_by(arguments: list[str], *, limit_s: float, session: bool = False) -> Told:
    """Run a command in this process, in a time limit; a session is interrupted once it has begun."""
    out, err = io.StringIO(), io.StringIO()
    code, raised = None, ""
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), contextlib.ExitStack() as stack:
        sent = stack.enter_context(interrupted_once_begun(out.getvalue)) if session else Event()
        try:
            with time_limit(limit_s):
                code = run(arguments)
        except TooLongError:
            raised = f"hang: more than {limit_s:g} s of processor time, or ten times as long"
        except BaseException as error:
            where = traceback.extract_tb(error.__traceback__)[-3:]
            places = " < ".join(f"{Path(one.filename).name}:{one.lineno}" for one in reversed(where))
            raised = f"{type(error).__name__}: {error} at {places}"[:600]
    return Told(code=code, out=out.getvalue(), err=err.getvalue(), raised=raised, interrupted=sent.is_set())


def show(line: str) -> None:
    """A line of the suite's own report."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def sums(*places: Path) -> dict[str, str]:
    """SHA-256 of every plain file, and what every other entry is."""
    found = {}
    for place in places:
        for path in [place, *sorted(place.rglob("*"))]:
            name = str(path)
            if path.is_symlink():
                found[name] = f"link to {os.readlink(path)}"
            elif path.is_file():
                with path.open("rb") as file:
                    found[name] = hashlib.file_digest(file, "sha256").hexdigest()
            else:
                found[name] = "folder" if path.is_dir() else "other"
    return found


def without_folders(text: str) -> str:
    """What was said, file names without the folders before them."""
    return re.sub(r"\S*/", "", text)


def complaints(
    told: Told,
    out: Path | None,
    outputs: tuple[str, ...],
    names: tuple[str, ...],
    undamaged: Told | None = None,
    *,
    keeps: tuple[str, ...] = (),
) -> list[str]:
    """What is wrong with how a command took it; nothing when all is well.

    A refusal must name one of `names`, unless it says what it says of the undamaged inputs. What it leaves must be
    among `keeps`, and said to be kept. A day whose steps could not be measured is no refusal: it is written.
    """
    if told.raised:
        return [told.raised]
    found = []
    if "Traceback" in told.out + told.err:
        found.append("a traceback was printed")
    found += [f"the terminal got {what}" for what in unfit_for_terminal(told.out + told.err)]
    if told.code == 3 and "Written to" in told.out:
        found += [] if out is None else output_complaints(out, outputs)
    elif told.code in REFUSED:
        same = undamaged is not None and without_folders(undamaged.err) == without_folders(told.err)
        found += _refusal(told, () if same else names)
        found += _left(told, out, keeps)
    elif told.code == INTERRUPTED and told.interrupted:
        found += _left(told, out, keeps)
    elif told.code in JUDGED:
        found += [] if out is None else output_complaints(out, outputs)
    else:
        found.append(f"exit code {told.code}")
    return found


def _refusal(told: Told, names: tuple[str, ...]) -> list[str]:
    found = []
    if told.code == 3:
        lines = told.err.strip().splitlines()
        if (
            len(lines) < 2
            or not lines[-2].startswith("Stopped: ")
            or not lines[-1].startswith("What to do: ")
        ):
            found.append(f"no sentence and remedy: {told.err[-200:]!r}")
        elif len(lines[-1]) < 25:
            found.append(f"a remedy too short: {lines[-1]!r}")
        if names and not any(name in told.err for name in names):
            found.append(f"{names[0]} is not named: {told.err.strip()[:300]!r}")
    return found


def _left(told: Told, out: Path | None, keeps: tuple[str, ...]) -> list[str]:
    """What a run that wrote no result left in its folder: only what it says that it keeps, each part whole."""
    if out is None or not out.exists() or "The picture is" in told.err:  # to mark the face's points in
        return []
    left = sorted(path.name for path in out.iterdir())
    found = [f"wrote no result, yet left {left}"] if not left or set(left) - set(keeps) else []
    if left and not found and "kept in" not in told.err:
        found.append(f"{left} are kept, unsaid: {told.err.strip()[-300:]!r}")
    return found + part_complaints(out)


def part_complaints(out: Path) -> list[str]:
    """What an ended run kept: every file whole, a result never without its page."""
    found = []
    for path in sorted(one for one in out.rglob("*") if one.is_file()):
        name = str(path.relative_to(out))
        try:
            found += [f"{name}: {what}" for what in _file_complaints(path)]
        except Exception as error:
            found.append(f"{name} cannot be read back: {type(error).__name__}: {str(error)[:200]}")
        if path.name == "result.json" and not path.with_name("report.html").is_file():
            found.append(f"{name} without its page")
    return found


def unfit_for_terminal(text: str) -> list[str]:
    """Characters that steer a terminal or hide the order of text."""
    odd = {
        character
        for character in text
        if character != "\n" and unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp")
    }
    odd |= {c for c in text if c in "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"}
    return [f"{sorted(odd)!r}"] if odd else []


def output_complaints(out: Path, outputs: tuple[str, ...]) -> list[str]:
    """Every file there, whole, readable, and with nothing in it that runs."""
    if not out.is_dir():
        return ["judged, yet wrote nothing"]
    names = [str(path.relative_to(out)) for path in sorted(out.rglob("*")) if path.is_file()]
    found = [f"{one} is missing" for one in outputs if not any(name.endswith(one) for name in names)]
    found += [f"{name} was left over" for name in names if ".rigcheck" in name or name.endswith(".half")]
    for name in names:
        try:
            if "manifest.json" not in names:
                found += [f"{name}: {what}" for what in _file_complaints(out / name)]
        except Exception as error:
            found.append(f"{name} cannot be read back: {type(error).__name__}: {str(error)[:200]}")
    if "manifest.json" in names:  # copies of what was found, good or bad; their sums must be right
        found += manifest_findings(out)[1]
        found += page_complaints((out / "conventions.html").read_text(encoding="utf-8"))
    return found


def _file_complaints(path: Path) -> list[str]:
    match path.suffix.lower():
        case ".html":
            return page_complaints(path.read_text(encoding="utf-8"))
        case ".svg":
            return drawing_complaints(path.read_text(encoding="utf-8"))
        case ".csv":
            return table_complaints(path.read_text(encoding="utf-8"))
        case ".json" if path.name == "result.json":
            read_result(path)
        case ".json":
            json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_constant)
        case ".yaml" if path.name == "calibration.yaml":
            read_calibration(path)
        case ".yaml" if path.name == "performer.yaml":
            read_performer(path)
        case ".png" if cv2.imread(str(path), cv2.IMREAD_UNCHANGED) is None:
            return ["no picture"]
        case ".mp4":
            with av.open(path) as container:
                next(container.decode(video=0))
        case ".yaml" if not path.name.endswith("-opencv.yaml"):
            yaml.safe_load(path.read_text(encoding="utf-8"))
    return ["empty"] if not path.stat().st_size else []


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} in JSON")


class _Page(HTMLParser):
    """Notes everything in a page that could run, load or send."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self.policy = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in (
            "script",
            "iframe",
            "object",
            "embed",
            "base",
            "form",
            "link",
            "foreignobject",
            "audio",
            "video",
        ):
            self.found.append(f"<{tag}>")
        values = dict(attrs)
        if values.get("http-equiv", "").lower() == "content-security-policy":
            self.policy = values.get("content") or ""
        for name, value in attrs:
            text = (value or "").strip().lower()
            if name.startswith("on"):
                self.found.append(f"<{tag} {name}>")
            if name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
                inner = text.startswith(("#", "data:image/"))
                if not inner and not re.fullmatch(r"[\w./% -]+\.html(#\w*)?", text):
                    self.found.append(f"{tag} {name}={text[:60]!r}")
            if name == "style" and re.search(r"url\((?!#)|expression\(", text):
                self.found.append(f"<{tag} style={text[:60]!r}>")

    handle_startendtag = handle_starttag


def page_complaints(text: str) -> list[str]:
    page = _Page()
    page.feed(text)
    page.close()
    if "<html" in text and "default-src 'none'" not in page.policy:
        page.found.append("no policy that forbids scripts")
    if "<html" in text and not text.rstrip().endswith("</html>"):
        page.found.append("cut short")
    found = page.found + (["a null character"] if "\0" in text else [])
    return found + [f"{what} unescaped" for what in ("<img src=x", "<svg onload") if what in text]


def drawing_complaints(text: str) -> list[str]:
    found = []
    for element in ElementTree.fromstring(text).iter():
        tag = element.tag.rpartition("}")[2].lower()
        if tag in ("script", "foreignobject", "iframe"):
            found.append(f"<{tag}>")
        for name, value in element.attrib.items():
            short = name.rpartition("}")[2].lower()
            if short.startswith("on") or (short == "href" and not value.startswith("#")):
                found.append(f"<{tag} {short}={value[:60]!r}>")
    return found


def table_complaints(text: str) -> list[str]:
    """Cells that a spreadsheet would run."""
    found = []
    for row in csv.reader(io.StringIO(text)):
        for cell in row:
            if cell.startswith(_ACTIVE) and not _NUMBER.fullmatch(cell):
                found.append(f"active cell {cell[:40]!r}")
    return found


def left_beside(place: Path, allowed: tuple[str, ...]) -> list[str]:
    """What was left in the folder around the output that has no business there."""
    return [f"{path.name} was left beside" for path in sorted(place.iterdir()) if path.name not in allowed]


def escaped(place: Path) -> list[str]:
    """What was written where a hostile name or text pointed, outside the folder of results."""
    beside = [path for path in place.iterdir() if path.name not in ("in", "results")]
    there = [path for path in (ESCAPED, Path("escaped")) if path.exists()]
    return [f"{path} was written" for path in (*beside, *there)]


def memory_mb() -> int:
    """Most memory this process ever held, MB."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


__all__ = [
    "MARKER",
    "Told",
    "complaints",
    "escaped",
    "left_beside",
    "memory_mb",
    "output_complaints",
    "page_complaints",
    "part_complaints",
    "sums",
    "told_by",
    "unfit_for_terminal",
    "without_folders",
]
