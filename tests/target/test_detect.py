"""Corners found in rendered pictures, against where they truly are."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.model import Observation, Rejection
from rigcheck.opencv import cv2
from rigcheck.target import BoardDetector, detect_board, windows
from rigcheck.target.layout import board_layout
from rigcheck.target.markers import agreement, find_markers, marker_detector

# The pictures behind these are rendered once and shared by one worker.
shares_pictures = pytest.mark.xdist_group("board_statistics")


def errors(seen, scene):
    """Found minus true, (N, 2) px."""
    assert isinstance(seen, Observation), getattr(seen, "sentence", seen)
    return seen.corners_px - scene.corners_px[seen.corner_ids]


def in_view(scene, border_px=4.0):
    corners, (w, h) = scene.corners_px, scene.lens.size_px
    return int(((corners > border_px) & (corners < np.array([w, h]) - 1 - border_px)).all(axis=1).sum())


def spread_of(ratios):
    """Standard deviation of error over sigma."""
    return float(np.sqrt(np.mean(np.concatenate([r.ravel() for r in ratios]) ** 2)))


@pytest.fixture(scope="module")
def many(reference_board, scene):
    """Errors, error/sigma and cornerSubPix's errors for two poses, three blurs and three noises."""
    detector, results = BoardDetector(reference_board), []
    poses = [{}, {"rotation_vector": (-0.45, 0.35, -1.2), "centre_mm": (-6.0, 5.0, 190.0)}]
    for k, pose in enumerate(poses):
        for blur_px in (0.5, 1.0, 1.6):
            shown = scene(reference_board, blur_px=blur_px, **pose)
            clean = shown.clean(np.random.default_rng([20, k]))
            for noise in (1.0, 2.0, 6.0):
                noisy = replace(shown, noise=noise)
                rng = np.random.default_rng([21, k, int(10 * blur_px), int(noise)])
                image = noisy.noisy(clean, rng)
                seen = detector.detect(image, None)
                error = errors(seen, noisy)
                start = (seen.corners_px - error + rng.uniform(-0.5, 0.5, error.shape)).astype(np.float32)
                stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-4)
                # Half window 3: the white margin before the markers is 3 to 5 px here.
                plain = cv2.cornerSubPix(image, np.ascontiguousarray(start), (3, 3), (-1, -1), stop)
                results.append(
                    {
                        "blur": blur_px,
                        "noise": noise,
                        "error": error,
                        "ratio": error / seen.sigma_px[:, None],
                        "plain": plain.reshape(-1, 2) - (seen.corners_px - error),
                        "blur_px": seen.blur_px,
                        "n": seen.n,
                    }
                )
    return results


def chosen(many, **wanted):
    return [r for r in many if all(r[key] == value for key, value in wanted.items())]


@shares_pictures
@pytest.mark.parametrize(("blur", "limit_px"), [(0.5, 0.033), (1.0, 0.037)])
def test_corner_error_is_below_the_published_one(many, blur, limit_px):
    # Handbook, table of corner localisation: 4 px per module, noise 2, contrast 200: 0.033 and 0.037 px per
    # axis for a common detector. Half of it is asked for; 0.006 and 0.012 px were measured.
    for result in chosen(many, blur=blur, noise=2.0):
        assert np.sqrt((result["error"] ** 2).mean()) < 0.5 * limit_px


@shares_pictures
def test_corner_error_is_below_that_of_the_plain_refinement(many):
    for result in many:
        ours, plain = (float(np.sqrt((result[key] ** 2).mean())) for key in ("error", "plain"))
        assert ours < 0.75 * plain  # measured: 0.1 to 0.6


@shares_pictures
def test_corners_are_not_biased(many):
    for blur in (0.5, 1.0):
        mean = np.concatenate([r["error"] for r in chosen(many, blur=blur)]).mean(axis=0)
        assert np.abs(mean).max() < 0.01  # px: asked for; 0.001 measured, and its own noise is 0.001
    every = np.concatenate([r["error"] for r in many]).mean(axis=0)
    assert np.abs(every).max() < 0.01


@shares_pictures
@pytest.mark.parametrize("noise", [1.0, 2.0, 6.0])
def test_sigma_is_honest(many, noise):
    for blur in (0.5, 1.0, 1.6):
        ratios = [r["ratio"] for r in chosen(many, blur=blur, noise=noise)]
        # 350 values have a spread of 0.04 of their own; at noise 1 and blur 1.6 px the markers' blur
        # is counted as noise and sigma is up to a third too large (0.72 measured, else 0.87 to 1.06).
        lowest = 0.65 if (blur, noise) == (1.6, 1.0) else 0.8
        assert lowest < spread_of(ratios) < 1.15
    assert max(np.abs(r["ratio"]).max() for r in many) < 5.0  # sigmas: 3170 Gaussian values reach 3.8


@shares_pictures
def test_a_wrong_sigma_would_be_seen(many):
    for noise in (1.0, 2.0, 6.0):
        halved = [2.0 * r["ratio"] for r in chosen(many, noise=noise)]
        assert spread_of(halved) > 1.15  # the check above, on a planted fault


@shares_pictures
def test_all_corners_are_found_and_blur_is_told(many):
    for result in many:
        assert result["n"] >= (88 if result["blur"] < 1.5 else 80)
    for blur in (0.5, 1.0):
        # The pixel's own aperture adds 1/12 px^2 to the lens's blur.
        expected = np.hypot(blur, np.sqrt(1 / 12))
        for result in chosen(many, blur=blur):
            assert result["blur_px"] == pytest.approx(expected, rel=0.05)  # markers near by at blur 1


def test_a_window_that_reaches_the_neighbours_is_worse(reference_board, scene, ref, monkeypatch):
    shown = scene(reference_board)
    image = shown.picture(np.random.default_rng([22]))
    good = np.abs(errors(detect_board(image, reference_board, ref), shown)).max()
    monkeypatch.setattr(windows, "ARM_SQUARES", 1.3)
    monkeypatch.setattr(windows, "ARM_PX", 60.0)
    spoilt = detect_board(image, reference_board, ref)
    assert good < 0.06  # px: five sigmas of 0.012
    assert isinstance(spoilt, Rejection) or np.abs(errors(spoilt, shown)).max() > 3 * good


HARD = {
    "barrel": {"distortion": (-0.45, 0.0, 0.0, 0.0, 0.0)},
    "wide": {"distortion": (-0.38, 0.12, 0.001, -0.001, -0.015), "focal_px": 420.0},
    "fisheye": {"distortion": (-0.02, 0.003, 0.0, 0.0), "focal_px": 315.0, "fisheye": True},
}


@pytest.mark.parametrize("kind", HARD)
@pytest.mark.parametrize("board", ["charuco", "checkerboard"])
def test_strong_distortion(kind, board, reference_board, plain_board, scene, lens, ref):
    spec = reference_board if board == "charuco" else plain_board
    distance_mm = {"barrel": 170.0, "wide": 92.0, "fisheye": 68.0}[kind]
    shown = scene(
        spec,
        lens=lens(**({"size_px": (540, 720), "focal_px": 710.0} | HARD[kind])),
        rotation_vector=(0.2, 0.2, 0.0),
        centre_mm=(0.0, 0.0, distance_mm),
    )
    seen = detect_board(shown.picture(np.random.default_rng([23])), spec, ref)
    error = errors(seen, shown)
    assert seen.n >= in_view(shown) - 2
    assert np.sqrt((error**2).mean()) < 0.015  # px: 0.006 to 0.009 measured
    assert np.abs(error.mean(axis=0)).max() < 0.01  # px: asked for
    # The planted fault: one homography over the whole board is off by far more than any corner here.
    whole, _ = cv2.findHomography(spec.corners_mm[seen.corner_ids, :2], seen.corners_px)
    flat = cv2.perspectiveTransform(spec.corners_mm[seen.corner_ids, None, :2], whole).reshape(-1, 2)
    assert np.abs(flat - seen.corners_px).max() > 1.0


def test_edges_bent_by_the_lens_do_not_pull_corners_inwards(reference_board, scene, lens, ref):
    shown = scene(
        reference_board,
        lens=lens(size_px=(540, 720), focal_px=420.0, distortion=(-0.38, 0.12, 0.0, 0.0, -0.015)),
        rotation_vector=(0.0, 0.0, 0.0),
        centre_mm=(0.0, 0.0, 88.0),
        noise=0.3,
    )
    image = shown.picture(np.random.default_rng([24]))
    detector = BoardDetector(reference_board)
    seen = detector.detect(image, ref)
    outwards = shown.corners_px[seen.corner_ids] - np.array(shown.lens.centre_px)
    radius = np.linalg.norm(outwards, axis=1)
    far = radius > 200
    pull = (errors(seen, shown) * outwards).sum(axis=1) / radius
    assert abs(pull[far].mean()) < 0.004  # px: 0.002 measured
    # The planted fault: straight edges.
    start = detector._starts(image, ref)
    straight = detector._corners.fitted(
        image, start, np.zeros((len(start.ids), 2)), np.full(len(start.ids), 0.75)
    )
    error = straight.fit.points_px - shown.corners_px[straight.ids]
    outwards = shown.corners_px[straight.ids] - np.array(shown.lens.centre_px)
    radius = np.linalg.norm(outwards, axis=1)
    bent = ((error * outwards).sum(axis=1) / radius)[radius > 200]
    assert abs(bent.mean()) > 0.006  # px: 0.008 measured


def test_part_of_the_board_in_view(reference_board, scene, ref):
    shown = scene(reference_board, centre_mm=(52.0, 48.0, 170.0))
    seen = detect_board(shown.picture(np.random.default_rng([25])), reference_board, ref)
    error = errors(seen, shown)
    assert 10 < in_view(shown) < 70
    assert seen.n >= in_view(shown) - 3
    assert np.abs(error).max() < 0.08  # px: cut windows have sigmas up to 0.02


def test_a_hand_over_the_board(reference_board, scene, ref):
    fingers = [(240 + 6 * t, 320 - 11 * t, 20.0) for t in range(14)] + [
        (300 + 4 * t, 420 + 11 * t, 18.0) for t in range(14)
    ]
    shown = scene(reference_board, fingers=tuple(fingers))
    seen = detect_board(shown.picture(np.random.default_rng([26])), reference_board, ref)
    error = errors(seen, shown)
    assert 55 <= seen.n < 88
    hidden = np.min([np.hypot(*(seen.corners_px - f[:2]).T) - f[2] for f in fingers], axis=0)
    assert hidden.min() > -1.0  # px: no corner is reported under a finger
    assert np.abs(error).max() < 0.06  # px: a window partly covered is not used; 0.015 measured


@pytest.mark.parametrize(
    ("changes", "limit_px"),
    [
        ({"black": 100.0, "white": 130.0}, 0.08),  # handbook: 0.12 px at 30 grey values; 0.04 measured
        ({"black": 60.0, "white": 72.0, "noise": 1.0}, 0.1),  # handbook: lost at 12; 0.05 measured
        ({"falloff": 0.6}, 0.015),
        ({"motion_px": (3.0, 2.5)}, 0.03),  # px: 0.01 measured
        ({"blur_px": 1.5, "noise": 4.0}, 0.077),  # handbook: 0.077 px at 6 px per module
    ],
    ids=["low contrast", "near infrared", "falloff", "motion", "defocus"],
)
def test_poor_pictures(changes, limit_px, reference_board, scene, ref):
    shown = scene(reference_board, **changes)
    seen = detect_board(shown.picture(np.random.default_rng([27])), reference_board, ref)
    error = errors(seen, shown)
    assert seen.n >= 80
    assert np.sqrt((error**2).mean()) < limit_px
    assert 0.7 < spread_of([error / seen.sigma_px[:, None]]) < 1.25  # 176 values spread by 0.05


@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270])
def test_a_checkerboard_is_numbered_the_same_however_it_is_held(turn_deg, plain_board, scene, ref):
    shown = scene(plain_board, rotation_vector=(0.0, 0.0, np.deg2rad(turn_deg)), centre_mm=(0.0, 0.0, 200.0))
    seen = detect_board(shown.picture(np.random.default_rng([28, turn_deg])), plain_board, ref)
    assert np.abs(errors(seen, shown)).max() < 0.05  # px: the wrong way round would be hundreds
    described = replace(plain_board, squares=plain_board.squares[::-1])
    again = detect_board(shown.picture(np.random.default_rng([28, turn_deg])), described, ref)
    # The same board, described by its other side: each corner keeps its place under another number.
    assert isinstance(again, Observation)


def test_misread_ids_do_not_yield_wrong_corners(reference_board, scene):
    shown = scene(reference_board)
    image = shown.picture(np.random.default_rng([29]))
    finder = marker_detector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100))
    markers = find_markers(finder, image)
    layout = board_layout(reference_board)
    assert agreement(markers, layout).members.all()
    ids = markers.ids.copy()
    ids[[3, 20, 41]] = [ids[20], (ids[20] + 25) % 54, 77]
    wrong = agreement(replace(markers, ids=ids), layout)
    assert wrong.sound
    assert not wrong.members[[3, 20, 41]].any()
    assert wrong.members.sum() >= 50  # one more may share a doubled id
    assert wrong.against <= 2


def test_rejections_say_what_was_found_and_needed(reference_board, plain_board, ref):
    empty = np.full((480, 640), 128, dtype=np.uint8)
    for spec, words in (
        (reference_board, "0 markers of DICT_4X4_100"),
        (plain_board, "no checkerboard with 7 x 10"),
    ):
        nothing = detect_board(empty, spec, ref)
        assert isinstance(nothing, Rejection)
        assert nothing.code == "no_board"
        assert words in nothing.sentence
        assert ref.origin in nothing.sentence
    tiny = detect_board(empty[:1, :1].copy(), reference_board, ref)
    assert isinstance(tiny, Rejection)
    assert "1 x 1 px" in tiny.sentence
    with pytest.raises(ValueError, match="uint8"):
        detect_board(np.zeros((100, 100, 3), dtype=np.uint8), reference_board, ref)


def test_too_few_corners(reference_board, scene, ref):
    shown = scene(reference_board, centre_mm=(80.0, 95.0, 170.0))
    seen = detect_board(shown.picture(np.random.default_rng([30])), reference_board, ref)
    assert isinstance(seen, Rejection)
    assert seen.code in ("few_corners", "no_board")
    assert "needed" in seen.sentence


@pytest.mark.parametrize("case", range(4))
def test_noise_is_not_a_board(case, reference_board, ref):
    rng = np.random.default_rng([31, case])
    image = rng.integers(0, 256, (480, 640)).astype(np.uint8)
    if case % 2:
        image = cv2.normalize(cv2.GaussianBlur(image, (0, 0), 2.5), None, 0, 255, cv2.NORM_MINMAX)
    assert isinstance(detect_board(image, reference_board, ref), Rejection)


def test_glance_agrees_with_the_detection(reference_board, plain_board, scene, lens, ref):
    for spec, distance_mm in ((reference_board, 230.0), (plain_board, 230.0)):
        shown = scene(spec, lens=lens(), centre_mm=(5.0, 3.0, distance_mm))
        image = shown.picture(np.random.default_rng([32]))
        detector = BoardDetector(spec)
        glance = detector.glance(image)
        assert glance.n >= 0.9 * len(spec.corners_mm)
        off = np.linalg.norm(glance.corners_px - shown.corners_px[glance.corner_ids], axis=1)
        assert np.median(off) < 1.0  # px: half a pixel of the shrunken picture
        assert np.quantile(off, 0.9) < 3.0
        assert (glance.n_markers > 40) == (spec.kind == "charuco")
        again = detector.detect(image, ref, glanced=glance)
        np.testing.assert_array_equal(again.corners_px, detector.detect(image, ref).corners_px)
    assert detector.glance(np.zeros((1, 1), dtype=np.uint8)).n == 0
    assert detector.glance(np.full((1440, 1080), 90, dtype=np.uint8)).n == 0
