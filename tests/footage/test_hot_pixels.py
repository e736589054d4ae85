"""Hot pixels planted in rendered footage, through lossy coding; and what must not be taken for them."""

import numpy as np
import pytest
from planted_pixels import far_from, sensor, shown_by
from small_shoot import HEIGHT, WIDTH, clip_of, moments, seen

from rigcheck.footage import open_footage
from rigcheck.footage.hot_pixels import LEAST_PICTURES, MOST_HOT_PIXELS, MOST_PICTURES, HotPixelWatch
from rigcheck.opencv import cv2

SIZE = (WIDTH, HEIGHT)


@pytest.fixture(scope="module")
def pictures():
    """Twenty poses of the board by one camera."""
    return seen(moments(7, 20), seed=7)["upper"]


def look(pictures):
    watch = HotPixelWatch()
    for picture in pictures:
        watch.add(picture)
    return watch.look()


def decoded(path, pictures, **options):
    coding = {"crf": "23", "g": "5", "preset": "ultrafast"} | options
    clip = open_footage(str(clip_of(path, pictures, options=coding)), camera="upper")
    return [frame.grey8() for frame in clip.frames()]


# What coding swallows is not found: the coarser, the more; places that are known are asked for less.
@pytest.mark.parametrize(("quality", "found_share", "lit_share"), [("18", 0.75, 0.85), ("28", 0.35, 0.45)])
def test_planted_ones_are_found_through_lossy_coding(pictures, tmp_path, quality, found_share, lit_share):
    """Four pictures of five are predicted from others."""
    planted = sensor(1, 40, SIZE)
    found = look(decoded(tmp_path / "clip.mp4", shown_by(pictures, planted), crf=quality))
    tell = found.telling[planted[0][:, 1], planted[0][:, 0]]
    assert far_from(found.hot_pixels_px, planted) == 0
    assert len(found.hot_pixels_px) >= found_share * tell.sum()
    assert tell.sum() >= 10
    lit = found.marked[planted[0][:, 1], planted[0][:, 0]] & tell
    assert lit.sum() >= lit_share * tell.sum()
    assert found.chance < 0.005


def test_without_any_none_is_found(pictures, tmp_path):
    found = look(decoded(tmp_path / "clip.mp4", pictures))
    assert found.telling_share > 0.2
    assert found.hot_pixels_px == ()


def test_fine_detail_of_a_fixed_background_is_none(pictures):
    """Grain of the wall, fixed to the camera and as fine as pixels, hidden by the board now and then."""
    wall = np.random.default_rng([82, 0]).normal(60, 12, pictures[0].shape).clip(0, 255).astype(np.uint8)
    hidden = [np.where(cv2.GaussianBlur(one, (0, 0), 9) > 60, one, wall) for one in pictures]
    assert len(look(hidden).hot_pixels_px) <= 1  # by chance, of 400,000 pixels


def test_a_still_picture_tells_nothing(pictures):
    planted = sensor(1, 40, SIZE)
    found = look(shown_by([pictures[0]] * 12, planted))
    assert found.telling_share == 0.0
    assert found.hot_pixels_px == ()


@pytest.mark.parametrize(("size", "stroke_px"), [(0.8, 1), (0.8, 2), (1.5, 3)])
def test_lettering_burnt_into_the_picture_is_none(pictures, size, stroke_px):
    def lettered(picture):
        out = picture.copy()
        for row in range(3):
            where = (120, 240 + 120 * row)
            cv2.putText(out, "01:02:03:04 TAKE 12", where, cv2.FONT_HERSHEY_SIMPLEX, size, 255, stroke_px)
        return out

    assert look([lettered(one) for one in pictures]).hot_pixels_px == ()


def test_soft_specks_of_dust_are_none(pictures):
    yy, xx = np.mgrid[:HEIGHT, :WIDTH]
    veil = np.ones((HEIGHT, WIDTH))
    for x, y in sensor(5, 12, SIZE)[0]:
        veil -= 0.4 * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * 3.0**2))
    assert look([(one * veil).astype(np.uint8) for one in pictures]).hot_pixels_px == ()


def test_few_pictures_say_nothing_and_many_are_enough(pictures):
    assert look(pictures[: LEAST_PICTURES - 1]) is None
    small = [one[:80, :80] for one in pictures]
    assert look(small * (MOST_PICTURES // len(small) + 2)).n_pictures == MOST_PICTURES


def test_the_strongest_are_kept(pictures):
    planted = sensor(3, 400, SIZE, low=60.0, high=120.0)
    found = look(shown_by(pictures, planted))
    assert len(found.hot_pixels_px) == MOST_HOT_PIXELS
    assert far_from(found.hot_pixels_px, planted) == 0
