"""The views to film next are drawn near the top, with their words, only when a check asks for more."""

import re
from dataclasses import replace

import numpy as np
import pytest

from rigcheck.checks.filming import filming_advice
from rigcheck.checks.limits import Limits, effective_limits
from rigcheck.model import Estimate, RigidTransform, WantedView
from rigcheck.report import calibration_page
from rigcheck.report.wanted_views import wanted_parts

WORDS = ("hold the board about 155 mm away, its left edge tilted", "hold the board about 240 mm away, flat")
SIZE = np.array([1080, 1440])


def outline(shift):
    corners = np.array([[300, 400], [700, 380], [720, 900], [310, 950]], dtype=float) + shift
    along = (np.arange(8) / 8)[None, :, None]
    return (corners[:, None] * (1 - along) + np.roll(corners, -1, axis=0)[:, None] * along).reshape(-1, 2)


def wanted(cameras=2, words=WORDS):
    pose = RigidTransform(rotation=np.eye(3), translation_mm=np.array([-40.0, -50.0, 200.0]))
    gains = ((0.31, 0.0521), (0.0521, 0.0404))
    return tuple(
        WantedView(
            camera1_from_board=pose,
            words=one,
            depth_before_mm=before,
            depth_after_mm=after,
            outlines_px=tuple(outline(40.0 * k) for k in range(cameras)),
        )
        for one, (before, after) in zip(words, gains, strict=True)
    )


@pytest.fixture(scope="module")
def asking(scenario):
    """A report whose first check fails, and a run that knows what to film."""
    checks = scenario.report.checks
    first = replace(checks[0], code="CAL01", status="fail", action="Film more.")
    return replace(scenario.report, checks=(first, *checks[1:])), replace(scenario.run, wanted_views=wanted())


@pytest.fixture(scope="module")
def page(asking):
    return calibration_page(*asking)


def drawings(page):
    section = page[page.index('<h2 id="next">') : page.index('<h2 id="checks">')]
    return re.findall(r"<svg.*?</svg>", section, flags=re.DOTALL)


def test_each_is_drawn_for_each_camera_before_the_checks(page):
    assert len(drawings(page)) == 4
    assert page.index('id="todo"') < page.index('<h2 id="next">') < page.index('<h2 id="checks">')
    assert '<a href="#next">' in page


def test_words_and_gain_stand_beside_the_drawing(page):
    for one in WORDS:
        assert one[1:] in page
    assert "0.310 to <b>0.052 mm</b>" in page
    assert "0.052 to <b>0.040 mm</b>" in page


def test_a_drawing_shows_the_outline_where_it_is(asking):
    # The outline's box against the frame's, in the SVG's own units: the same shares as in the picture.
    report, run = asking
    svg = str(wanted_parts(report.checks, run)[0].drawings[0].svg)
    paths = [
        np.array(re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", found), dtype=float)
        for found in re.findall(r' d="([^"]*)"', svg)
    ]
    filled = [path for path in paths if len(path) >= 32]
    assert filled
    frame = max((path for path in paths if len(path) in (4, 5)), key=lambda path: np.ptp(path, axis=0).prod())
    low, size = frame.min(0), np.ptp(frame, axis=0)
    shares = (filled[0] - low) / size
    expected = (outline(0.0) + 0.5) / SIZE
    np.testing.assert_allclose(shares.min(0), expected.min(0), atol=0.02)  # frames of a fraction of a point
    np.testing.assert_allclose(shares.max(0), expected.max(0), atol=0.02)


@pytest.mark.parametrize("status", ["caution", "fail", "inconclusive"])
@pytest.mark.parametrize("code", ["CAL01", "CAL06", "CAL07"])
def test_any_of_the_three_checks_asks_for_them(asking, code, status):
    report, run = asking
    one = replace(report.checks[0], code=code, status=status)
    assert len(wanted_parts((one,), run)) == 2
    assert wanted_parts((replace(one, status="pass"),), run) == ()
    assert wanted_parts((replace(one, code="CAL99"),), run) == ()
    assert len(wanted_parts((replace(one, code="CAL99", action=f"Film: {WORDS[0]}."),), run)) == 2


def test_nothing_is_drawn_when_all_is_well(asking):
    report, run = asking
    passed = tuple(replace(check, status="pass", action="") for check in report.checks)
    assert "Film these next" not in calibration_page(replace(report, checks=passed, verdict="pass"), run)


def test_nothing_is_drawn_when_there_is_nothing_to_gain(asking):
    report, run = asking
    assert "Film these next" not in calibration_page(report, replace(run, wanted_views=()))


def test_names_stay_text(scenario, asking):
    hostile = ("<script>alert(1)</script>", "\"'><img src=x onerror=alert(1)>")
    words = (f"hold the board in {hostile[0]}'s picture", f"hold it in {hostile[1]}'s")
    run = replace(scenario.build_run(names=hostile, with_pictures=False), wanted_views=wanted(words=words))
    page = calibration_page(asking[0], run)
    assert len(drawings(page)) == 4
    assert "<script" not in page
    assert "<img" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;&#39;s picture" in page


def test_one_camera_has_one_drawing_a_view(scenario, asking):
    run = scenario.build_run(names=("upper",), with_pictures=False)
    page = calibration_page(asking[0], replace(run, wanted_views=wanted(cameras=1)))
    assert len(drawings(page)) == 2
    assert "camera's picture as recorded" in page.replace("&#39;", "'")


def test_a_whole_checkerboard_is_asked_for(asking):
    report, run = asking
    board = replace(run.calibration.board, kind="checkerboard")
    plain = replace(run, calibration=replace(run.calibration, board=board))
    assert "must see the whole board" in calibration_page(report, plain)
    assert "at least a third of the board" in calibration_page(report, run)


def test_advice_names_the_first(asking):
    limits = Limits(effective_limits())
    advice = filming_advice(asking[1], limits)
    assert WORDS[0] in advice
    assert WORDS[1] not in advice
    assert "0.310 to 0.052 mm" in advice


def test_advice_without_wanted_views_stays_general(asking):
    run = replace(
        asking[1], wanted_views=(), measurements={"upper.tilt_spread_deg": Estimate(value=2.0, unit="deg")}
    )
    assert "tilted 30 to 45 degrees" in filming_advice(run, Limits(effective_limits()))
