"""A print stretched one way, or of the wrong size: seen in the pixels' ratio and in a known length only."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic import BOARD, Noise, observe_pair, reference_rig

from rigcheck.calibration import LENSES, CameraSetup, solve
from rigcheck.calibration.blind_print import CALIPER_U_MM, known_length_measurements, pixel_measurements
from rigcheck.calibration.evidence import camera_rms_px, epipolar_rms_px
from rigcheck.model import BoardMeasurement, BoardSpec

RIG = reference_rig()
SETUPS = [CameraSetup(name=c.name, image_size_px=c.image_size_px) for c in (RIG.camera1, RIG.camera2)]
# Square pixels: the reference rig's own focal lengths differ by 0.06 %.
SQUARE = replace(
    RIG,
    camera1=replace(RIG.camera1, focal_px=(1420.0, 1420.0)),
    camera2=replace(RIG.camera2, focal_px=(1411.0, 1411.0)),
)
COLUMNS, ROWS = BOARD.squares
DIAGONAL_MM = float(np.hypot(9.0 * (COLUMNS - 2), 9.0 * (ROWS - 2)))


def printed(across=1.0, down=1.0):
    """The board as it really is, by shares of what its description says."""
    return BoardSpec(
        name="as printed",
        kind="charuco",
        squares=BOARD.squares,
        square_mm=BOARD.square_mm,
        marker_mm=BOARD.marker_mm,
        dictionary=BOARD.dictionary,
        measured=BoardMeasurement(
            across_mm=81.0 * across, across_squares=9, down_mm=108.0 * down, down_squares=12, u_mm=0.01
        ),
    )


def solution_of(truth, described, *, seed=0, cameras=2, n_views=16):
    pairs = observe_pair(
        SQUARE, np.random.default_rng([53, seed]), n_views=n_views, noise=Noise(sigma_px=0.05), board=truth
    )
    return solve([pair[:cameras] for pair in pairs], described, SETUPS[:cameras], lenses=[LENSES["brown4"]])


def test_stretched_print_gives_the_published_ratio():
    """Handbook sections 2.4 and 9, test 5: 0.5 % in x gives fx/fy 1.0049; a right print gives 1."""
    stretched = pixel_measurements(solution_of(printed(across=1.005), BOARD))
    right = pixel_measurements(solution_of(printed(), BOARD))
    for name in ("upper", "lower"):
        ratio = stretched[f"{name}.focal_ratio"]
        # 0.0002: boards turned by 9 degrees in the picture's plane, as hands hold them, hide a part.
        assert ratio.value == pytest.approx(1.0049, abs=4e-4)
        error = stretched[f"{name}.pixel_aspect_error"]
        assert error.value - 2 * error.sigma > 0.001
        assert error.value == pytest.approx(ratio.value - 1)
        error = right[f"{name}.pixel_aspect_error"]
        assert error.value + 2 * error.sigma < 0.001


def test_measured_print_takes_the_stretch_away():
    found = pixel_measurements(solution_of(printed(across=1.005), printed(across=1.005)))
    assert all(found[f"{name}.pixel_aspect_error"].value < 3e-4 for name in ("upper", "lower"))


def test_ratio_is_known_better_than_either_focal_length():
    """Both focal lengths err together: taken as independent, the ratio's sigma would be much too large."""
    solution = solution_of(printed(), BOARD)
    sigma = solution.covariance.sigma
    part = solution.adjustment.layout.intrinsics_slices[0]
    each = [sigma(row) for row in np.eye(solution.adjustment.layout.size)[part][:2]]
    alone = float(np.hypot(*each)) / 1420.0
    assert pixel_measurements(solution)["upper.focal_ratio"].sigma < 0.5 * alone


def test_print_one_percent_too_large():
    """Handbook section 9, test 4: RMS and epipolar error blind, baseline 1 % short, the known length tells."""
    truth = printed(across=1.01, down=1.01)
    right, wrong = (
        solution_of(truth, replace(board, held_out_length_mm=1.01 * DIAGONAL_MM)) for board in (truth, BOARD)
    )
    assert camera_rms_px(wrong) == pytest.approx(camera_rms_px(right), rel=1e-3)  # the same solution, scaled
    assert epipolar_rms_px(wrong)[0] == pytest.approx(epipolar_rms_px(right)[0], rel=1e-3)
    shrunk = np.linalg.norm(wrong.adjustment.state.translation) / np.linalg.norm(
        right.adjustment.state.translation
    )
    assert shrunk == pytest.approx(1 / 1.01, rel=1e-4)  # scales exactly but for the solver's last step
    error = known_length_measurements(wrong)["board.length_error"]
    assert error.value == pytest.approx(1 / 1.01 - 1, abs=3e-4)  # corners of 0.05 px: 0.01 mm of 120
    assert -error.value - 2 * error.sigma > 0.00125  # the fail limit
    error = known_length_measurements(right)["board.length_error"]
    assert abs(error.value) < 2 * error.sigma < 0.0005


def test_lengths_and_their_sigmas():
    found = known_length_measurements(
        solution_of(printed(), replace(printed(), held_out_length_mm=DIAGONAL_MM))
    )
    assert found["board.known_length_mm"].sigma == 0.01
    assert found["board.length_from_pitch_mm"].value == pytest.approx(DIAGONAL_MM, rel=1e-12)  # arithmetic
    scale = 0.5 * (0.01 / 81 + 0.01 / 108)
    assert found["board.length_from_pitch_mm"].sigma == pytest.approx(scale * DIAGONAL_MM)
    seen = found["board.length_seen_mm"]
    assert seen.n >= 3
    assert abs(seen.value - DIAGONAL_MM) < 4 * seen.sigma
    expected = np.sqrt((0.01 / DIAGONAL_MM) ** 2 + scale**2 + (seen.sigma / seen.value) ** 2)
    assert found["board.length_error"].sigma == pytest.approx(expected)


def test_spread_of_the_seen_length_is_honest():
    """Over 12 calibrations: median length's error over its sigma spreads by about one."""
    board = replace(BOARD, held_out_length_mm=DIAGONAL_MM)
    away = []
    for seed in range(12):
        seen = known_length_measurements(solution_of(printed(), board, seed=seed))["board.length_seen_mm"]
        away.append((seen.value - DIAGONAL_MM) / seen.sigma)
    # Few pairs (5-12) each: a median absolute deviation of so few is rough, and the fit itself follows them.
    assert 0.3 < np.sqrt(np.mean(np.square(away))) < 1.7


def test_one_camera_judges_the_pitch():
    board = replace(BOARD, held_out_length_mm=1.01 * DIAGONAL_MM)
    found = known_length_measurements(solution_of(printed(), board, cameras=1))
    assert "board.length_seen_mm" not in found
    assert found["board.length_error"].value == pytest.approx(1 / 1.01 - 1, rel=1e-9)  # arithmetic
    assert found["board.length_error"].sigma == pytest.approx(CALIPER_U_MM / (1.01 * DIAGONAL_MM))


def test_corners_never_seen_together_leave_the_pitch():
    board = replace(BOARD, held_out_length_mm=DIAGONAL_MM)
    pairs = observe_pair(SQUARE, np.random.default_rng([53, 1]), n_views=10, noise=Noise(), board=printed())
    covered = [
        tuple(
            side
            and replace(
                side,
                corner_ids=side.corner_ids[side.corner_ids > 0],
                corners_px=side.corners_px[side.corner_ids > 0],
                sigma_px=side.sigma_px[side.corner_ids > 0],
            )
            for side in pair
        )
        for pair in pairs
    ]
    found = known_length_measurements(solve(covered, board, SETUPS, lenses=[LENSES["brown4"]]))
    assert found["board.length_seen_mm"].value is None
    assert "0 pairs show the first and the last corner" in found["board.length_seen_mm"].reason
    assert found["board.length_error"].value == pytest.approx(0.0, abs=1e-12)  # arithmetic


def test_no_known_length_gives_a_reason():
    found = known_length_measurements(solution_of(printed(), BOARD, cameras=1, n_views=8))
    assert list(found) == ["board.length_error"]
    assert "held_out_length_mm" in found["board.length_error"].reason
