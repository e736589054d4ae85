"""Corners followed quickly through motion: a few hundredths of a pixel, and none under a hand."""

import numpy as np
import pytest

from rigcheck.model import Observation, Rejection
from rigcheck.target import BoardDetector, following


def followed(shown, spec, ref, seed):
    seen = BoardDetector(spec).follow(shown.picture(np.random.default_rng([33, seed])), ref)
    assert isinstance(seen, Observation), getattr(seen, "sentence", seen)
    return seen, seen.corners_px - shown.corners_px[seen.corner_ids]


@pytest.mark.parametrize("kind", ["reference_board", "plain_board"])
def test_followed_corners_are_good_to_a_few_hundredths(kind, scene, ref, request):
    spec = request.getfixturevalue(kind)
    seen, error = followed(scene(spec, centre_mm=(5.0, 3.0, 230.0), motion_px=(3.0, 2.5)), spec, ref, 0)
    assert seen.n >= 0.9 * len(spec.corners_mm)
    rms = float(np.sqrt((error**2).mean()))
    assert rms < 2 * following.FOLLOWED_SIGMA_PX  # 0.046 (smeared by 4 px) and 0.018 px measured
    assert np.abs(error.mean(axis=0)).max() < 0.02  # px: a shift common to all would be read as time


def test_followed_corners_are_not_under_a_hand(reference_board, scene, ref):
    fingers = [(240 + 6 * t, 320 - 11 * t, 20.0) for t in range(14)]
    shown = scene(reference_board, fingers=tuple(fingers))
    seen, error = followed(shown, reference_board, ref, 1)
    assert 50 <= seen.n < 88
    assert np.quantile(np.linalg.norm(error, axis=1), 0.95) < 0.15  # px: neighbours refuse what a finger drew


def test_a_window_that_reaches_the_markers_is_worse(reference_board, scene, ref, monkeypatch):
    shown = scene(reference_board, centre_mm=(5.0, 3.0, 230.0))
    _, fair = followed(shown, reference_board, ref, 2)
    monkeypatch.setattr(following, "LEAST_HALF_PX", 14)
    monkeypatch.setattr(following, "MOST_HALF_PX", 14)
    _, wide = followed(shown, reference_board, ref, 2)
    assert np.sqrt((wide**2).mean()) > 1.5 * np.sqrt((fair**2).mean())


def test_nothing_is_followed_in_noise_or_a_tiny_picture(reference_board, ref):
    noise = np.random.default_rng([34]).integers(0, 256, (480, 640)).astype(np.uint8)
    detector = BoardDetector(reference_board)
    for image in (noise, np.full((8, 8), 90, dtype=np.uint8)):
        assert isinstance(detector.follow(image, ref), Rejection)
    with pytest.raises(ValueError, match="uint8"):
        detector.follow(noise.astype(np.float32), ref)
