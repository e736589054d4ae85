"""Rendered footage that a recording spoiled, or that is not what it is said to be: each named by its check."""

from fractions import Fraction

import numpy as np
import pytest
from rendered import BOARD_YAML
from small_shoot import clip_of, moments, seen, small_shoot, written

import rigcheck
from rigcheck.errors import ConfigError, EstimationError
from rigcheck.opencv import cv2


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return small_shoot(tmp_path_factory.mktemp("small"), count=8)


@pytest.fixture(scope="module")
def right(small, tmp_path_factory):
    """The footage as it should be, and its calibration as a file."""
    result = rigcheck.calibrate(small.upper, small.lower, board=small.board, rig=small.rig, lens="brown4")
    out = tmp_path_factory.mktemp("right") / "out"
    rigcheck.write_calibration(result, out)
    return result, out / "calibration.yaml"


def checks(result):
    return {check.code: check for check in result.report.checks}


def calibrated(*footage, board, **how):
    return checks(rigcheck.calibrate(*footage, board=board, lens="brown4", **how))


def test_right_footage_raises_none_of_these(right):
    found = checks(right[0])
    assert {found[code].status for code in ("CAL50", "CAL51", "CAL52", "CAL53", "CAL55")} == {"pass"}
    assert found["CAL54"].status == "skipped"


def test_stabilised_pictures_are_named(small, tmp_path):
    """Each picture cut out of the sensor's up to 12 px elsewhere; one camera, whose RMS hardly shows it."""
    shifts, cut = np.random.default_rng([45, 0]).integers(-12, 13, (8, 2)), []
    for picture, (dx, dy) in zip(small.pictures["upper"], shifts, strict=True):
        moved = cv2.warpAffine(picture, np.float32([[1, 0, dx], [0, 1, dy]]), picture.shape[::-1], flags=0)
        cut.append(moved)
    found = calibrated(written(tmp_path / "steady", cut), board=small.board)
    # Surely a wander; eight views leave open whether it is beyond the fail limit.
    assert found["CAL50"].status in ("fail", "inconclusive")
    assert "stabilisation" in found["CAL50"].action
    assert found["CAL50"].estimate.value == pytest.approx(shifts.std(), rel=0.4)  # views weigh unequally


def test_torn_pictures_are_named(small, tmp_path):
    """The board moves by about 0.7 px between the two fields of each picture."""
    later = seen(moments(0, 7), shift_mm=(0.18, 0.06, 0.0), seed=1)["upper"]
    torn = []
    for first, second in zip(small.pictures["upper"], later, strict=False):
        woven = first.copy()
        woven[1::2] = second[1::2]
        torn.append(woven)
    found = calibrated(written(tmp_path / "torn", torn), board=small.board)["CAL52"]
    assert found.status in ("fail", "inconclusive")
    assert found.estimate.value == pytest.approx(0.7, rel=0.3)
    assert "progressive" in found.action


def squeezed(pictures):
    """Three quarters as wide: pixels of 4:3."""
    size = pictures[0].shape[1] * 3 // 4 // 2 * 2, pictures[0].shape[0]
    return [cv2.resize(picture, size, interpolation=cv2.INTER_AREA) for picture in pictures], size


def test_pixels_that_the_file_calls_not_square(small, tmp_path):
    pictures, (width, _) = squeezed(small.pictures["upper"])
    aspect = Fraction(small.pictures["upper"][0].shape[1], width)
    clip = clip_of(tmp_path / "squeezed.mp4", pictures, aspect=aspect)
    found = calibrated(clip, board=small.board)
    assert found["CAL21"].status == "pass"  # as the file says: nothing against the print
    assert found["CAL53"].status == "caution"
    assert found["CAL53"].estimate.value == pytest.approx(1 - 1 / float(aspect), abs=0.002)
    assert "converted copy" in found["CAL53"].action


def test_squeezed_pictures_without_a_word(small, tmp_path):
    pictures, _ = squeezed(small.pictures["upper"])
    found = calibrated(written(tmp_path / "squeezed", pictures), board=small.board)
    assert found["CAL53"].status == "caution"
    assert "squeezed" in found["CAL53"].action
    assert "CAL53" in found["CAL21"].action


def test_cameras_swapped_against_an_earlier_calibration(small, right, tmp_path):
    """Files of neutral names: only where camera 2 stands tells."""
    first = written(tmp_path / "a", small.pictures["lower"])
    second = written(tmp_path / "b", small.pictures["upper"])
    how = {"board": small.board, "rig": small.rig, "prior": right[1]}
    found = checks(rigcheck.calibrate(first, second, **how))
    assert found["CAL54"].status == "fail"
    assert "The cameras are swapped" in found["CAL54"].action
    assert found["CAL54"].estimate.value == pytest.approx(180 - 21, abs=1)  # geometry: less the convergence
    assert "CAL54" in found["CAL13"].message
    found = checks(rigcheck.calibrate(small.upper, small.lower, **how))
    assert (found["CAL54"].status, found["CAL13"].status) == ("pass", "pass")


def test_cameras_swapped_by_the_names_of_their_files(small, tmp_path):
    with pytest.raises(ConfigError, match="by their names these are of lower and upper"):
        rigcheck.calibrate(small.lower, small.upper, board=small.board, rig=small.rig)
    serials = tmp_path / "rig.yaml"
    serials.write_text(
        "name: kestrel\ncameras:\n  - {name: one, serial: K-204}\n  - {name: two, serial: K-209}\n"
    )
    for name, pictures in (("K-204_0001", "upper"), ("K-209_0001", "lower")):
        clip_of(tmp_path / f"{name}.mp4", small.pictures[pictures][:2])
    first, second = tmp_path / "K-204_0001.mp4", tmp_path / "K-209_0001.mp4"
    with pytest.raises(ConfigError, match="these are of two and one"):
        rigcheck.calibrate(second, first, board=small.board, rig=serials)


def test_squares_of_another_size(small, tmp_path):
    """Centimetres for millimetres: no residual shows it."""
    text = BOARD_YAML.replace("9.0", "0.9").replace("6.75", "0.675")
    board = tmp_path / "board.yaml"
    board.write_text("\n".join(line for line in text.splitlines() if not line.startswith("measured")))
    found = calibrated(small.upper, small.lower, board=board, rig=small.rig)
    assert found["CAL55"].status == "fail"
    assert found["CAL55"].estimate.value == pytest.approx(10.0, rel=0.1)  # the axes meet near the 195 mm said
    assert "the squares are not" in found["CAL55"].action
    assert found["CAL03"].status == "pass"


def test_a_known_length_tells_another_size_of_squares(small, tmp_path):
    """9 mm squares described as 9.5: the diagonal of the inner corners, 7 by 10 squares, was measured."""
    text = BOARD_YAML.replace("square_mm: 9.0", "square_mm: 9.5").replace("6.75", "7.125")
    lines = [line for line in text.splitlines() if not line.startswith("measured")]
    board = tmp_path / "board.yaml"
    board.write_text("\n".join([*lines, f"held_out_length_mm: {9 * np.hypot(7, 10):.3f}"]))
    found = calibrated(small.upper, board=board)["CAL23"]
    assert found.status == "fail"
    assert found.estimate.value == pytest.approx(9.5 / 9 - 1, abs=1e-3)
    assert "squares of 9.00 mm" in found.message


def test_stills_paired_wrongly(small, tmp_path):
    """One camera released a picture too many: the pairing is named, as a check or where no rig comes out at all."""
    pictures = small.pictures
    first, second = pictures["upper"][:-1], pictures["lower"][1:]
    try:
        found = calibrated(written(tmp_path / "a", first), written(tmp_path / "b", second), board=small.board)
    except EstimationError as error:
        told, remedy = error.message, error.hint
    else:
        assert found["CAL51"].status == "fail"
        assert found["CAL02"].status == "skipped"
        told, remedy = found["CAL51"].message, found["CAL51"].action
    assert "pair" in told
    assert "--offset-frames -1" in remedy
