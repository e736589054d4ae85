"""The page stands alone, says first what to do, and trusts no name it is given."""

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from rigcheck.model import Estimate, FrameRef, Provenance, Rejection
from rigcheck.report import calibration_page

# HTML Living Standard, 13.1.2: elements that have no end tag.
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


class Reader(HTMLParser):
    """Collects elements and attributes, and every start tag that was not closed by its own end tag."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.open, self.faults, self.text = [], [], [], []
        self.feed(text)
        self.close()
        self.faults += [f"{tag} never closed" for tag in self.open]

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"end of {tag} inside {self.open[-1:]}")
        if tag in self.open:
            while self.open.pop() != tag:
                pass

    def handle_data(self, data):
        self.text.append(data)

    def named(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]


def outside_addresses(page):
    """Everything in the page that would make a browser ask for something else."""
    found = []
    for tag, attrs in Reader(page).elements:
        for name, value in attrs.items():
            if name in {"href", "src", "xlink:href", "srcset", "action", "poster", "data"}:
                found += [] if (value or "").startswith(("#", "data:image/")) else [(tag, name, value)]
            found += [(tag, name, url) for url in re.findall(r"url\(([^)]*)\)", value or "") if url[0] != "#"]
    style = "".join(re.findall(r"<style.*?</style>", page, flags=re.DOTALL))
    return found + re.findall(r"@import|url\((?!#)|https?:", style)


def active_parts(page):
    """Everything in the page that could run."""
    reader = Reader(page)
    tags = [
        tag for tag, _ in reader.elements if tag in {"script", "iframe", "object", "embed", "form", "base"}
    ]
    return tags + [name for _, attrs in reader.elements for name in attrs if name.startswith("on")]


@pytest.fixture(scope="module")
def page(scenario):
    return calibration_page(scenario.report, scenario.run)


def test_elements_are_balanced(page):
    assert Reader(page).faults == []


def test_an_unbalanced_page_would_be_seen(page):
    assert Reader(page.replace("</table>", "", 1)).faults


def test_ids_are_unique_and_every_reference_has_its_target(page):
    reader = Reader(page)
    ids = Counter(attrs["id"] for _, attrs in reader.elements if "id" in attrs)
    assert [name for name, count in ids.items() if count > 1] == []
    wanted = {attrs["href"][1:] for _, attrs in reader.elements if attrs.get("href", "").startswith("#")}
    wanted |= set(re.findall(r"url\(#([^)]+)\)", page))
    wanted |= {attrs["aria-labelledby"] for _, attrs in reader.elements if "aria-labelledby" in attrs}
    assert wanted - set(ids) == set()


def test_nothing_is_fetched_from_outside(page):
    assert outside_addresses(page) == []
    for planted in ('<img src="https://a.invalid/x.png">', '<p style="background:url(//a.invalid)">'):
        assert outside_addresses(page.replace("<main>", "<main>" + planted))


def test_nothing_can_run(page):
    assert active_parts(page) == []
    assert active_parts(page.replace("<main>", '<main onclick="x()">'))


def test_the_policy_forbids_everything_but_inline_style_and_inline_pictures(page):
    policies = [
        attrs["content"]
        for attrs in Reader(page).named("meta")
        if attrs.get("http-equiv") == "Content-Security-Policy"
    ]
    assert len(policies) == 1
    rules = dict(rule.strip().split(" ", 1) for rule in policies[0].split(";"))
    assert rules.pop("default-src") == "'none'"
    assert rules == {
        "style-src": "'unsafe-inline'",
        "img-src": "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_every_check_and_every_action_is_there(page, scenario):
    text = "".join(Reader(page).text).replace("\u00a0", " ")
    for check in scenario.report.checks:
        assert f"{check.code} {check.title}" in text
        assert check.message in text
        assert check.action in text
        assert check.limit in text


def test_what_to_do_comes_first_and_the_most_harmful_before_the_rest(page, scenario):
    order = {check.status: page.index(check.action) for check in scenario.report.checks if check.action}
    assert order["fail"] < order["inconclusive"] < order["caution"] < page.index('<h2 id="checks">')
    assert page.index("Do not use this calibration.") < order["fail"]


def test_a_passed_calibration_says_what_may_be_relied_on(scenario):
    passed = tuple(replace(check, status="pass", action="") for check in scenario.report.checks)
    page = calibration_page(replace(scenario.report, verdict="pass", checks=passed), scenario.run)
    assert "What may be relied on, on the face" in page
    assert page.index("0.041 mm") < page.index('<h2 id="checks">')
    assert "Do this first" not in page


def test_structure_can_be_read_aloud(page):
    reader = Reader(page)
    assert reader.named("html") == [{"lang": "en"}]
    assert all("scope" in attrs for attrs in reader.named("th"))
    pictures = [attrs for _, attrs in reader.elements if attrs.get("role") == "img"]
    assert len(pictures) == 2 * 2 + 2 + 4, (
        "coverage and residuals a camera, two drawings of the face, four pictures"
    )
    assert all(attrs.get("aria-label") for attrs in pictures)
    levels = [int(tag[1]) for tag, _ in reader.elements if re.fullmatch("h[1-6]", tag)]
    assert levels.count(1) == 1
    assert max(np.diff(levels)) <= 1, "no level of heading is jumped over"


PAGE_TAGS = set(
    re.findall(
        r"\w+",
        "html head meta title style body header main footer nav section h1 h2 h3 p a b strong small span br "
        "ol ul li dl dt dd div table caption thead tbody tr th td figure figcaption code",
    )
)
DRAWING_TAGS = {"svg", "g", "path", "defs", "clippath", "use", "text", "pattern", "image", "rect"}
HOSTILE = ("<script>alert(1)</script>", "\"'><img src=x onerror=alert(1)>&amp;{{ 7*7 }}$x^2$ — 左カメラ")


@pytest.fixture(scope="module")
def hostile_page(scenario):
    run = scenario.build_run(names=HOSTILE)
    report = scenario.build_report(names=HOSTILE)
    bad = HOSTILE[1]
    report = replace(
        report,
        checks=tuple(
            replace(check, message=bad, action=bad, title=bad, limit=bad) for check in report.checks
        ),
        measurements={bad: Estimate(value=1.0, unit=bad), "other": Estimate(value=None, reason=bad)},
        limits=tuple(replace(limit, name=bad, source=bad, origin=bad, unit=bad) for limit in report.limits),
        rejected=(
            Rejection(ref=FrameRef(camera=bad, frame_idx=0, origin=f"{bad}.mov"), code=bad, sentence=bad),
        ),
        notes=(bad,),
        provenance=Provenance(
            created=bad, versions={bad: bad}, inputs_sha256={bad: bad}, options={bad: bad}, command=bad
        ),
    )
    return calibration_page(report, run)


def test_hostile_names_stay_text(hostile_page):
    reader = Reader(hostile_page)
    assert reader.faults == []
    assert active_parts(hostile_page) == []
    assert outside_addresses(hostile_page) == []
    assert "<script" not in hostile_page
    assert HOSTILE[1] in "".join(reader.text), "shown as given, not as something that Jinja2 worked out"
    labels = [attrs["aria-label"] for _, attrs in reader.elements if "aria-label" in attrs]
    assert sum(HOSTILE[0] in label for label in labels) >= 4, (
        "in alternative texts, too, of drawings and pictures"
    )
    assert {tag for tag, _ in reader.elements} <= PAGE_TAGS | DRAWING_TAGS


def test_names_without_escaping_would_be_seen(hostile_page):
    planted = hostile_page.replace("&lt;script&gt;", "<script>", 1).replace("&lt;/script&gt;", "</script>", 1)
    assert active_parts(planted)


def test_one_camera_has_no_stereo_part(scenario):
    run = scenario.build_run(names=("upper",))
    page = calibration_page(scenario.build_report(names=("upper",)), run)
    assert Reader(page).faults == []
    for word in ("Epipolar RMS", "Convergence", "Uncertainty on the face", "How lower stands"):
        assert word not in page


def test_one_camera_says_what_its_focal_length_does_to_depth(scenario):
    run = scenario.build_run(names=("upper",), with_pictures=False)
    found = {"upper.harm_depth_mm": Estimate(value=0.0301, unit="mm", n=24)}
    report = replace(scenario.build_report(names=("upper",)), measurements=found)
    page = calibration_page(report, run)
    assert "0.030 mm</b>" in page
    assert "0.030 mm</b>" not in calibration_page(replace(report, measurements={}), run)


def test_without_pictures_maps_or_evidence_the_page_still_stands(scenario):
    run = scenario.build_run(with_pictures=False)
    volume = replace(run.calibration.face_volume, depth_map_mm=None, map_x_mm=None, map_y_mm=None)
    run = replace(
        run,
        calibration=replace(run.calibration, face_volume=volume),
        coverage_maps={},
        leave_out_sigma={},
        model_scores=(),
        views=(),
        rejected=(),
        notes=(),
    )
    bare = replace(scenario.report, checks=(), limits=(), measurements={}, rejected=(), notes=())
    page = calibration_page(bare, run)
    assert Reader(page).faults == []
    for sentence in (
        "No check was run.",
        "No coverage was recorded.",
        "Nothing was left out.",
        "No limit was",
    ):
        assert sentence in page


def test_the_same_input_gives_the_same_page(scenario, page):
    assert calibration_page(scenario.build_report(), scenario.build_run()) == page


def test_the_page_stays_small_however_much_was_left_out(scenario, page):
    assert len(page.encode()) < 2_000_000, "bytes: opens at once from a mail or a stick"
    many = replace(scenario.report, rejected=scenario.report.rejected * 10)
    larger = calibration_page(many, scenario.run)
    assert len(larger) - len(page) < 200, "characters: only the counts grew"
    assert "22010 in all" in larger


def test_no_placeholder_reaches_the_reader(page):
    text = "".join(Reader(page).text)
    assert re.findall(r"\bNone\b|\bnan\b|\binf\b|Undefined|\{\{|\{%|<function", text) == []


def test_a_sigma_from_leaving_views_out_that_is_clearly_larger_is_named(page, scenario):
    assert "larger</td>" in page, "twist: 0.0019 against 0.0009 degrees"
    calm = replace(scenario.run, leave_out_sigma={"stereo.twist_deg": 0.0010})
    assert "larger</td>" not in calibration_page(scenario.report, calm)
