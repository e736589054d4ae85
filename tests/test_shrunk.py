"""Pictures made smaller: each pixel the mean of those it covers, by way of halves or not."""

import numpy as np
import pytest

from rigcheck.opencv import cv2, shrunk


@pytest.mark.parametrize("shape", [(1440, 1080), (144, 96), (95, 63)])
def test_means_over_whole_blocks(shape):
    """Against numpy's means of blocks; each of three halvings rounds once more, by half a value and halves upwards."""
    picture = np.random.default_rng([106, *shape]).integers(0, 256, shape).astype(np.uint8)
    rows, columns = (side // 8 for side in shape)
    part = picture[: rows * 8, : columns * 8]
    small = shrunk(part, (columns, rows))
    true = part.reshape(rows, 8, columns, 8).mean(axis=(1, 3))
    assert small.shape == (rows, columns)
    assert np.abs(small - true).max() <= 1.5
    assert 0.0 < (small - true).mean() < 0.5  # an eighth each


def test_sides_that_cannot_be_halved_are_taken_at_once():
    picture = cv2.GaussianBlur(
        np.random.default_rng(107).integers(0, 256, (301, 203)).astype(np.uint8), (0, 0), 3
    )
    whole = cv2.resize(picture, (60, 90), interpolation=cv2.INTER_AREA)
    np.testing.assert_array_equal(shrunk(picture, (60, 90)), whole)
    np.testing.assert_array_equal(shrunk(picture, (203, 301)), picture)
