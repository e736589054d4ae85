"""Boards described as they are: none of a hundred is called wrong, and what stands beside one is named."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from synthetic import BOARD, board_poses, reference_rig, rodrigues

from rigcheck.demo import RenderOptions, Sensor, board_in_space, render_view
from rigcheck.model import BoardSpec, FrameRef, Observation, RigidTransform
from rigcheck.target import detect_board, diagnose_description

DICTIONARIES = (
    "DICT_4X4_100",
    "DICT_4X4_250",
    "DICT_5X5_100",
    "DICT_6X6_250",
    "DICT_7X7_100",
    "DICT_APRILTAG_36h11",
)
PLAIN = ((7, 10), (8, 11), (6, 9), (7, 8))  # those that do not look the same upside down


def described(rng, plain) -> BoardSpec:
    """A board about as large as a hand."""
    if plain:
        squares = PLAIN[int(rng.integers(len(PLAIN)))]
        return BoardSpec(name="plain", kind="checkerboard", squares=squares, square_mm=6.5)
    squares = int(rng.integers(5, 10)), int(rng.integers(5, 13))
    square_mm = 81 / max(squares[0], 0.75 * squares[1])
    return BoardSpec(
        name="marked",
        kind="charuco",
        squares=squares,
        square_mm=square_mm,
        marker_mm=square_mm * float(rng.uniform(0.6, 0.85)),
        dictionary=str(rng.choice(DICTIONARIES)),
        layout=str(rng.choice(["current", "before_4_6"])),
    )


def small_camera(width):
    """Camera 1 of the reference rig with fewer pixels."""
    scale, height = width / 1080, width * 4 // 3
    return replace(
        reference_rig().camera1,
        image_size_px=(width, height),
        focal_px=(1420 * scale, 1420 * scale),
        principal_point_px=((width - 1) / 2, (height - 1) / 2),
    )


def filmed(spec, camera, pose, rng, *, blur_px=0.6):
    options = RenderOptions(
        blur_px=blur_px, sensor=Sensor(read_noise_dn=1.2, dn_per_electron=0.05), samples=2, grid_step_px=4
    )
    board = board_in_space(spec, texels_per_mm=16 * camera.image_size_px[0] / 1080)
    return render_view(camera, (pose,), board=board, options=options, rng=rng)


def centred(pose, spec):
    """The same turn and distance in the middle of the picture: checkerboards must be wholly in view."""
    middle = pose.apply(spec.corners_mm.mean(0))
    shift = np.array([0.0, 0.0, middle[2]]) - middle
    return RigidTransform(rotation=pose.rotation, translation_mm=pose.translation_mm + shift)


def looked_at(number):
    rng = np.random.default_rng([54, number])
    plain = number % 5 == 4
    spec = described(rng, plain)
    (pose,) = board_poses(rng, 1, board=spec, tilt_deg=25.0 if plain else 40.0)
    camera = small_camera(int(rng.choice([360, 420, 480])))
    image = filmed(
        spec, camera, centred(pose, spec) if plain else pose, rng, blur_px=float(rng.uniform(0.5, 0.9))
    )
    seen = detect_board(image, spec, FrameRef(camera="upper", frame_idx=number, origin="rendered"))
    return "found" if isinstance(seen, Observation) else seen.code, diagnose_description(image, spec)


@pytest.mark.slow
@pytest.mark.parametrize("first", [0, 25, 50, 75])
def test_no_right_board_is_called_wrong(first):
    """Squares 5 x 5 to 9 x 12, marker ratios 0.6 to 0.85, modules from 2 px: 25 boards a part, 100 in all."""
    seen = Counter(looked_at(number) for number in range(first, first + 25))
    assert {named for _, named in seen} == {None}
    assert {code for code, _ in seen} <= {"found", "small_markers"}
    assert seen["found", None] >= 20  # the others' modules are below 3 px


@pytest.mark.parametrize("width", [300, 260])
def test_a_board_too_small_is_called_too_small(width):
    """The reference board in ever smaller pictures: about 2.4 and 2 px a module."""
    spec, told = BOARD, []
    for number, pose in enumerate(board_poses(np.random.default_rng([55, width]), 6)):
        image = filmed(spec, small_camera(width), pose, np.random.default_rng([56, number]))
        seen = detect_board(image, spec, FrameRef(camera="upper", frame_idx=number, origin="rendered"))
        assert diagnose_description(image, spec) is None
        if not isinstance(seen, Observation):
            assert seen.code != "wrong_board"
            told += [seen.sentence] if seen.code == "small_markers" else []
    assert told
    assert all("too small in the picture" in sentence and "3 needed" in sentence for sentence in told)


def beside(spec, place_mm):
    """The board tilted a little, its middle there."""
    turn = rodrigues([0.25, -0.2, 0.1])
    shift = np.array(place_mm) - turn @ spec.corners_mm.mean(0)
    return RigidTransform(rotation=turn, translation_mm=shift)


def two_in_view(second):
    """The reference board at the left of a wide picture, alone and with another at its right."""
    camera = replace(
        reference_rig().camera1,
        image_size_px=(900, 600),
        focal_px=(660.0, 660.0),
        principal_point_px=(449.5, 299.5),
        distortion=(0.0, 0.0),
    )
    rng = np.random.default_rng([57])
    alone = filmed(BOARD, camera, beside(BOARD, (-60.0, 0.0, 200.0)), rng)
    other = filmed(second, camera, beside(second, (66.0, 4.0, 205.0)), rng)
    return alone, np.maximum(alone, other)


@pytest.mark.parametrize(
    "second", [{}, {"squares": (6, 9)}, {"squares": (7, 8), "square_mm": 11.0, "marker_mm": 8.0}]
)
def test_a_second_board_in_view_is_named(second, ref):
    """Beside the described one: the same once more, or another with markers of the same dictionary."""
    alone, both = two_in_view(replace(BOARD, **second))
    assert isinstance(detect_board(alone, BOARD, ref), Observation)
    assert diagnose_description(alone, BOARD) is None
    assert not isinstance(detect_board(both, BOARD, ref), Observation)
    assert "Besides the board described, another one" in (diagnose_description(both, BOARD) or "")


def test_a_second_board_of_another_dictionary_does_no_harm(ref):
    _, both = two_in_view(replace(BOARD, dictionary="DICT_6X6_250"))
    assert isinstance(detect_board(both, BOARD, ref), Observation)
    assert diagnose_description(both, BOARD) is None
