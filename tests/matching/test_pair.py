"""Matches on rendered heads against the true surface, and on an open stereo pair against its measured disparity."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rigcheck.errors import EstimationError, InputError
from rigcheck.geometry.pair import sampson_distance_px
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.matching import MaskedPair, PairMatcher, match_pair
from rigcheck.model import CameraModel, RigidTransform, StereoRig
from rigcheck.opencv import cv2


def _images(pair):
    return [picture.image for picture in pair.pictures]


@pytest.fixture(scope="module", params=["head_pair", "turned_pair"])
def matched(request):
    pair = request.getfixturevalue(request.param)
    mask1, mask2 = pair.masks
    return pair, match_pair(*_images(pair), rig=pair.rig.stereo, mask1=mask1, mask2=mask2)


def test_matches_are_on_the_true_places(matched):
    pair, found = matched
    assert found.n > 150
    error = found.points2_px - pair.true_px(found.points1_px)
    wrong = ~(np.linalg.norm(error, axis=1) < 1.0)
    # Gross errors left after every test: hidden places, and patches over lid and eyeball, which are two surfaces.
    assert wrong.mean() < 0.06
    _, across = pair.epipolar_axes(found.points1_px)
    off = (error * across).sum(axis=1)[~wrong]
    sigma = np.sqrt(np.einsum("ni,nij,nj->n", across, found.covariance_px2, across))[~wrong]
    # Off the epipolar line nothing but noise and highlights acts; robust spread, as outliers were counted above.
    assert abs(np.median(off)) < 0.03  # sigma of the median about 0.01
    assert 1.4826 * np.median(np.abs(off / sigma)) == pytest.approx(1.0, abs=0.25)


def test_masks_are_kept(matched):
    pair, found = matched
    for points, mask in zip((found.points1_px, found.points2_px), pair.masks, strict=True):
        x, y = np.rint(points).astype(int).T
        assert mask[y, x].all()


def test_a_moved_camera_shows_in_the_matches(head_pair):
    """The calibration only guides the search: matches are not pulled to the epipolar lines it draws."""
    true = head_pair.rig.stereo
    turn = Rotation.from_euler("y", 0.3, degrees=True).as_matrix()  # across, for a stacked pair
    moved = RigidTransform(
        rotation=turn @ true.camera2_from_camera1.rotation,
        translation_mm=turn @ true.camera2_from_camera1.translation_mm,
    )
    believed = replace(true, camera2_from_camera1=moved)
    mask1, mask2 = head_pair.masks
    found = match_pair(*_images(head_pair), rig=believed, mask1=mask1, mask2=mask2)
    assert found.n > 150
    error = found.points2_px - head_pair.true_px(found.points1_px)
    assert np.nanmedian(np.linalg.norm(error, axis=1)) < 0.25
    sampson = [
        sampson_distance_px(
            found.points1_px,
            found.points2_px,
            (intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
            (rig.camera1.model, rig.camera2.model),
            rotation=rig.camera2_from_camera1.rotation,
            translation=rig.camera2_from_camera1.translation_mm,
        )
        for rig in (true, believed)
    ]
    assert abs(np.median(sampson[0])) < 0.03
    assert abs(np.median(sampson[1])) > 2.0  # 0.3° of 1065 px focal length is 5.6 px in one picture


def test_points_of_the_face_guide_as_well_as_a_calibration(head_pair):
    first, second = (picture.truth for picture in head_pair.pictures)
    noise = np.random.default_rng([62, 0])
    known = tuple(
        (places := np.array([truth.points_px[name] for name in first.points_px]))
        + noise.normal(0, 3.0, places.shape)
        for truth in (first, second)
    )
    mask1, mask2 = head_pair.masks
    found = match_pair(*_images(head_pair), mask1=mask1, mask2=mask2, known_px=known)
    error = np.linalg.norm(found.points2_px - head_pair.true_px(found.points1_px), axis=1)
    assert found.n > 100
    assert (~(error < 1.0)).mean() < 0.08  # no epipolar test without a calibration


@pytest.mark.parametrize("name", ["head_pair", "turned_pair"])
def test_near_matches_say_how_far_the_skin_is(request, name):
    pair = request.getfixturevalue(name)
    first, second = (picture.truth for picture in pair.pictures)
    noise = np.random.default_rng([62, 1])
    known = tuple(
        (places := np.array([truth.points_px[name] for name in first.points_px]))
        + noise.normal(0, 3.0, places.shape)
        for truth in (first, second)
    )
    matcher = PairMatcher(pair.rig.stereo, wanted=40)
    found = matcher.match_near(*_images(pair), masks=pair.masks, known_px=known)
    assert found.n >= 20  # of 64 places tried
    assert (found.points1_px == np.rint(found.points1_px)).all()
    error = np.linalg.norm(found.points2_px - pair.true_px(found.points1_px), axis=1)
    assert (
        np.nanmedian(error) < 0.5
    )  # 0.25 mm of depth at 2 px/mm: a tenth of what a plane of focus is asked for
    assert (~(error < 2.0)).mean() < 0.1
    for points, mask in zip((found.points1_px, found.points2_px), pair.masks, strict=True):
        near = np.argwhere(mask)[::7][:, ::-1]
        away = (
            np.linalg.norm(points[:, None] - near[None], axis=2).min(axis=1) if len(points) else np.zeros(0)
        )
        assert (away < 6.0).all()  # each seventh pixel of the mask, and half a cell of the halved picture


def _moved_by(step, images, masks):
    rolled = [tuple(np.roll(each, step[::-1], axis=(0, 1)) for each in pair) for pair in (images, masks)]
    return MaskedPair(images=rolled[0], masks=rolled[1])


def test_moments_of_a_take_match_as_each_alone(head_pair):
    images, masks = _images(head_pair), head_pair.masks
    matcher = PairMatcher(head_pair.rig.stereo, wanted=110)
    alone = matcher.match(*images, mask1=masks[0], mask2=masks[1])
    still, moved = MaskedPair(images=tuple(images), masks=masks), _moved_by((6, -4), images, masks)
    # Nothing fits where one picture is turned over: the map found there leads the next moment astray.
    astray = MaskedPair(images=(images[0], np.ascontiguousarray(images[1][::-1, ::-1])), masks=masks)
    found = list(matcher.match_moments([still, moved, astray, still]))
    np.testing.assert_array_equal(found[0].points2_px, alone.points2_px)
    assert found[2].n < 0.3 * alone.n

    def wrong(one, step):
        error = one.points2_px - step - head_pair.true_px(one.points1_px - step)
        return (~(np.linalg.norm(error, axis=1) < 1.0)).mean()

    for one, step in ((found[1], (6, -4)), (found[3], (0, 0))):
        assert one.n > 0.8 * alone.n
        assert wrong(one, step) < wrong(alone, (0, 0)) + 0.03  # three or four of the 110


def test_near_matches_where_nothing_is_wanted_or_alike_are_none(head_pair):
    nothing = np.zeros_like(head_pair.masks[0])
    points = np.array([[100.0, 100.0], [500.0, 120.0], [130.0, 800.0], [600.0, 700.0]])
    matcher = PairMatcher(head_pair.rig.stereo, wanted=40)
    empty = matcher.match_near(*_images(head_pair), masks=(nothing, nothing), known_px=(points, points))
    assert empty.n == 0
    first, second = _images(head_pair)
    mirrored = np.ascontiguousarray(second[:, ::-1])
    unlike = matcher.match_near(first, mirrored, masks=head_pair.masks, known_px=(points, points))
    assert unlike.n < 8
    with pytest.raises(EstimationError, match="4 needed"):
        matcher.match_near(first, second, masks=head_pair.masks, known_px=(points[:3], points[:3]))


def test_the_pictures_alone_may_guide(head_pair):
    mask1, mask2 = head_pair.masks
    found = match_pair(*_images(head_pair), mask1=mask1, mask2=mask2)
    error = np.linalg.norm(found.points2_px - head_pair.true_px(found.points1_px), axis=1)
    assert found.n > 100
    assert (~(error < 1.0)).mean() < 0.08


def test_pictures_of_nothing_alike_are_refused(rng):
    noise = [rng(5, k).integers(0, 255, (240, 320)).astype(np.uint8) for k in (0, 1)]
    with pytest.raises(EstimationError, match="look alike"):
        match_pair(*noise)


def test_blank_pictures_match_nothing(head_pair):
    blank = np.full((1080, 810), 90, dtype=np.uint8)
    assert match_pair(blank, blank, rig=head_pair.rig.stereo).n == 0


def test_an_empty_mask_matches_nothing(head_pair):
    empty = np.zeros((1080, 810), dtype=bool)
    assert match_pair(*_images(head_pair), rig=head_pair.rig.stereo, mask1=empty).n == 0


def test_another_moment_matches_far_less(head_pair, turned_pair):
    """Planted fault: another person in the second picture."""
    mask1, _ = head_pair.masks
    other = np.rot90(turned_pair.pictures[1].image, 1)
    found = match_pair(
        head_pair.pictures[0].image, np.ascontiguousarray(other), rig=head_pair.rig.stereo, mask1=mask1
    )
    assert found.n < 30


def test_inputs_are_not_changed_and_sizes_are_checked(head_pair):
    first, second = (image.copy() for image in _images(head_pair))
    matcher = PairMatcher(head_pair.rig.stereo)
    one = matcher.match(first, second)
    two = matcher.match(first, second)
    assert (one.points2_px == two.points2_px).all()
    assert all((a == b).all() for a, b in zip((first, second), _images(head_pair), strict=True))
    with pytest.raises(InputError, match="810 × 1080 px needed by the calibration"):
        matcher.match(first[:-2], second)
    with pytest.raises(InputError, match="mask"):
        matcher.match(first, second, mask1=np.ones((10, 10), dtype=bool))


def test_sixteen_bit_pictures_match_alike(head_pair):
    mask1, mask2 = head_pair.masks
    deep = [image.astype(np.uint16) * 4 for image in _images(head_pair)]
    rig = head_pair.rig.stereo
    found = match_pair(*deep, rig=rig, mask1=mask1, mask2=mask2)
    eight = match_pair(*_images(head_pair), rig=rig, mask1=mask1, mask2=mask2)
    assert found.n == pytest.approx(eight.n, rel=0.1)
    assert np.median(found.sigma_px) == pytest.approx(np.median(eight.sigma_px), rel=0.1)


def test_open_stereo_pair(outside_data):
    """Motorcycle, quarter size: Scharstein et al., GCPR 2014, with the published calibration and disparity."""
    folder = outside_data / "rectified_pair"
    read = [
        cv2.imdecode(np.fromfile(folder / f"motorcycle_{side}.png", dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
        for side in ("left", "right")
    ]
    truth = np.load(folder / "motorcycle_disp.npz")["arr_0"]
    size = (read[0].shape[1], read[0].shape[0])
    cameras = [
        CameraModel(
            name=name,
            image_size_px=size,
            model="brown",
            focal_px=(994.978, 994.978),
            principal_point_px=(cx, 254.877),
        )
        for name, cx in (("one", 311.193), ("two", 311.193 + 31.086))
    ]
    rig = StereoRig(
        camera1=cameras[0],
        camera2=cameras[1],
        camera2_from_camera1=RigidTransform(
            rotation=np.eye(3), translation_mm=np.array([-193.001, 0.0, 0.0])
        ),
    )
    found = PairMatcher(rig, nearest_mm=1900.0, farthest_mm=5500.0).match(*read)
    x, y = found.points1_px.astype(int).T
    disparity = found.points1_px[:, 0] - found.points2_px[:, 0]
    known = np.isfinite(truth[y, x]) & (truth[y, x] > 0)
    error = (disparity - truth[y, x])[known]
    assert found.n > 100
    # SIFT: 9.2 %; patches reach over depth edges, of which this scene is full (measured 15 %) and a face is not.
    assert np.mean(np.abs(error) > 1.0) < 0.20
    assert np.median(np.abs(error)) < 0.15  # SIFT: 0.148 px
    rows = found.points1_px[:, 1] - found.points2_px[:, 1]
    assert abs(np.median(rows) - 0.057) < 0.06  # SIFT's median row difference 0.057 px, spread 0.10
    assert 1.4826 * np.median(np.abs(rows - np.median(rows))) < 0.15
