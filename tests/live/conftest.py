"""One browser, one page and one server for all tests of the live page, since a browser costs seconds to start."""

import shutil
import time
from dataclasses import dataclass, field

import pytest
from live.fake_engine import GOOD, FakeEngine

from rigcheck.live.state import SafetyLine
from rigcheck.live.web_serving import LiveServer

# Rendering by the processor, as on a machine without a screen; and nothing is looked up outside.
CHROMIUM_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
)


def until(true, what, seconds=8.0):
    """Wait for something to become true. Playwright's own waiting evaluates text in the page, which forbids it."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"never: {what}"
        time.sleep(0.04)


def holds(page, script):
    """Wait until a script's value is true in the page, also while it is being loaded anew."""

    def true():
        try:
            return page.evaluate(script)
        except Exception as error:
            if "context was destroyed" in str(error):
                return False
            raise

    until(true, script)


@dataclass
class Shown:
    """A page that watches an engine through a server, and what the browser asked for and complained of."""

    page: object
    engine: FakeEngine
    server: LiveServer
    address: str
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


@pytest.fixture(scope="session")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("no chromium on this machine: apt-get install chromium")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM_FLAGS))
        yield started
        started.close()


@pytest.fixture(scope="session")
def _watched(browser, tmp_path_factory):
    out = tmp_path_factory.mktemp("kept")
    with (
        FakeEngine(out=out, rate=6.0, size_px=(384, 512)) as engine,
        LiveServer(engine, port=0, out=out) as server,
    ):
        context = browser.new_context(viewport={"width": 1280, "height": 800}, has_touch=True)
        context.set_default_timeout(8000)
        shown = Shown(context.new_page(), engine, server, server.addresses[0])
        shown.page.on("request", lambda request: shown.asked.append(request.url))
        shown.page.on("console", lambda said: shown.complaints.append(f"{said.type}: {said.text}"))
        shown.page.on("pageerror", lambda error: shown.complaints.append(str(error)))
        shown.page.goto(shown.address)
        yield shown
        context.close()


@pytest.fixture
def shown(_watched) -> Shown:
    """The page with both cameras running, all answers passing and nothing open."""
    for idx in range(2):
        _watched.engine.source(idx, "running")
    _watched.engine.refuses = None
    _watched.engine.asked.clear()
    worn = f"Worn: 12 min, reading {_watched.engine.reading().number}."
    _watched.engine.change(
        mode="face",
        cameras=FakeEngine().reading().cameras,
        age_ms=80.0,
        board=None,
        answers=GOOD,
        keeping="",
        kept=(),
        safety=SafetyLine(sentences=(worn,)),
    )
    _watched.page.evaluate("document.querySelector('dialog[open]')?.close(); document.activeElement?.blur()")
    # This very reading is shown, and pictures move.
    holds(_watched.page, f"document.getElementById('worn').innerText.replaceAll('\u00a0', ' ') === '{worn}'")
    holds(
        _watched.page,
        "document.querySelectorAll('.cross').length === 12 && !document.querySelector('.still')",
    )
    return _watched
