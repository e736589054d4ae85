"""Light and colour of rendered faces: curves, hues and clipping against standards and another library."""

from dataclasses import replace

import numpy as np
import pytest
from skimage.color import lab2xyz, xyz2rgb

from rigcheck.demo import (
    LABELS,
    OILY_PLACES,
    FaceClip,
    FaceScene,
    HeadSensor,
    Hold,
    Performer,
    head_rig,
    neutral,
    render_face,
    usual_lamps,
    write_face_clips,
    write_face_pictures,
)
from rigcheck.demo.head_colour import LUMA, hues, linear_rgb_from_lab, skin_lab
from rigcheck.opencv import cv2

SMALL = (270, 360)
LABEL = {name: number for number, name in enumerate(LABELS)}
QUIET = HeadSensor(read_noise_dn=0.0, dn_per_electron=0.0)
# Luminance factors of measured facial skin, L* 26.7 to 70 (handbook 4, computed there from the published L*).
SKINS = {26.7: 0.050, 37.7: 0.099, 49.4: 0.179, 58.0: 0.260, 63.9: 0.327, 70.0: 0.41}


def shot(*, seed=0, camera_idx=0, **changes):
    scene = FaceScene(rig=head_rig(size_px=SMALL), sensor=QUIET, background_seed=None)
    return render_face(replace(scene, **changes), camera_idx, rng=np.random.default_rng([531, seed]))


def test_colours_are_those_of_another_library():
    """CIELAB to sRGB by scikit-image, its curve undone as IEC 61966-2-1 writes it."""
    rng = np.random.default_rng([530, 0])
    lab = np.column_stack([rng.uniform(25, 75, 200), rng.uniform(0, 14, 200), rng.uniform(5, 18, 200)])
    code = xyz2rgb(lab2xyz(lab))
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    # Both round the white and the matrix to four digits, not the same ones.
    np.testing.assert_allclose(linear_rgb_from_lab(lab), linear, atol=5e-4)


@pytest.mark.parametrize(("lightness", "luminance"), SKINS.items())
def test_skin_keeps_its_luminance_in_colour(lightness, luminance):
    lab = skin_lab(luminance)
    assert lab[0] == pytest.approx(lightness, abs=0.3)  # luminance factors are published to two digits
    hue = hues(luminance)
    np.testing.assert_allclose(hue @ LUMA, 1.0, atol=1e-6)
    red, green, blue = hue[LABEL["skin"]]
    assert red > green > blue  # every skin is a shade of orange
    np.testing.assert_allclose(hue[LABEL["background"]], 1.0)


def test_skins_span_the_published_classes():
    """Individual typology angle atan((L* − 50) / b*): from light (above 41) to dark (below −30) (handbook 4)."""
    labs = [skin_lab(luminance) for luminance in SKINS.values()]
    angles = [np.degrees(np.arctan2(lab[0] - 50, lab[2])) for lab in labs]
    assert angles == sorted(angles)
    assert angles[0] < -30
    assert angles[-1] > 41


def test_a_colour_picture_is_the_grey_one_in_colour():
    grey = shot()
    colour = shot(sensor=replace(QUIET, colour=True))
    assert colour.image.shape == (*grey.image.shape, 3)
    np.testing.assert_allclose(colour.truth.light, grey.truth.light, atol=2e-5)  # single precision
    skin = grey.truth.labels == LABEL["skin"]
    means = colour.image[skin].mean(axis=0)
    assert means[0] > means[1] > means[2]
    outside = grey.truth.labels == LABEL["background"]
    far = colour.image[outside].astype(int)
    assert np.percentile(np.ptp(far, axis=1), 90) <= 1  # grey but for the blur of the outline
    noisy = shot(sensor=HeadSensor(colour=True))
    away = noisy.image[skin].astype(float) - means - (colour.image[skin] - means)
    assert abs(np.corrcoef(away.T)[0, 1]) < 0.05  # each channel has its own noise


@pytest.mark.parametrize("transfer", ["linear", "srgb", "bt709"])
@pytest.mark.parametrize("value_range", ["full", "video"])
def test_clipped_channels_stand_at_the_highest_code(transfer, value_range):
    sensor = replace(
        QUIET, transfer=transfer, value_range=value_range, colour=True, channel_stops=(0.5, 0.0, -0.3)
    )
    picture = shot(sensor=sensor, exposure_stops=1.2, performer=Performer(oil=2.0))
    top = 255 if value_range == "full" else 235
    assert picture.image.max() == top
    assert picture.image.min() >= (0 if value_range == "full" else 16)
    unsure = (
        np.abs(picture.truth.light_rgb * sensor.gain - 1) < 0.01
    )  # the highest code begins half a code below
    assert ((picture.image == top) == picture.clipped)[~unsure].all()
    shares = picture.clipped.mean(axis=(0, 1))
    assert shares[0] > shares[1] > shares[2] > 0


def test_codes_of_video_range():
    """Black 16 and white 235 for 8 bits (ITU-R BT.709-6, section 5.9); 18 % is 0.4090 in between (handbook 4)."""
    sensor = replace(QUIET, transfer="bt709", value_range="video")
    light = np.array([[0.0, 0.18, 1.0, 4.0]], dtype=np.float32)
    codes = sensor.exposed(light, np.random.default_rng(0))[0]
    assert codes.tolist() == [16, round(16 + 219 * 0.4090), 235, 235]
    with pytest.raises(ValueError, match="value_range"):
        HeadSensor(value_range="legal")


@pytest.mark.parametrize("place", OILY_PLACES)
def test_oil_shines_where_it_is(place):
    calm, oily = (shot(performer=Performer(oily=parts)).truth for parts in ((), ((place, 4.0),)))
    more = oily.highlight - calm.highlight
    np.testing.assert_allclose(oily.sharp - calm.sharp, more, atol=1e-6)  # nothing but the highlight changes
    rows, columns = np.nonzero(more > 0.3 * more.max())
    x, y = np.average(columns, weights=more[rows, columns]), np.average(rows, weights=more[rows, columns])
    points = calm.points_px
    if place.startswith("cheek"):
        assert (x > points["subnasale"][0]) == (place == "cheek_left")
    else:
        assert abs(x - points["subnasale"][0]) < 12  # px: in the middle
    limits = {
        "forehead": (-np.inf, points["sellion"][1]),
        "nose": (points["sellion"][1], points["upper_lip_inner"][1]),
        "chin": (points["lower_lip_inner"][1], points["chin"][1] + 10),
    }
    above, below = limits.get(place, (points["iris_left"][1], points["mouth_corner_left"][1] + 10))
    assert above < y < below
    assert (more > 0.02 * more.max()).mean() < 0.2  # of the picture: elsewhere nothing changes
    with pytest.raises(ValueError, match="oily: 'ear' found"):
        Performer(oily=(("ear", 2.0),))


def test_lamps_on_one_side_are_turned_up_by_stops():
    even, bright = (shot(light=usual_lamps(left_stops=stops)).truth for stops in (0.0, 2.0))
    assert usual_lamps(left_stops=1.0).lamps[3].strength == pytest.approx(2 * usual_lamps().lamps[3].strength)
    assert usual_lamps(left_stops=1.0).lamps[0] == usual_lamps().lamps[0]
    skin = even.labels == LABEL["skin"]
    gained = np.log2(bright.fallen[skin] / even.fallen[skin])
    assert gained.min() >= 0  # 0 where a place is turned away from the lamps on the left
    assert gained.max() < 2.0
    across = np.nonzero(skin)[1]
    left = across > even.points_px["subnasale"][0] + 40
    right = across < even.points_px["subnasale"][0] - 40
    assert gained[left].mean() > gained[right].mean() + 0.4


def test_light_that_falls_does_not_depend_on_the_skin():
    light, dark = (shot(performer=Performer(skin_luminance=value)).truth for value in (0.41, 0.05))
    skin = light.labels == LABEL["skin"]
    np.testing.assert_allclose(light.fallen[skin], dark.fallen[skin], rtol=1e-5)
    matt = dark.sharp - dark.highlight
    assert np.median(matt[skin] / dark.fallen[skin]) == pytest.approx(0.05, rel=0.05)  # texture's skew
    np.testing.assert_allclose(light.highlight[skin], dark.highlight[skin], rtol=1e-4)


def test_colour_pictures_are_written_as_rendered(tmp_path):
    scene = FaceScene(rig=head_rig(size_px=SMALL), sensor=HeadSensor(colour=True))
    clip = FaceClip(scene=scene, script=(Hold(expression=neutral(), hold_s=0.1),))
    folder = write_face_pictures(tmp_path / "stills", clip, frames=range(1))[0]
    stored = np.frombuffer((folder / "frame_000000.png").read_bytes(), dtype=np.uint8)
    written = cv2.cvtColor(cv2.imdecode(stored, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
    np.testing.assert_array_equal(written, clip.render(0, 0).image)
    with pytest.raises(ValueError, match="clips are written in grey"):
        write_face_clips(tmp_path / "clips", clip)


def test_flicker_starts_at_its_phase():
    scene = FaceScene(rig=head_rig(size_px=SMALL))
    script = (Hold(expression=neutral(), hold_s=1.0),)
    clip = FaceClip(
        scene=scene,
        script=script,
        flicker_hz=100.0,
        flicker_share=0.3,
        flicker_phase_deg=90.0,
        shutter_s=0.005,
    )
    # Averaged over half a period: 2/π of the amplitude (elementary).
    assert clip.lamp_factor(0.0) == pytest.approx(1 + 0.3 * 2 / np.pi)
    assert clip.lamp_factor(0.005) == pytest.approx(1 - 0.3 * 2 / np.pi)
