"""Sharpness of regions and the plane of focus: white noise, blur of known width, rendered heads."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, uniform_filter1d
from skimage import data
from skimage.measure import blur_effect

from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.face.focus_moment import focus_moment
from rigcheck.face.focus_regions import FOCUS_REGIONS, region_masks
from rigcheck.face.focus_sharpness import noise_variance, region_sharpness
from rigcheck.face.focus_smear import smear_of
from rigcheck.face.focus_spectra import patch_spectra
from rigcheck.geometry.sfr import edge_sfr, mtf50
from rigcheck.model import FACE_POINTS, N_FACE_POINTS, FaceLandmarks, Frame, FrameRef
from rigcheck.opencv import cv2

WHOLE = {"all": np.ones((360, 360), dtype=bool)}


def _coded(values):
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


def _skin_like(rng, side=360):
    """Noise whose power falls with the frequency to the third power, 12 DN."""
    frequency = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.fftfreq(side)[None, :])
    frequency[0, 0] = np.inf
    field = np.fft.ifft2(np.fft.fft2(rng.standard_normal((side, side))) * frequency**-1.5).real
    return 110.0 + 12.0 * field / field.std()


def test_white_noise_has_its_variance_in_every_ring(rng):
    flat = _coded(100.0 + rng(1, 0).normal(0, 3.0, (500, 500)))
    spectra = patch_spectra(flat, rng(1, 1).uniform(20, 480, (600, 2)))
    expected = 9.0 + 1 / 12  # and rounding
    assert spectra.power.mean(axis=0) == pytest.approx(expected, rel=0.08)  # 600 overlapping patches
    seen = spectra.power.mean(axis=0) ** 2 / spectra.power.var(axis=0)
    assert np.median(seen / spectra.freedom) == pytest.approx(1.0, abs=0.25)
    assert noise_variance(spectra).mean() == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize("blur_px", [0.6, 1.0])
def test_a_known_blur_lowers_sharpness_as_its_transfer_says(rng, blur_px):
    """Gaussian identity: amplitude falls by exp(-2 (pi sigma f)²) (handbook, section 3)."""
    sharp = _skin_like(rng(2, 0))
    noise = [rng(2, 1, k).normal(0, 0.8, sharp.shape) for k in (0, 1)]
    before = region_sharpness(_coded(sharp + noise[0]), WHOLE)["all"]
    after = region_sharpness(_coded(gaussian_filter(sharp, blur_px) + noise[1]), WHOLE)["all"]
    kept = []
    for low, high in ((0.168, 0.319), (0.047, 0.138)):  # edges of the rings in the two bands
        f = np.linspace(low, high, 200)
        power = f**-3.0 * f  # rings hold more frequencies the wider they are
        kept.append((power * np.exp(-4 * (np.pi * blur_px * f) ** 2)).sum() / power.sum())
    expected = np.sqrt(kept[0] / kept[1])
    # Measured 5 and 15 % high: the sharp picture loses 6 % to its finest texture, counted as noise, the blurred
    # one reads 2 % high, and patches smear frequencies by 1/32 (4 %).
    assert after.value / before.value == pytest.approx(expected, rel=0.17)


def test_noise_and_contrast_do_not_make_sharpness(rng):
    sharp = _skin_like(rng(3, 0))
    found = []
    for k, (gain, noise_dn) in enumerate([(1.0, 0.5), (1.0, 2.0), (0.6, 0.5)]):
        noisy = 110 + gain * (sharp - 110) + rng(3, 1, k).normal(0, noise_dn, sharp.shape)
        found.append(region_sharpness(_coded(noisy), WHOLE)["all"])
    for other in found[1:]:
        # Within sigma and what counting the finest texture as noise costs.
        assert other.value == pytest.approx(found[0].value, rel=0.12)


def test_sigma_of_sharpness_is_its_spread(rng):
    ratios = []
    found = [region_sharpness(_coded(_skin_like(rng(4, k))), WHOLE)["all"] for k in range(24)]
    middle = np.mean([one.value for one in found])
    ratios = [(one.value - middle) / one.sigma for one in found]
    assert np.std(ratios, ddof=1) == pytest.approx(1.0, abs=0.45)  # three sigma of 24


def test_too_little_contrast_is_not_called_soft(rng):
    plain = _coded(110.0 + rng(5, 0).normal(0, 2.0, (360, 360)))
    found = region_sharpness(plain, WHOLE)["all"]
    assert found.value is None
    assert "contrast" in found.reason
    small = {"all": np.zeros((360, 360), dtype=bool)}
    assert region_sharpness(plain, small)["all"].value is None


def test_orders_as_an_outside_measure_of_blur(rng):
    """scikit-image's blur measure (Crete et al., 2007) orders the same pictures the same way."""
    sharp = _skin_like(rng(6, 0))
    pictures = [_coded(gaussian_filter(sharp, sigma) if sigma else sharp) for sigma in (0.0, 0.7, 1.2, 1.8)]
    ours = [region_sharpness(picture, WHOLE)["all"].value for picture in pictures]
    theirs = [blur_effect(picture) for picture in pictures]
    assert list(np.argsort(ours)) == list(np.argsort(theirs))[::-1]


@pytest.mark.parametrize("name", ["camera", "coins", "gravel"])
def test_orders_other_people_s_pictures_as_an_outside_measure_does(rng, name):
    """scikit-image's blur measure (Crete et al., 2007) on pictures that it carries, blurred by known widths."""
    picture = getattr(data, name)().astype(np.float64)
    whole = {"all": np.ones(picture.shape, dtype=bool)}
    blurred = [picture, *(gaussian_filter(picture, sigma) for sigma in (0.6, 1.0, 1.5, 2.2))]
    noisy = [_coded(each + rng(7, k).normal(0, 1.0, each.shape)) for k, each in enumerate(blurred)]
    ours = [region_sharpness(each, whole)["all"] for each in noisy]
    theirs = [blur_effect(each) for each in noisy]
    assert np.all(np.diff(theirs) > 0)
    assert np.all(np.diff([each.value for each in ours]) < -2 * np.array([each.sigma for each in ours[1:]]))


def test_noise_floor_is_that_of_the_usual_focus_operators(rng):
    """Floors on white noise: Laplacian 20, Sobel's two squares 24, Brenner 2 variances (handbook, section 3)."""
    flat = 100.0 + rng(8, 0).normal(0, 3.0, (500, 500))
    variance = noise_variance(patch_spectra(_coded(flat), rng(8, 1).uniform(20, 480, (600, 2)))).mean()
    brenner = ((flat[:, 2:] - flat[:, :-2]) ** 2).mean()
    sobel = (cv2.Sobel(flat, cv2.CV_64F, 1, 0) ** 2 + cv2.Sobel(flat, cv2.CV_64F, 0, 1) ** 2).mean()
    measured = [cv2.Laplacian(flat, cv2.CV_64F).var(), sobel, brenner]
    assert measured == pytest.approx(list(variance * np.array([20.0, 24.0, 2.0])), rel=0.1)


def _rendered(focused_at_mm):
    rig = head_rig(f_number=2.8)
    rig = replace(rig, lenses=tuple(replace(lens, focused_at_mm=focused_at_mm) for lens in rig.lenses))
    scene = FaceScene(
        rig=rig, performer=Performer(texture_seed=7), rig_from_head=head_pose(distance_mm=195.0)
    )
    return rig, render_face(scene, 0, rng=np.random.default_rng([71, 0]))


@pytest.fixture(scope="module", params=[180.0, 228.0])
def focused(request):
    return (request.param, *_rendered(request.param))


def _landmarks(picture):
    points = np.full((N_FACE_POINTS, 2), np.nan)
    for name, place in picture.truth.points_px.items():
        if name in FACE_POINTS:
            points[FACE_POINTS[name]] = place
    return FaceLandmarks(
        ref=FrameRef(camera="upper", frame_idx=0, origin="rendered"),
        image_size_px=(picture.image.shape[1], picture.image.shape[0]),
        points_px=points,
        sigma_px=np.where(np.isfinite(points[:, 0]), 1.0, np.inf),
        found_by="marked",
    )


def test_regions_lie_where_they_are_named(focused):
    _, _, picture = focused
    masks = region_masks(_landmarks(picture))
    assert set(masks) == set(FOCUS_REGIONS)
    labels = picture.truth.labels
    assert np.mean(labels[masks["eyes"]] == 3) > 0.12
    assert np.mean(labels[masks["lips"]] == 2) > 0.4
    for name in ("cheeks", "nose_tip", "sides"):
        assert np.mean(labels[masks[name]] == 1) > 0.9
    depth = picture.truth.depth_mm
    assert np.median(depth[masks["nose_tip"]]) < np.median(depth[masks["cheeks"]]) - 5
    assert np.median(depth[masks["cheeks"]]) < np.median(depth[masks["sides"]]) - 5


@pytest.mark.parametrize("shift_px", [(48, 32), (160, 0)])
def test_focus_is_the_same_wherever_the_face_lies_in_the_picture(focused, rng, shift_px):
    """By whole patches; only what the picture's edges cut off may differ."""
    _, _, picture = focused
    face, (height, width) = _landmarks(picture), picture.image.shape
    canvas = rng(9, 0).integers(0, 255, (height + 64, width + 192), dtype=np.uint8)
    canvas[shift_px[1] : shift_px[1] + height, shift_px[0] : shift_px[0] + width] = picture.image
    moved = replace(
        face, image_size_px=(canvas.shape[1], canvas.shape[0]), points_px=face.points_px + shift_px
    )
    here, there = (
        focus_moment(Frame(ref=each.ref, image=image), each)
        for each, image in ((face, picture.image), (moved, canvas))
    )
    assert here.smear.value is not None
    assert there.smear.value == pytest.approx(here.smear.value, rel=1e-4)  # single precision
    whole = region_sharpness(picture.image, region_masks(face))
    for name, region in here.regions.items():
        assert region.n == there.regions[name].n == whole[name].n
        assert region.value == pytest.approx(whole[name].value, rel=1e-6)
        assert there.regions[name].value == pytest.approx(region.value, rel=1e-4)


def test_places_of_two_regions_count_in_both(rng):
    """A region laid twice is itself twice, and takes nothing from a third."""
    picture = _coded(_skin_like(rng(10, 0)) + rng(10, 1).normal(0, 0.8, (360, 360)))
    left, right = np.zeros((2, 360, 360), dtype=bool)
    left[:, :200], right[:, 160:] = True, True
    found = region_sharpness(picture, {"left": left, "again": left, "right": right})
    assert found["left"] == found["again"]
    assert found["right"].n == region_sharpness(picture, {"right": right})["right"].n
    assert found["right"].value != found["left"].value


def test_no_regions_without_the_points_they_need(focused):
    _, _, picture = focused
    face = _landmarks(picture)
    points = face.points_px.copy()
    points[FACE_POINTS["chin"]] = np.nan
    assert region_masks(replace(face, points_px=points)) == {}


def test_motion_is_told_from_defocus_by_its_direction(rng):
    skin = _skin_like(rng(8, 0), side=420)
    places = np.stack(np.meshgrid(np.arange(20, 400, 24), np.arange(20, 400, 24)), axis=-1).reshape(-1, 2)
    noise = rng(8, 1).normal(0, 1.0, skin.shape)
    along = _coded(uniform_filter1d(skin, 5, axis=0) + noise)
    round_ = _coded(gaussian_filter(skin, 1.0) + noise)
    smear, toward = smear_of(along, places.astype(float))
    assert smear.value == pytest.approx(5.0, rel=0.2)  # log sinc² is taken to its first term
    assert abs(toward - 90.0) < 5.0  # down the picture
    assert smear_of(round_, places.astype(float))[0].value < 2.0  # still skin reads up to 2.4 px
    plain = _coded(100 + noise)
    assert smear_of(plain, places.astype(float))[0].value is None


def test_orders_as_the_mtf50_of_a_published_edge(outside_data):
    """The open slanted edge of `sfr_edge`, blurred by known amounts: e-SFR (ISO 12233) and sharpness fall together."""
    coded = np.fromfile(outside_data / "sfr_edge" / "Test_edge1.bmp", dtype=np.uint8)
    edge = cv2.cvtColor(cv2.imdecode(coded, cv2.IMREAD_COLOR), cv2.COLOR_BGR2GRAY).astype(float)
    ours, theirs = [], []
    for sigma in (0.0, 0.5, 0.8, 1.2):
        blurred = gaussian_filter(edge, sigma, mode="nearest")
        sfr = edge_sfr(blurred, order=5)
        theirs.append(float(mtf50(sfr.frequency_cy_px, sfr.response[None])[0]))
        masks = {"edge": np.ones(edge.shape, dtype=bool)}
        ours.append(region_sharpness(_coded(blurred), masks)["edge"].value)
    assert list(np.argsort(ours)) == list(np.argsort(theirs)) == [3, 2, 1, 0]
