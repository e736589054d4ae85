"""Blur of a board's edges against a checkerboard whose blurred picture is known exactly."""

import time
from functools import lru_cache

import numpy as np
import pytest
from filmed import film, held_poses
from scipy.special import erf
from synthetic import BOARD

from rigcheck.model import BoardSpec, FrameRef, Observation
from rigcheck.target import BoardDetector
from rigcheck.target.edges import edge_blurs, linear_light_table

CHECKERS = BoardSpec(name="checkers", kind="checkerboard", squares=(10, 7), square_mm=8.0)
REF = FrameRef(camera="upper", frame_idx=3, origin="drawn")
PER_MM = 5.0
SHAPE = (420, 560)
PIXEL = 1 / 12**0.5
# Handbook section 3, worked checks of the slanted edge: sigma of a Gaussian blur, MTF50 of edge and pixel.
WORKED = [(0.5, 0.3231), (0.7, 0.2475), (1.0, 0.1804), (1.5, 0.1231)]


def place(points_mm, angle_deg, per_mm=PER_MM):
    turn = np.radians(angle_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return (points_mm - [40.0, 28.0]) * per_mm @ rotation.T + [SHAPE[1] / 2 + 0.3, SHAPE[0] / 2 - 0.2]


def wave(along_mm, sigma_mm, count):
    """+1, -1, +1 ... over squares of 8 mm, 0 outside, blurred by a Gaussian: a sum of error functions."""
    at = np.arange(-30.0, 8.0 * count + 30.0, 0.002)  # read between: 1e-6 of the step
    table = np.zeros_like(at)
    for edge in range(count + 1):
        step = 1.0 if edge == 0 else (-1.0) ** edge * (1.0 if edge == count else 2.0)
        table += step * 0.5 * erf((at - 8.0 * edge) / (sigma_mm * 2**0.5))
    return np.interp(along_mm, at, table)


@lru_cache(maxsize=16)
def checkers(sigma_px, *, angle_deg=6.0, low=30.0, high=200.0, per_mm=PER_MM, smear_px=(0.0, 0.0)):
    """Exact picture of the board: a product of two blurred square waves, averaged over each pixel's area.

    A round Gaussian separates along the board's own axes however it is turned. `smear_px` moves the board in the
    picture while the shutter is open.
    """
    turn, samples = np.radians(angle_deg), 4
    offsets = (np.arange(samples) + 0.5) / samples - 0.5
    total = np.zeros(SHAPE)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    shares = (np.arange(7) - 3) / 7 if any(smear_px) else [0.0]
    for share in shares:
        for dy in offsets:
            for dx in offsets:
                px = x + dx - SHAPE[1] / 2 - 0.3 - share * smear_px[0]
                py = y + dy - SHAPE[0] / 2 + 0.2 - share * smear_px[1]
                u = (px * np.cos(turn) + py * np.sin(turn)) / per_mm + 40.0
                v = (-px * np.sin(turn) + py * np.cos(turn)) / per_mm + 28.0
                total += wave(u, sigma_px / per_mm, 10) * wave(v, sigma_px / per_mm, 7)
    mean = total / (samples**2 * len(shares))
    # Black where both waves are +1: the square at the origin.
    return 0.5 * (low + high) - 0.5 * (high - low) * mean


def seen(angle_deg=6.0, per_mm=PER_MM, blur_px=1.0):
    corners = place(CHECKERS.corners_mm[:, :2], angle_deg, per_mm)
    n = len(corners)
    return Observation(
        ref=REF, corner_ids=np.arange(n), corners_px=corners, sigma_px=np.full(n, 0.02), blur_px=blur_px
    )


def to_codes(picture):
    return np.rint(np.clip(picture, 0, 255)).astype(np.uint8)


@pytest.mark.parametrize(("sigma_px", "mtf50"), WORKED)
def test_blur_and_response(sigma_px, mtf50):
    found = edge_blurs(to_codes(checkers(sigma_px)), seen(blur_px=np.hypot(sigma_px, PIXEL)), CHECKERS)
    assert found.n == 8 * 6 + 9 * 5  # every edge between two inner corners
    truth = np.hypot(sigma_px, PIXEL)
    assert np.median(found.blur_px) == pytest.approx(truth, rel=0.015)  # a pixel is no Gaussian: 0.6 % at 0.5
    assert np.abs(found.blur_px / truth - 1).max() < 0.05  # grey steps of 1/170
    response = found.mtf50_cy_px[np.isfinite(found.mtf50_cy_px)]
    assert len(response) > 0.9 * found.n
    assert np.median(response) == pytest.approx(mtf50, rel=0.03)  # 17 px of profile, not 80
    assert np.median(found.black) == pytest.approx(30.0, abs=1.0)  # grey steps
    assert np.median(found.white) == pytest.approx(200.0, abs=1.0)
    assert not found.linear
    assert found.ref == REF


def test_places():
    found = edge_blurs(to_codes(checkers(0.8)), seen(), CHECKERS)
    assert found.midpoints_px == pytest.approx(
        place(found.board_mm[:, :2], 6.0), abs=1e-9
    )  # the same affine map
    across = np.sin(found.directions_rad - np.radians(6.0))
    assert np.abs(across[found.along_x]).max() < 1e-9  # exact corners
    assert np.abs(across[~found.along_x]).min() > 1 - 1e-9
    assert found.along_x.sum() == 8 * 6


@pytest.mark.parametrize("angle_deg", [0.0, 3.0, 26.565, 45.0, 93.0, 184.0])
def test_any_angle(angle_deg):
    found = edge_blurs(to_codes(checkers(0.8, angle_deg=angle_deg)), seen(angle_deg), CHECKERS)
    assert found.n == 93
    # Edges along the pixels see one phase each: 0.05 px each, 0.02 in the median; a pixel is wider when turned.
    assert np.median(found.blur_px) == pytest.approx(np.hypot(0.8, PIXEL), abs=0.025)
    assert (np.abs(found.blur_px - np.hypot(0.8, PIXEL)) < 4 * found.sigma_px + 0.02).all()


def test_sigma_is_honest():
    rng, clean = np.random.default_rng([51, 0]), checkers(0.8)
    pulls = []
    for _ in range(6):
        found = edge_blurs(to_codes(clean + rng.normal(0, 4, clean.shape)), seen(), CHECKERS)
        pulls.append((found.blur_px - np.hypot(0.8, PIXEL)) / found.sigma_px)
    assert 0.75 < np.concatenate(pulls).std() < 1.25  # 558 edges: 3 %; slanted phases and floor the rest
    assert abs(np.concatenate(pulls).mean()) < 0.35  # bias of 0.4 % of the blur


def test_encoded_values_are_made_linear_by_the_table():
    """IEC 61966-2-1: read as linear an sRGB picture has the wrong blur; with the table the right one."""
    light = checkers(0.8, low=20.0, high=180.0) / 255
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    codes = to_codes(255 * encoded)
    truth = np.hypot(0.8, PIXEL)
    right = edge_blurs(codes, seen(), CHECKERS, linear_light=linear_light_table("srgb"))
    wrong = edge_blurs(codes, seen(), CHECKERS)
    assert right.linear
    assert np.median(right.blur_px) == pytest.approx(truth, rel=0.02)  # bins of a curved scale
    assert abs(np.median(wrong.blur_px) / truth - 1) > 0.03
    assert np.median(right.black) == pytest.approx(20.0, abs=1.0)
    assert np.median(wrong.black) > 60


def test_curves_of_the_standards():
    """Handbook section 4: sRGB 128 is 0.2159 linear; 18 % is 0.4614 in sRGB and 0.4090 in BT.709."""
    srgb, bt709 = linear_light_table("srgb"), linear_light_table("bt709")
    assert srgb[128] / 255 == pytest.approx(0.2159, abs=5e-5)  # its last digit
    codes = np.arange(256)
    assert np.interp(0.18 * 255, srgb, codes) / 255 == pytest.approx(0.4614, abs=5e-4)  # between two codes
    assert np.interp(0.18 * 255, bt709, codes) / 255 == pytest.approx(0.4090, abs=5e-4)
    video = linear_light_table("bt709", video_range=True)
    assert (video[16], video[235]) == (0.0, pytest.approx(255.0))
    assert linear_light_table("linear", black_level=4.0)[4:6] == pytest.approx([0.0, 1.0])
    assert linear_light_table("gamma_2_2")[255] == linear_light_table("gamma_2_4")[255] == 255.0
    assert linear_light_table(None) is None
    assert linear_light_table("table: curve.csv") is None


def test_motion_blurs_the_edges_across_it():
    """A smear of L px adds L²/12 to the variance across (box; handbook section 3: sigma L/sqrt 12)."""
    turn = np.radians(6.0)
    along_x = 2.0 * np.array([np.cos(turn), np.sin(turn)])
    found = edge_blurs(to_codes(checkers(0.8, smear_px=tuple(along_x))), seen(), CHECKERS)
    still, smeared = (np.median(found.blur_px[found.along_x == side]) for side in (True, False))
    assert still == pytest.approx(np.hypot(0.8, PIXEL), rel=0.015)  # as without
    # The Gaussian nearest to a box is up to 6 % wider than the box's deviation.
    assert smeared == pytest.approx(np.sqrt(0.8**2 + 1 / 12 + 4 / 12), rel=0.07)


def test_missing_corners_take_their_edges_along():
    whole = seen()
    keep = np.setdiff1d(np.arange(54), [0, 20])
    part = Observation(
        ref=REF,
        corner_ids=keep,
        corners_px=whole.corners_px[keep],
        sigma_px=whole.sigma_px[keep],
        blur_px=1.0,
    )
    assert edge_blurs(to_codes(checkers(0.8)), part, CHECKERS).n == 93 - 2 - 4


@pytest.mark.parametrize(
    ("levels", "per_mm"),
    [((30.0, 300.0), PER_MM), ((-40.0, 200.0), PER_MM), ((100.0, 110.0), PER_MM), ((30.0, 200.0), 1.2)],
    ids=["clipped white", "clipped black", "faint", "short"],
)
def test_edges_that_cannot_be_measured_are_left_out(levels, per_mm):
    picture = to_codes(checkers(0.8, low=levels[0], high=levels[1], per_mm=per_mm))
    found = edge_blurs(picture, seen(per_mm=per_mm), CHECKERS)
    assert found.n == 0
    assert found.board_mm.shape == (0, 3)
    assert found.midpoints_px.shape == (0, 2)


def test_blur_as_wide_as_the_room_is_left_out():
    assert edge_blurs(to_codes(checkers(6.0)), seen(blur_px=6.0), CHECKERS).n == 0


def test_markers_do_not_enter():
    """Rendered ChArUco board: edges and crossings, fitted apart, agree on the blur."""
    for view in film(held_poses(3, 3)):
        assert view.blurs.n > 120
        assert np.median(view.blurs.blur_px) == pytest.approx(
            view.observation.blur_px, abs=0.02
        )  # noise 0.01


def test_cost_is_a_fraction_of_a_detection():
    view = film(held_poses(3, 1))[0]
    detector = BoardDetector(BOARD)

    def cost(work):
        work()
        spent = []
        for _ in range(5):
            start = time.process_time()
            work()
            spent.append(time.process_time() - start)
        return np.median(spent)

    measuring = cost(lambda: edge_blurs(view.image, view.observation, BOARD))
    # Measured 5 ms to 70 ms on one busy core; half leaves room for the machine's moods.
    assert measuring < 0.5 * cost(lambda: detector.detect(view.image, view.observation.ref))
