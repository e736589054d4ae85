"""Reports made of hostile names, opened in a headless browser: nothing in them runs."""

import html
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from faults.cases import Outcome
from faults.damage import HOSTILE_TEXTS, MARKER
from faults.hostile_pages import hostile_reports
from faults.judging import drawing_complaints, page_complaints, show

BROWSER = ("chromium", "chromium-browser", "google-chrome")
_OPTIONS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *(
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--virtual-time-budget=500",
    ),
)
_TITLE = re.compile(r"<title>(.*?)</title>", re.DOTALL)
# Shows that the browser would run a script, and that this is seen.
PLANTED = f"<!DOCTYPE html><title>quiet</title><p>{HOSTILE_TEXTS['script']}"


def browser() -> str | None:
    return next((path for name in BROWSER if (path := shutil.which(name))), None)


def shown(path: Path, profile: Path) -> str:
    """The page as it stands after its scripts have run, had they run."""
    program = browser()
    assert program is not None
    done = subprocess.run(
        [program, *_OPTIONS, f"--user-data-dir={profile}", "--dump-dom", path.as_uri()],
        capture_output=True,
        timeout=300,
        check=True,
    )
    return done.stdout.decode("utf-8", "replace")


def title_of(page: str) -> str:
    found = _TITLE.search(page)
    return html.unescape(found[1]) if found else ""


def pages() -> list[Outcome]:
    """Open every page and drawing; the first case is one that does run a script, to show that it would be seen."""
    outcomes = []
    with tempfile.TemporaryDirectory(prefix="pages-") as name:
        folder = Path(name)
        planted = folder / "planted.html"
        planted.write_text(PLANTED)
        if browser() is None:
            return [Outcome(case="browser", command="", kind="browser", result="skipped", complaints=())]
        if title_of(shown(planted, folder / "profile")) != MARKER:
            raise RuntimeError("a planted script is not seen: nothing can be shown")
        for command, path in _written(folder):
            outcomes.append(_opened(command, path, folder / "profile"))
            show(
                f"{outcomes[-1].case}: {outcomes[-1].result} {'; '.join(outcomes[-1].complaints)}"[:400],
            )
    return outcomes


def _written(folder: Path) -> Iterator[tuple[str, Path]]:
    for command, out in hostile_reports(folder):
        for path in sorted(out.rglob("*")):
            if path.suffix in (".html", ".svg"):
                yield command, path


def _opened(command: str, path: Path, profile: Path) -> Outcome:
    source = path.read_text(encoding="utf-8")
    found = page_complaints(source) if path.suffix == ".html" else drawing_complaints(source)
    wanted = title_of(source) if path.suffix == ".html" else ""
    # Judged without its policy too: escaping alone must hold.
    bare = path.with_name(f"bare-{path.name}")
    bare.write_text(
        re.sub(r"<meta http-equiv=\"Content-Security-Policy\"[^>]*>", "", source), encoding="utf-8"
    )
    for one in (path, bare):
        title = title_of(shown(one, profile))
        if title == MARKER or (wanted and title.strip() != wanted.strip()):
            found.append(f"a script ran in {one.name}: the title became {title[:60]!r}")
    n_hostile = source.count("document.title") + source.count("document.title".replace(".", "&#46;"))
    return Outcome(
        case=f"{command} | {path.name} ({n_hostile} hostile texts shown)",
        command=command,
        kind=path.suffix,
        result="fault" if found else "held",
        complaints=tuple(found),
    )
