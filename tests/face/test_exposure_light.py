"""What code values say: the curve of a rig file, and the ceiling that pictures show themselves."""

import numpy as np
import pytest

from rigcheck.face.exposure_light import ceiling_of, light_curve
from rigcheck.model import CameraDescription


def camera(**more) -> CameraDescription:
    return CameraDescription(**({"name": "a"} | more))


def test_linear_pictures_are_not_decoded_twice():
    curve = light_curve(camera(transfer="linear", black_level=4.0))
    assert curve.at(4) == 0.0
    assert curve.at(255) == pytest.approx(1.0)
    assert curve.at(129.5) == pytest.approx(0.5)  # halfway between 4 and 255


def test_video_range_and_full_range():
    """ITU-R BT.709-6, item 4.6: black 16, white 235 of 8 bit; times 4 in 10 bit."""
    video = light_curve(camera(transfer="bt709", value_range="video"))
    assert (video.at(16), video.at(235)) == pytest.approx((0.0, 1.0))
    ten = light_curve(camera(transfer="bt709", value_range="video"), bit_depth=10)
    assert (ten.black, ten.white, ten.at(940)) == pytest.approx((64.0, 940.0, 1.0))
    converted = light_curve(camera(transfer="bt709", value_range="video"), full_range=True)
    assert (converted.black, converted.white) == (0.0, 255.0)


@pytest.mark.parametrize(
    ("described", "says"),
    [
        (None, "no rig file"),
        (camera(), "states no transfer curve"),
        (camera(transfer="table:curve.yaml"), "was not read"),
    ],
)
def test_nothing_is_assumed_where_no_curve_is_stated(described, says):
    curve = light_curve(described)
    assert curve.light is None
    assert says in curve.unknown
    assert np.isnan(curve.at(100))


def test_table_is_used_and_checked():
    table = np.linspace(0, 1, 256) ** 2
    curve = light_curve(camera(transfer="table:curve.yaml"), table=table)
    assert curve.at(128) == pytest.approx(table[128])
    for wrong in (np.linspace(0, 1, 100), table[::-1], np.full(256, np.nan), np.ones(256)):
        with pytest.raises(ValueError, match="table"):
            light_curve(camera(transfer="table:curve.yaml"), table=wrong)


def test_black_level_that_was_not_stated_is_remembered():
    assert not light_curve(camera(transfer="linear")).black_stated
    assert light_curve(camera(transfer="linear", black_level=4.0)).black_stated
    assert light_curve(camera(transfer="srgb")).black_stated


def counts_of(values, bits: int = 8) -> np.ndarray:
    whole = np.clip(np.rint(values), 0, 2**bits - 1).astype(int)
    return np.bincount(whole, minlength=2**bits).astype(float)


def light_of_a_face(rng, top: float) -> np.ndarray:
    """Matt skin and a highlight whose light thins out towards `top`."""
    skin, shine = rng.normal(0.35 * top, 0.08 * top, 60000), rng.triangular(0.4 * top, 0.4 * top, top, 4000)
    return np.concatenate([skin, shine])


def test_ceiling_below_white_is_seen_as_a_pile_up(rng):
    """8-bit pictures clipped at 235, and at 200 with what lossy coding spreads."""
    curve = light_curve(camera(transfer="srgb"))
    values = light_of_a_face(rng(76, 0), 330.0)
    sharp = ceiling_of(counts_of(np.minimum(values, 235)), curve)
    assert (sharp.code, sharp.piled_up) == (235, True)
    coded = np.minimum(values, 200) + rng(76, 1).normal(0, 0.8, len(values)) * (values >= 200)
    spread = ceiling_of(counts_of(coded), curve)
    assert spread.piled_up
    assert 194 <= spread.code <= 199  # the pile's lower edge, two deviations down and a little


def test_light_that_thins_out_has_no_ceiling(rng):
    curve = light_curve(camera(transfer="linear", black_level=4.0))
    for k in range(20):
        values = light_of_a_face(rng(77, k), rng(78, k).uniform(60, 240))
        found = ceiling_of(counts_of(values), curve)
        assert (found.code, found.piled_up) == (254, False)


def test_ceiling_at_white_leaves_one_code_value():
    """Clipped from one code value below the highest on: common practice, handbook §4."""
    curve = light_curve(camera(transfer="linear", black_level=4.0))
    values = np.concatenate([np.full(3000, 90.0), np.full(500, 255.0)])
    assert ceiling_of(counts_of(values), curve).code == 254


def test_light_just_below_the_pile_is_not_clipped(rng):
    """Light that runs on past white: 254 holds as much of it as 253 does, until coding spills the pile into it."""
    curve = light_curve(camera(transfer="linear", black_level=4.0))
    light = rng(79, 0).uniform(150.0, 280.0, 40000)
    assert ceiling_of(counts_of(np.minimum(light, 255.0)), curve).code == 255
    spilled = np.where((light > 255) & (rng(79, 1).random(len(light)) < 0.3), 254.0, np.minimum(light, 255.0))
    assert ceiling_of(counts_of(spilled), curve).code == 254


def test_video_range_that_goes_beyond_white_clips_at_full_scale():
    curve = light_curve(camera(transfer="bt709", value_range="video"))
    within = np.concatenate([np.full(3000, 90.0), np.full(500, 235.0)])
    assert ceiling_of(counts_of(within), curve).code == 234
    beyond = np.concatenate([np.linspace(60, 240, 30000), np.full(500, 255.0)])
    assert ceiling_of(counts_of(beyond), curve).code == 254


def test_empty_histogram_is_no_pile_up():
    assert not ceiling_of(np.zeros(256), light_curve(None)).piled_up
