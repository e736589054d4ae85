"""What a glance makes of a picture: how sharp it is, by which moments are chosen."""

import cv2
import numpy as np
import pytest

from rigcheck.jobs.inspecting import glanced_observation
from rigcheck.model import Frame, FrameRef
from rigcheck.target import Glance
from rigcheck.target.markers import NO_MARKERS

CORNERS_PX = np.stack(
    np.meshgrid(np.arange(60.0, 260.0, 40.0), np.arange(60.0, 260.0, 40.0)), axis=-1
).reshape(-1, 2)


def softness_px(image):
    ref = FrameRef(camera="upper", frame_idx=0, origin="o")
    seen = Glance(
        corner_ids=np.arange(len(CORNERS_PX)), corners_px=CORNERS_PX, n_markers=9, markers=NO_MARKERS
    )
    return float(glanced_observation(seen, Frame(image=image, ref=ref)).sigma_px[0])


def squares():
    y, x = np.indices((320, 320)) // 40
    return np.where((x + y) % 2, 220, 30).astype(np.uint8)


def test_softness_is_contrast_over_the_steepest_slopes():
    image = cv2.GaussianBlur(squares(), (0, 0), 2.0)
    part = image[60:220:2, 60:220].astype(np.int16)
    expected = np.subtract(*np.percentile(part, (95, 5))) / np.percentile(np.abs(np.diff(part, axis=1)), 99)
    assert softness_px(image) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("kernel", [np.ones((1, 15)) / 15, cv2.getGaussianKernel(31, 4.0) @ np.ones((1, 1))])
def test_a_smeared_or_soft_picture_is_softer(kernel):
    sharp = cv2.GaussianBlur(squares(), (0, 0), 0.8)
    smeared = cv2.filter2D(sharp, -1, kernel if kernel.shape[0] == 1 else kernel @ kernel.T)
    assert softness_px(smeared) > 2.0 * softness_px(sharp)
