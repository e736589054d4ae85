"""Moments of a take: a board held up to either camera is noticed, in the pictures looked at only."""

from fractions import Fraction

import numpy as np
import pytest
from audit_footage import write_take

from rigcheck.demo.encoding import ClipWriter
from rigcheck.jobs import audit_sampling
from rigcheck.jobs.audit_sampling import RUN, half_size, sample_take
from rigcheck.jobs.opening import open_footage_of
from rigcheck.model import BoardSpec
from rigcheck.opencv import cv2

BOARD = BoardSpec(name="b", kind="checkerboard", squares=(7, 10), square_mm=10.0)
MOMENTS = 12


def plain(k, camera):
    """A picture of soft blobs, another each time."""
    rng = np.random.default_rng([97, k, camera])
    blobs = cv2.GaussianBlur(rng.uniform(0, 255, (640, 480)), (0, 0), 9)
    return cv2.normalize(blobs, None, 40, 200, cv2.NORM_MINMAX).astype(np.uint8)


def with_board(k, camera):
    """The same with a checkerboard before it, seen at a slant."""
    squares = np.indices((10, 7)).sum(axis=0) % 2 * 190 + 30
    board = cv2.copyMakeBorder(
        np.kron(squares, np.ones((40, 40))), 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=220
    )
    corners = np.array([[0, 0], [360, 0], [360, 480], [0, 480]], np.float32)
    placed = np.array([[70, 90], [400, 120], [380, 560], [90, 540]], np.float32)
    turn = cv2.getPerspectiveTransform(corners, placed)
    size = (480, 640)
    front = cv2.warpPerspective(board, turn, size)
    covered = cv2.warpPerspective(np.ones_like(board), turn, size) > 0.99
    picture = np.where(covered, front, plain(k, camera))
    return cv2.GaussianBlur(picture, (0, 0), 0.8).astype(np.uint8)


@pytest.mark.parametrize(("camera", "shown"), [(0, 3), (1, 3), (1, 0)])
def test_a_board_held_up_to_either_camera_is_noticed(tmp_path, camera, shown):
    sides = [[plain(k, number) for k in range(MOMENTS)] for number in (0, 1)]
    for k in range(4, 4 + shown):
        sides[camera][k] = with_board(k, camera)
    folder = write_take(tmp_path / "take", sides)
    footage = open_footage_of(("upper", "lower"), str(folder / "upper"), str(folder / "lower"), None)
    samples = sample_take(footage, BOARD)
    assert samples.looked == MOMENTS
    # Cameras take turns: of three pictures in a row one or two fall to each.
    assert samples.boards in ((1, 2) if shown else (0,))


@pytest.mark.parametrize("kind", ["clip", "pictures"])
def test_each_moment_comes_with_the_pictures_behind_it(tmp_path, kind):
    count = 62 if kind == "clip" else 14  # a key picture every 10 in the clip, the last followed by one only
    noise = np.random.default_rng(98).integers(20, 230, (2, count, 128, 96)).astype(np.uint8)
    sides = [[cv2.GaussianBlur(picture, (0, 0), 2) for picture in side] for side in noise]
    if kind == "pictures":
        write_take(tmp_path, sides)
        paths = [tmp_path / name for name in ("upper", "lower")]
    else:
        paths = [tmp_path / f"{name}.mp4" for name in ("upper", "lower")]
        for path, side in zip(paths, sides, strict=True):
            with ClipWriter(path, size_px=(96, 128), frame_rate=Fraction(10)) as writer:
                for picture in side:
                    writer.add(picture)
    footage = open_footage_of(("upper", "lower"), *map(str, paths), None)
    samples = sample_take(footage, None)
    assert len(samples.positions) == len(samples.runs) == audit_sampling.MOMENTS
    held = list(footage.pairing.pairs())
    for place, run in zip(samples.positions, samples.runs, strict=True):
        wanted = held[place : place + RUN]
        assert bool(run) == (len(wanted) == RUN)  # where the take ends before, there is none
        for moment, pictures in zip(wanted, run, strict=False):
            for frame, picture in zip(moment, pictures, strict=True):
                np.testing.assert_array_equal(picture, half_size(frame.image))


@pytest.mark.parametrize(("sigma_px", "chosen"), [(2.0, 0), (4.0, 10)])
def test_the_first_of_a_group_is_taken_unless_another_is_clearly_sharper(tmp_path, sigma_px, chosen):
    """Key pictures at 0, 10 ... 60: two in the first group. Planted: the first of them soft."""
    noise = np.random.default_rng(99).integers(20, 230, (62, 128, 96)).astype(np.uint8)
    pictures = [cv2.GaussianBlur(one, (0, 0), sigma_px if k < 10 else 2) for k, one in enumerate(noise)]
    path = tmp_path / "upper.mp4"
    with ClipWriter(path, size_px=(96, 128), frame_rate=Fraction(10)) as writer:
        for picture in pictures:
            writer.add(picture)
    footage = open_footage_of(("upper",), str(path), None, None)
    assert sample_take(footage, None).positions[0] == chosen
