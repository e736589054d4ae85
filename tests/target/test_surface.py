"""Fingers, glare and faded ink planted on rendered boards are seen, and nothing on clean ones."""

from dataclasses import replace

import numpy as np
import pytest
from filmed import SENSOR, film, held_poses, painted
from synthetic import BOARD

from rigcheck.calibration.plate import plate_findings
from rigcheck.demo import Lamps, RenderOptions, board_in_space
from rigcheck.target.edges import edge_blurs
from rigcheck.target.surface import surface_look

OPTIONS = RenderOptions(blur_px=0.6, sensor=SENSOR, samples=2)
PLAIN = board_in_space(BOARD)


def lamps(glare_dn, power=60.0):
    at = np.array([[-46.0, -40.0, -6.0], [46.0, -40.0, -6.0], [-46.0, 34.0, -6.0], [46.0, 34.0, -6.0]])
    return replace(OPTIONS, lamps=Lamps(at_mm=at, paper_dn=158.0, glare_dn=glare_dn, glare_power=power))


def fingers(tone):
    """Three finger tips of this reflectance over the lower edge."""

    def paint(x, y, reflectance):
        for middle, top in ((20.0, 104.0), (38.0, 100.0), (56.0, 103.0)):
            away = np.where(y > top, np.abs(x - middle), np.hypot(x - middle, y - top))
            facing = np.sqrt(np.clip(1 - (away / 8.0) ** 2, 0, 1))
            reflectance = np.where(away < 8.0, tone * (0.35 + 0.65 * facing), reflectance)
        return reflectance

    return painted(PLAIN, paint)


def faded(x, y, reflectance):
    """Ink that gives back 0.35 for 0.80 of paper."""
    on_print = (x > -9) & (x < 90) & (y > -9) & (y < 117)
    return np.where(on_print, 0.35 + 0.45 * (reflectance - 0.045) / 0.755, reflectance)


def looks(board, options=OPTIONS, count=4):
    return [view.look for view in film(held_poses(1, count), options=options, board=board)]


def codes(found):
    return [finding.code for finding in plate_findings(found)]


@pytest.mark.parametrize(
    "options",
    [OPTIONS, lamps(9.0), replace(OPTIONS, even_paper_dn=45.0), replace(OPTIONS, blur_px=1.3)],
    ids=["even", "lamps", "dim", "soft"],
)
def test_clean_boards(options):
    found = looks(PLAIN, options)
    assert codes(found) == []
    assert all(look.visible.sum() > 40 for look in found)
    assert not any(look.covered.any() or look.glare.any() for look in found)


def test_ink_ratio_is_that_of_the_print():
    """Ink 0.045, paper 0.80 of the light, as the board is drawn; black level taken off."""
    for look in looks(PLAIN, count=2):
        assert look.ink_ratio == pytest.approx(0.045 / 0.80, abs=0.01)  # code values' steps
        assert look.linear


@pytest.mark.parametrize("tone", [0.4, 0.2, 0.08], ids=["light", "brown", "dark"])
def test_fingers_of_every_tone(tone):
    found = looks(fingers(tone))
    assert codes(found) == ["board_fingers"]
    assert "bottom edge" in plate_findings(found)[0].sentence
    assert all(look.covered[-2:].any() and not look.covered[:-3].any() for look in found)


@pytest.mark.parametrize(("glare_dn", "power"), [(300.0, 300.0), (200.0, 60.0)], ids=["small", "wide"])
def test_glare(glare_dn, power):
    assert codes(looks(PLAIN, lamps(glare_dn, power))) == ["board_glare"]


def test_fading_ink():
    assert codes(looks(painted(PLAIN, faded))) == ["board_fading"]


def test_once_is_no_habit():
    bad, good = looks(fingers(0.4), count=2), looks(PLAIN, count=4)
    assert codes([*bad, *good]) == []


def test_without_edges_nothing_is_judged():
    view = film(held_poses(1, 1))[0]
    none = edge_blurs(np.full_like(view.image, 90), view.observation, BOARD)
    look = surface_look(view.image, view.observation, BOARD, none)
    assert np.isnan(look.ink_ratio)
    assert not look.visible.any()
    assert plate_findings([look] * 5) == ()
