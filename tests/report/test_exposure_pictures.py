"""The map of blown and dark skin: where its marks lie, what it says, and that it stands on its own."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from exposure_study import case

from rigcheck.checks import Limits, effective_limits
from rigcheck.report.exposure_pictures import exposure_figures

LIMITS = Limits(effective_limits())


def figure_of(name: str, *, turn_deg: int = 0, shown: bool = True):
    one = case(name)
    upright = np.rot90(one.frame.image, k=-(turn_deg // 90))
    (figure,) = exposure_figures(
        one.run, LIMITS, {"a": np.ascontiguousarray(upright)} if shown else {}, {"a": turn_deg}
    )
    return one, figure


def filled(svg: str, kind: str) -> list[str]:
    return re.findall(rf'<path d="([^"]+)" fill="url\(#exposure0{kind}\)"', svg)


def test_blown_areas_are_outlined_where_they_are():
    one, figure = figure_of("oily")
    moment = one.run.camera("a").shown
    paths = filled(figure.svg, "blown")
    assert len(paths) == len(moment.highlights.on_skin)
    numbers = np.array(re.findall(r"[ML]([\d.]+) ([\d.]+)", paths[0]), dtype=float)
    rows, columns = np.nonzero(moment.highlights.on_skin[0].mask)
    corner = np.array(moment.highlights.on_skin[0].corner)
    step, low = moment.layout.step, np.array([moment.layout.x0, moment.layout.y0])
    margin = np.floor(low - 0.12 * moment.layout.eyes_px)
    width = float(re.search(r'viewBox="-1 -1 (\d+)', figure.svg)[1]) - 2
    margin_right = np.ceil(moment.layout.x1 - 1 + 0.12 * moment.layout.eyes_px) + 1
    scale = width / (margin_right - margin[0])
    centre = (np.array([columns.mean(), rows.mean()]) + corner + 0.5) * step + low - margin
    # 6 px: the middle of an outline is not the area's own.
    assert (numbers.min(axis=0) + numbers.max(axis=0)) / 2 == pytest.approx(scale * centre, abs=6)


def test_every_turn_draws_the_same_number_of_areas():
    assert {len(filled(figure_of("oily", turn_deg=turn)[1].svg, "blown")) for turn in (0, 90, 180, 270)} == {
        len(case("oily").run.camera("a").shown.highlights.on_skin)
    }


def test_dark_skin_is_lined_and_good_skin_is_not():
    assert filled(figure_of("dim")[1].svg, "dark")
    assert "Level lines" in figure_of("dim")[1].caption
    assert not filled(figure_of("usual")[1].svg, "dark")
    assert "No skin is blown. No skin is so dark" in figure_of("usual")[1].caption


def test_without_pictures_nothing_of_the_performer_is_shown():
    _, figure = figure_of("oily", shown=False)
    assert not figure.shown
    assert "data:" not in figure.svg
    assert filled(figure.svg, "blown")
    assert "not drawn" in figure.caption


def test_svg_stands_on_its_own():
    _, figure = figure_of("oily")
    root = ElementTree.fromstring(figure.svg)
    assert root.get("role") == "img"
    assert root.get("aria-label") == figure.description
    assert "script" not in figure.svg
    assert "style=" not in figure.svg
    assert not re.search(r'href="(?!data:image/jpeg;base64,)', figure.svg)


def test_marks_differ_by_shape_not_by_colour_alone():
    _, figure = figure_of("oily")
    assert re.search(r'id="exposure0blown"[^>]*><g[^>]*><circle', figure.svg)
    assert re.search(r'id="exposure0dark"[^>]*><path d="M0 [\d.]+H', figure.svg)
    assert "(1 " in figure.caption


def test_a_camera_without_a_judged_moment_has_no_figure():
    from rigcheck.face.exposure_light import light_curve
    from rigcheck.face.exposure_run import CameraExposed, exposure_run

    run = exposure_run([CameraExposed(name="a", curve=light_curve(None), moments=())])
    assert exposure_figures(run, LIMITS, {}) == ()
