"""The live page in a real browser: what a technician sees, touches and types."""

import dataclasses
import re

import pytest
from live.conftest import holds, until
from live.fake_engine import BOARD, GOOD, TOO_HIGH, FakeEngine

from rigcheck.errors import ConfigError
from rigcheck.live.ageing import aged
from rigcheck.live.answers import _ASK_FOR_JAW, HEADLINES
from rigcheck.live.state import CameraReading, SafetyLine
from rigcheck.live.web_serving import LiveServer

pytestmark = pytest.mark.xdist_group("live-page")

# A small copy of the first picture as drawn.
PIXELS = """(() => { const c = new OffscreenCanvas(64, 64).getContext('2d', { willReadFrequently: true });
  c.drawImage(document.querySelector('.picture canvas'), 0, 0, 64, 64);
  return c.getImageData(0, 0, 64, 64).data.join(); })()"""
LONG_WANTED = (
    "Hold the board so that both cameras see all of it, as far away as the face will be, tilted 30 to 45 degrees; "
    "pause, then tilt it towards another of its sides."
)
LONG_STATE = (
    "7 views are kept, but do not fit together yet: The views of the board do not fit together: the cameras' relative "
    "pose puts it behind one of them. Fix: check that both clips are of the same moment and of the same board, and "
    "their order"
)
# A 10-inch tablet of 1280 × 800 shows 5.9 px a millimetre.
PX_PER_MM = 5.9

# Words that their box cuts off.
CUT = """() => [...document.querySelectorAll('#move, .headline, .hand, .also, .reading, #worn, #board p')].filter((e) =>
  e.scrollHeight > e.clientHeight + 2 || e.scrollWidth > e.clientWidth + 1).map((e) => e.innerText)"""


def says(shown, selector, text):
    words = (
        "(s) => [...document.querySelectorAll(s)].filter((e) => e.checkVisibility()).map((e) => e.innerText)"
    )
    until(
        lambda: any(text in each.replace("\u00a0", " ") for each in shown.page.evaluate(words, selector)),
        f"{selector} says {text!r}",
    )


def violations(page):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core is not installed")
    return {each["id"]: each["nodes"] for each in axe.Axe().run(page).response["violations"]}


def test_both_pictures_move(shown):
    assert shown.page.locator(".picture").count() == 2
    before = shown.page.evaluate(PIXELS)
    until(lambda: shown.page.evaluate(PIXELS) != before, "the picture moves")
    says(shown, "figcaption", "2: lower")
    says(shown, "figcaption", "a second")


def test_the_answers_follow_the_reading(shown):
    says(shown, "#move", "Nothing to move")
    shown.engine.change(answers=TOO_HIGH)
    says(shown, "#framing", "Fail ✗")
    says(shown, "#framing .headline", "Bar too high")
    says(shown, "#framing .reading", "6.1 ± 0.8 mm")
    says(shown, "#next-what", "Next: framing, FRM01")
    # The one move for the hand is the failing one's; the caution keeps its own beside it.
    says(shown, "#move", "Lower the bar by 6 mm.")
    assert not shown.page.locator("#framing .hand").is_visible()
    says(shown, "#focus .hand", "Turn the focus 9 mm nearer.")
    says(shown, "#light", "Not decided ?")
    shown.engine.change(answers=GOOD)
    says(shown, "#framing", "Pass ✓")


def test_an_old_reading_is_said_to_be_old_and_its_points_leave_the_picture(shown):
    assert shown.page.locator(".cross").count() > 0
    shown.engine.change(age_ms=4000.0)
    says(shown, "#line.lost", "Last measured 4 s ago")
    holds(shown.page, "!document.querySelector('.cross')")
    shown.engine.change(age_ms=80.0)
    says(shown, "#line", "80 ms behind")
    holds(shown.page, "document.querySelector('.cross')")


def test_old_answers_are_not_to_go_by_and_are_withdrawn(shown):
    """Planted: all answers pass, and nothing new has been judged for 4 s, then for 9 s."""
    shown.engine.change(answers=aged(GOOD, 4.0, "Check the cable of camera 2."))
    says(shown, "#framing.old", "4 s old")
    says(shown, "#next-what", "Waiting")
    says(shown, "#move", "wait for new ones before you move anything")
    assert "Pass" not in shown.page.inner_text("#answers")
    shown.engine.change(answers=aged(GOOD, 9.0, "Check the cable of camera 2."))
    says(shown, "#light .headline", "Not known now")
    says(shown, "#move", "Check the cable of camera 2.")
    assert "Light holds" not in shown.page.inner_text("#answers")
    # Without a connection the page itself withdraws them.
    answers = [each.as_json() for each in GOOD]
    script = "async ([answers, seconds]) => (await import('/words.js')).silent(answers, seconds)[2].headline"
    assert shown.page.evaluate(script, [answers, 7.0]) == "Light holds"
    assert shown.page.evaluate(script, [answers, 9.0]) == "Not known now"


def test_what_else_is_wrong_is_named_beside_the_headline(shown):
    also = ("Light flickers", "Sides differ", "Cameras differ")
    shown.engine.change(answers=(*GOOD[:2], dataclasses.replace(TOO_HIGH[2], also=also)))
    says(shown, "#light .also", "Also: light flickers, sides differ, and 1 more")
    until(lambda: shown.page.evaluate(CUT) == [], "the words are whole")


def test_a_share_is_read_in_per_cent(shown):
    cover = dataclasses.replace(TOO_HIGH[0], number=0.0123, sigma=None, unit="of face", code="FRM11")
    shown.engine.change(answers=(cover, *GOOD[1:]))
    says(shown, "#framing .reading", "1.2 % of face")


def test_a_face_that_is_not_found_is_said(shown):
    lost = CameraReading(camera_idx=1, face=False, sentence="No face in this picture.")
    cameras = shown.engine.reading().cameras
    shown.engine.change(cameras=(cameras[0], lost))
    says(shown, "figcaption", "No face in this picture.")
    shown.engine.change(cameras=cameras)


@pytest.mark.parametrize(
    ("size", "move_mm"), [((1280, 800), 9.3), ((800, 1280), 7.5)], ids=["landscape", "portrait"]
)
def test_it_fits_a_tablet_and_reads_at_two_metres(shown, size, move_mm):
    """Capitals of 16 minutes of arc, as ISO 9241-303 asks for (from memory), are 9.3 mm at two metres.

    The move reaches that in landscape. The answers reach 10 minutes (5.8 mm), twice the finest that an eye of full
    acuity reads (5 minutes, from memory).
    """
    shown.engine.change(answers=TOO_HIGH)
    says(shown, "#move", "Lower the bar")
    shown.page.set_viewport_size({"width": size[0], "height": size[1]})
    try:
        holds(shown.page, "document.documentElement.scrollHeight <= innerHeight")
        shown.page.wait_for_timeout(300)
        read = "(s) => parseFloat(getComputedStyle(document.querySelector(s)).fontSize)"
        # Capitals are 0.73 of the type size in Debian's usual typeface (DejaVu Sans: 1493 of 2048 units).
        capitals_mm = [
            shown.page.evaluate(read, s) * 0.73 / PX_PER_MM for s in ("#move", "#framing .headline")
        ]
        assert capitals_mm[0] >= move_mm
        assert min(capitals_mm) >= 5.8
        assert shown.page.evaluate(CUT) == []
    finally:
        shown.page.set_viewport_size({"width": 1280, "height": 800})


@pytest.mark.parametrize("size", [(1280, 800), (800, 1280)], ids=["landscape", "portrait"])
def test_the_longest_words_there_are_stay_whole(shown, size):
    headline = max(HEADLINES.values(), key=len)
    answers = [
        dataclasses.replace(each, status="inconclusive", headline=headline, move=_ASK_FOR_JAW, number=-12.5)
        for each in TOO_HIGH
    ]
    answers[0] = dataclasses.replace(
        answers[0], move="Move the bar 9 mm down.", also=("Something before the face",) * 3
    )
    shown.engine.change(answers=tuple(answers))
    says(shown, "#light .headline", headline)
    shown.page.set_viewport_size({"width": size[0], "height": size[1]})
    try:
        until(lambda: shown.page.evaluate(CUT) == [], "the answers' words are whole")
        shown.page.keyboard.press("b")
        says(shown, "#move", BOARD.wanted_sentence)
        shown.engine.change(
            board=dataclasses.replace(BOARD, wanted_sentence=LONG_WANTED, sentence=LONG_STATE)
        )
        says(shown, "#move", LONG_WANTED)
        until(lambda: shown.page.evaluate(CUT) == [], "the board's words are whole")
    finally:
        shown.page.set_viewport_size({"width": 1280, "height": 800})


def test_keeping_is_asked_for_said_and_listed(shown):
    says(shown, "#keeping", "No pictures are being kept")
    assert "keep" not in shown.engine.asked
    shown.page.tap("#keep")
    says(shown, "#keeping", "Keeping this moment")
    assert shown.page.locator("#keep").is_disabled()
    assert shown.engine.asked.count("keep") == 1
    shown.engine.kept()
    says(shown, "#keeping", "Kept before: 1")
    shown.page.click("#show-kept")
    link = shown.page.get_by_role("link", name="Report of moment-1")
    with shown.page.context.expect_page() as opened:
        link.click()
    assert opened.value.inner_text("h1") == "Moment 1"
    opened.value.close()


def test_what_cannot_be_kept_is_said_in_words(shown):
    shown.engine.refuses = ConfigError("kept: the disk is full.", hint="make room.")
    shown.page.click("#keep")
    says(shown, "#keeping", "kept: the disk is full. make room.")
    # The browser notes the refusal itself.
    shown.complaints[:] = [each for each in shown.complaints if "409" not in each]


def test_keys_do_what_their_buttons_do(shown):
    page = shown.page
    shown.engine.no_map = True
    page.keyboard.press("f")
    assert page.get_attribute("#focus-map", "aria-pressed") == "true"
    says(shown, "figcaption", "No focus map yet.")
    assert not page.locator(".picture canvas:nth-of-type(2)").first.is_visible()
    shown.engine.no_map = False
    says(shown, "figcaption", "Focus map")
    holds(page, "document.querySelectorAll('.picture canvas')[1].width === 384")
    page.keyboard.press("l")
    assert page.get_attribute("#focus-map", "aria-pressed") == "false"
    assert page.get_attribute("#light-map", "aria-pressed") == "true"
    holds(page, "document.querySelector('.picture canvas:nth-of-type(2)').checkVisibility()")
    page.keyboard.press("l")
    assert {"focus map 0", "light map 1"} <= set(shown.engine.asked)
    page.keyboard.press("k")
    says(shown, "#keeping", "Keeping this moment")
    page.keyboard.press("?")
    says(shown, "#keys", "keep this moment")
    page.uncheck("#letters")
    page.keyboard.press("Escape")
    page.keyboard.press("f")
    assert page.get_attribute("#focus-map", "aria-pressed") == "false"
    page.click("#show-keys")
    page.check("#letters")


def test_tab_reaches_everything_and_shows_where_it_is(shown):
    shown.page.evaluate("document.body.tabIndex = -1; document.body.focus()")
    reached = []
    for _ in range(12):
        shown.page.keyboard.press("Tab")
        reached.append(
            shown.page.evaluate(
                "document.activeElement.id || document.activeElement.getAttribute('aria-label')"
            )
        )
        if reached[-1] == "keep":
            outline = shown.page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
            assert outline == "4px"
    first = shown.engine.reading().cameras[0].crosses[0].name
    assert reached[:3] == [first, first, "keep"]
    assert {"focus-map", "light-map", "board-mode", "bright", "show-kept", "show-keys"} <= set(reached)


def test_points_tell_their_names_by_keyboard_and_by_touch(shown):
    names = [each.name for each in shown.engine.reading().cameras[0].crosses]
    shown.page.locator(".cross").first.focus()
    shown.page.keyboard.press("ArrowRight")
    texts = "[...document.querySelectorAll('.cross text')]"
    visible = f"{texts}.filter((t) => getComputedStyle(t).visibility === 'visible')"
    assert shown.page.evaluate(f"{visible}.map((t) => t.textContent)") == [names[1]]
    chin = shown.page.get_by_role("img", name="chin", exact=True).nth(1).bounding_box()
    shown.page.touchscreen.tap(chin["x"] + 12, chin["y"] + 12)
    assert shown.page.evaluate(f"{visible}.map((t) => t.textContent)") == ["chin"]


def test_a_stalled_source_is_said_and_comes_back(shown):
    shown.engine.source(1, "stalled", "Camera 2: no picture for 3 s. Check its cable.")
    says(shown, ".trouble", "Check its cable.")
    assert shown.page.locator(".camera.still").count() == 1
    shown.engine.source(1, "running")
    holds(shown.page, "!document.querySelector('.still')")
    assert not shown.page.locator(".trouble").nth(1).is_visible()


def test_a_picture_that_stands_still_never_looks_alive(shown):
    """Planted: the engine believes that the source runs, and no picture comes."""
    shown.engine.frozen.add(0)
    says(shown, ".trouble", "Old picture")
    assert shown.page.locator(".camera.still figcaption").inner_text().strip() == "1: upper"


def test_the_board_mode_shows_where_to_hold_it(shown):
    shown.page.keyboard.press("b")
    says(shown, "#move", BOARD.wanted_sentence)
    says(shown, "#board", "This view adds 8 %")
    says(shown, "#board-numbers", "45 %")
    assert shown.page.locator(".wanted .mark").count() == 2
    assert shown.page.locator(".covered rect").count() == 2 * 9
    assert not shown.page.locator("#answers").is_visible()
    shown.page.click("#calibrate")
    shown.page.keyboard.press("b")
    says(shown, "#framing", "Pass")
    assert shown.engine.asked == ["mode board", "calibrate", "mode face"]


def test_safety_is_always_said_and_rest_stands_out(shown):
    says(shown, "footer", "Pain, numbness or dizziness: stop and take the helmet off.")
    says(shown, "footer", "Local rules, the production's safety lead and licensed clinicians decide")
    says(shown, "#worn", "Worn: 12 min")
    sentences = ("Worn: 31 min.", "Time for a rest.", "The head carries 620 g.")
    shown.engine.change(safety=SafetyLine(sentences=sentences, rest_due=True))
    says(shown, "#worn.rest", "Time for a rest.")
    says(shown, "#mind", "The head carries 620 g.")


def test_everything_has_a_name(shown):
    """axe-core's rules; planted: a button whose words are taken away."""
    assert violations(shown.page) == {}
    shown.page.keyboard.press("p")
    shown.page.keyboard.press("b")
    says(shown, "#board", "This view adds")
    assert violations(shown.page) == {}
    shown.page.keyboard.press("p")
    shown.page.click("#show-keys")
    assert violations(shown.page) == {}
    shown.page.keyboard.press("Escape")
    words = shown.page.inner_text("#bright")
    shown.page.evaluate("document.getElementById('bright').textContent = ''")
    assert "button-name" in violations(shown.page)
    shown.page.evaluate("(words) => { document.getElementById('bright').innerText = words; }", words)


def test_it_recovers_by_itself_when_the_server_goes_and_comes_back(browser, tmp_path):
    with FakeEngine(rate=10.0, out=tmp_path, cameras=1) as engine:
        with LiveServer(engine, port=0, out=tmp_path) as server:
            page = browser.new_page()
            page.goto(server.addresses[0])
            holds(page, "document.querySelector('#framing.pass')")
            page.evaluate("window.same = true")
        holds(page, "document.querySelector('#line.lost')")
        assert "No connection" in page.inner_text("#next")
        assert "Old picture" in page.inner_text(".trouble")
        engine.change(answers=TOO_HIGH)
        with LiveServer(engine, port=server.port, out=tmp_path):
            holds(page, "document.querySelector('#framing.fail') && !document.querySelector('#line.lost')")
            holds(page, "!document.querySelector('.still')")
            assert page.evaluate("window.same")
            page.close()


def test_on_the_network_a_code_is_asked_for_once(browser, tmp_path):
    said = []
    with (
        FakeEngine(rate=5.0, out=tmp_path, cameras=1) as engine,
        LiveServer(engine, port=0, out=tmp_path, lan=True, say=said.append) as server,
    ):
        context = browser.new_context()
        page = context.new_page()
        page.goto(server.addresses[0])
        assert violations(page) == {}
        page.fill("#code", "AAAA-AAAA")
        page.keyboard.press("Enter")
        holds(page, "document.querySelector('#said')?.innerText.includes('4 tries')")
        page.fill("#code", said[-1].rpartition(" ")[2].lower())
        page.keyboard.press("Enter")
        holds(page, "document.querySelector('#framing.pass')")
        (cookie,) = context.cookies()
        assert cookie["httpOnly"]
        assert cookie["sameSite"] == "Strict"
        page.reload()
        holds(page, "document.querySelector('#framing.pass')")
        # The program is started anew: the page is asked for a new code, by itself.
        context.clear_cookies()
        server._stopping.set()
        holds(page, "document.querySelector('#code')")
        context.close()


def test_the_browser_complained_of_nothing_and_asked_nobody_else(shown):
    """Over all tests above in the shared page. Planted last: a call outside is stopped by the page's own policy."""
    assert shown.complaints == []
    assert shown.asked
    assert {re.match(r"http://127\.0\.0\.1:(\d+)/", each)[1] for each in shown.asked} == {
        str(shown.server.port)
    }
    shown.page.evaluate("fetch('http://192.0.2.1/').catch(() => {})")
    shown.page.wait_for_timeout(100)
    assert any("Content Security Policy" in each for each in shown.complaints)
    shown.complaints.clear()
