"""A rendered board sits where the projection says, and is blurred as the formulas say."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates, spline_filter
from scipy.spatial.transform import Rotation

from rigcheck.demo import (
    Lamps,
    Lens,
    RenderOptions,
    Sensor,
    board_in_space,
    bow,
    project_from,
    render_view,
    saddle,
)
from rigcheck.model import BoardSpec, CameraModel, RigidTransform
from rigcheck.opencv import cv2

# No markers: a corner's neighbourhood is then its own half turn, and finding its centre needs no model.
PLAIN = BoardSpec(name="plain", kind="checkerboard", squares=(9, 12), square_mm=9.0)
UPPER = CameraModel(
    name="upper",
    image_size_px=(1080, 1440),
    model="brown",
    focal_px=(1418.0, 1418.5),
    principal_point_px=(543.0, 716.0),
    distortion=(-0.12, 0.06, 3e-4, -3e-4, -0.004),
)
STRONG = CameraModel(
    name="strong",
    image_size_px=(960, 720),
    model="brown",
    focal_px=(620.0, 622.0),
    principal_point_px=(471.0, 366.0),
    distortion=(-0.33, 0.14, 1e-3, -8e-4, -0.02),
)
WIDE = CameraModel(
    name="wide",
    image_size_px=(900, 900),
    model="fisheye",
    focal_px=(420.0, 421.0),
    principal_point_px=(455.0, 442.0),
    distortion=(0.03, -0.01, 0.002, 0.0),
)
CLIP_LIKE = {"samples": 2, "grid_step_px": 4}


def pose(tilt_deg, middle_mm, board):
    turn = Rotation.from_euler("ZYX", tilt_deg[::-1], degrees=True).as_matrix()
    half = np.array([*board.size_mm, 0.0]) / 2
    return RigidTransform(rotation=turn, translation_mm=np.array(middle_mm, float) - turn @ half)


def rendered(camera, exposure, board, **options):
    return render_view(
        camera, exposure, board=board, options=RenderOptions(**options), rng=np.random.default_rng([403, 0])
    )


def refined(picture, near_px, half_window=7):
    """Corners as OpenCV's refinement finds them: right on average, each within some hundredths."""
    start = near_px.astype(np.float32).reshape(-1, 1, 2).copy()
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 300, 1e-6)
    window = (half_window, half_window)
    return cv2.cornerSubPix(picture, start, window, (-1, -1), stop).reshape(-1, 2).astype(np.float64)


def centres_of_symmetry(picture, near_px, half_window=7):
    """Points about which the picture is nearest its own half turn, as it is about a crossing of two lines."""
    smooth = cv2.GaussianBlur(picture.astype(np.float64), (0, 0), 1.0)
    spline = spline_filter(smooth, order=3)
    y, x = np.mgrid[-half_window : half_window + 1, -half_window : half_window + 1].astype(np.float64)
    weight = np.exp(-(x**2 + y**2) / (2 * (half_window / 2.5) ** 2))

    def asymmetry(points):
        across, down = points[:, 0, None, None], points[:, 1, None, None]
        one, other = (
            map_coordinates(spline, [down + side * y, across + side * x], order=3, prefilter=False)
            for side in (1, -1)
        )
        return ((one - other) * weight).reshape(len(points), -1)

    points, step = near_px.copy(), 0.01
    for _ in range(6):
        slopes = [
            (asymmetry(points + step * axis) - asymmetry(points - step * axis)) / (2 * step)
            for axis in np.eye(2)
        ]
        jacobian = np.stack(slopes, axis=2)
        turned = np.swapaxes(jacobian, 1, 2)
        points -= np.linalg.solve(turned @ jacobian, turned @ asymmetry(points)[..., None])[..., 0]
    return points


def corners_inside(camera, board_pose, board):
    true = project_from(camera, board_pose, board.corners_mm)
    return true[((true > 16) & (true < np.array(camera.image_size_px) - 17)).all(axis=1)]


@pytest.mark.parametrize(
    ("camera", "tilt_deg", "middle_mm", "options"),
    [
        (UPPER, (3, -2, 5), (0, 0, 190), {}),
        (UPPER, (25, 20, -12), (4, -6, 195), {}),
        (UPPER, (-25, -20, 70), (-3, 5, 190), CLIP_LIKE),
        (UPPER, (12, 28, 7), (20, 30, 165), CLIP_LIKE),
        (STRONG, (10, -18, 4), (-15, 10, 105), {}),
        (WIDE, (-12, 15, 20), (12, -8, 66), {}),
    ],
)
def test_corners_sit_where_the_projection_says(camera, tilt_deg, middle_mm, options):
    board = board_in_space(PLAIN)
    place = pose(tilt_deg, middle_mm, board)
    picture = rendered(camera, (place,), board, blur_px=1.0, **options)
    true = corners_inside(camera, place, board)
    assert len(true) > 60
    errors = centres_of_symmetry(picture, true) - true
    # Mean: no offset of the picture against the projection (half a pixel would be 100 times this).
    assert np.abs(errors.mean(axis=0)).max() < 0.005
    assert np.abs((refined(picture, true) - true).mean(axis=0)).max() < 0.005
    # Each: what 8-bit rounding, sampling, and perspective within the window leave.
    assert np.abs(errors).max() < 0.03


def test_the_corner_check_sees_a_board_a_thousandth_too_large():
    board, larger = board_in_space(PLAIN), board_in_space(PLAIN, pitch_mm=(9.009, 9.009))
    place = pose((5, 5, 0), (0, 0, 190), board)
    picture = rendered(UPPER, (place,), larger)
    true = project_from(UPPER, place, board.corners_mm)
    errors = refined(picture, true) - true
    # 0.1 % of half the board's length from its origin: 54 mm * 1418 / 190 * 0.001 = 0.4 px
    assert errors[:, 1].mean() == pytest.approx(0.4, abs=0.05)


@pytest.mark.parametrize("make", [bow, saddle])
def test_a_shaped_board_is_seen_in_its_shape(make):
    flat = board_in_space(PLAIN)
    bent = board_in_space(PLAIN, shape=make(flat.size_mm, 0.6))
    place = pose((30, 25, 0), (0, 0, 190), flat)
    true = project_from(UPPER, place, bent.corners_mm)
    errors = centres_of_symmetry(rendered(UPPER, (place,), bent, blur_px=1.0), true) - true
    assert np.abs(errors.mean(axis=0)).max() < 0.005  # as for a flat board
    assert np.abs(errors).max() < 0.03
    off_flat = project_from(UPPER, place, bent.corners_mm) - project_from(UPPER, place, flat.corners_mm)
    assert np.abs(off_flat).max() > 1.0


def test_bow_and_saddle_have_the_height_they_say():
    width, height = 81.0, 108.0
    bent = bow((width, height), 0.15)
    ends = bent(np.array([0.0, width / 2, width / 2]), np.array([54.0, 0.0, 108.0]))
    assert ends == pytest.approx([0.0, 0.15, 0.15])
    twisted = saddle((width, height), 0.15)
    corners = twisted(np.array([0.0, width, 0.0, width / 2]), np.array([0.0, 0.0, height, 20.0]))
    assert corners == pytest.approx([0.15, -0.15, -0.15, 0.0])


def step_variance(picture, rows):
    """Variance of the line spread across the upright edge nearest the picture's middle, px squared."""
    middle = picture.shape[1] // 2
    profile = picture[rows, middle - 22 : middle + 23].astype(np.float64).mean(axis=0)
    spread = np.abs(np.diff(profile))
    at = np.arange(len(spread))
    centre = spread @ at / spread.sum()
    return float(spread @ (at - centre) ** 2 / spread.sum())


EDGE = BoardSpec(name="edge", kind="checkerboard", squares=(4, 5), square_mm=24.0)
NO_LENS_BEND = CameraModel(
    name="upper",
    image_size_px=(540, 540),
    model="brown",
    focal_px=(1420.0, 1420.0),
    principal_point_px=(269.7, 269.5),
)


def edge_picture(depth_mm, *, speed_mm_s=0.0, shutter_s=0.0, moments=1, **options):
    """Nearly upright edge between two squares in the middle of the picture, well inside one row of squares.

    It leans by 1 px in 40 rows, so that the mean of 40 rows is finer than 8 bits.
    """
    lean = Rotation.from_euler("Z", np.arctan(1 / 40)).as_matrix()
    middle = np.array([48.0, 36.0, 0.0])
    board = board_in_space(EDGE, texels_per_mm=16.0)
    exposure = tuple(
        RigidTransform(
            rotation=lean,
            translation_mm=np.array([speed_mm_s * shutter_s * share, 0.0, depth_mm]) - lean @ middle,
        )
        for share in (np.arange(moments) + 0.5) / moments - 0.5
    )
    return rendered(NO_LENS_BEND, exposure, board, **options)


@pytest.mark.parametrize("depth_mm", [160.0, 175.0, 225.0])
def test_defocus_widens_an_edge_by_the_thin_lens_disc(depth_mm):
    lens = Lens(focal_length_mm=6.0, f_number=4.0, focused_at_mm=200.0, pixel_pitch_um=3.45, sharpest_px=0.6)
    rows = slice(250, 290)
    blurred = step_variance(edge_picture(depth_mm, lens=lens), rows)
    sharp = step_variance(edge_picture(depth_mm, blur_px=0.6), rows)
    # (f / N) f |u - u0| / (u (u0 - f)) in pixels of 3.45 um; a disc's variance per axis is d^2 / 16
    disc = 1.5 * 6 * abs(depth_mm - 200) / (depth_mm * 194) / 0.00345
    assert blurred - sharp == pytest.approx(
        disc**2 / 16, abs=0.02
    )  # discs are sampled at 2 to 3 levels; tails are 8 bit


def test_motion_blur_has_the_length_of_speed_and_exposure():
    # L = v t f / Z (200 mm/s, 4 ms, 1420 px, 190 mm) = 5.98 px; uniform motion has variance L^2 / 12.
    rows = slice(250, 290)
    moving = edge_picture(190.0, speed_mm_s=200.0, shutter_s=0.004, moments=16, blur_px=0.6)
    resting = edge_picture(190.0, blur_px=0.6)
    length = 200.0 * 0.004 * 1420 / 190
    wanted = length**2 / 12
    # 16 moments: less by 1 / 256; tails are 8 bit
    assert step_variance(moving, rows) - step_variance(resting, rows) == pytest.approx(wanted, rel=0.02)


def test_motion_blur_moves_no_edge():
    rows = slice(250, 290)
    moving = edge_picture(190.0, speed_mm_s=200.0, shutter_s=0.004, moments=5, blur_px=0.6)
    resting = edge_picture(190.0, blur_px=0.6)
    light = [picture[rows, 240:300].astype(np.float64).mean() for picture in (moving, resting)]
    assert light[0] == pytest.approx(light[1], abs=0.1)  # 0.1 of 170 levels over 60 px: an edge 0.04 px off


def test_coarse_rays_make_the_picture_of_fine_ones():
    half_size = replace(
        UPPER, image_size_px=(540, 720), focal_px=(709.0, 709.2), principal_point_px=(271.3, 357.8)
    )
    board = board_in_space(PLAIN)
    place = pose((25, -30, 12), (10, -20, 180), board)
    fine, coarse = (rendered(half_size, (place,), board, grid_step_px=step).astype(float) for step in (1, 4))
    assert np.sqrt(np.mean((fine - coarse) ** 2)) < 0.25  # rounding to 8 bits of nearly equal values


def test_pictures_depend_on_the_seed_and_on_nothing_else():
    board = board_in_space(PLAIN, texels_per_mm=4.0)
    place = pose((5, 5, 0), (0, 0, 190), board)
    options = RenderOptions(sensor=Sensor(), samples=1, grid_step_px=4)
    first, again, other = (
        render_view(UPPER, (place,), board=board, options=options, rng=np.random.default_rng([403, k]))
        for k in (1, 1, 2)
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


@pytest.mark.parametrize("middle_mm", [(900, 0, 190), (0, 0, -190)])
def test_a_board_out_of_the_picture_leaves_the_background(middle_mm):
    board = board_in_space(PLAIN, texels_per_mm=4.0)
    picture = rendered(UPPER, (pose((5, 5, 0), middle_mm, board),), board)
    assert picture.min() == picture.max()


def test_a_board_half_out_of_the_picture_is_drawn_where_it_is_seen():
    board = board_in_space(PLAIN)
    place = pose((10, 20, 0), (70, 20, 190), board)
    true = corners_inside(UPPER, place, board)
    assert 20 < len(true) < 80
    picture = rendered(UPPER, (place,), board, blur_px=1.0)
    assert np.abs(centres_of_symmetry(picture, true) - true).max() < 0.03  # as for the whole board


def test_light_falls_with_the_square_of_the_distance():
    board = board_in_space(PLAIN, texels_per_mm=4.0)
    lamps = Lamps(at_mm=np.array([[0.0, 0.0, 0.0]]), paper_dn=120.0, paper_at_mm=200.0)
    quiet = Sensor(black_dn=0.0, read_noise_dn=0.0, dn_per_electron=0.0)
    brightest = [
        int(rendered(UPPER, (pose((0, 0, 0), (0, 0, z), board),), board, lamps=lamps, sensor=quiet).max())
        for z in (200.0, 250.0)
    ]
    # The brightest white square stands some 4 degrees off the axis: cosine^4 takes up to 2 %.
    assert brightest[0] == pytest.approx(120, rel=0.02)
    assert brightest[1] == pytest.approx(120 * (200 / 250) ** 2, rel=0.02)


def test_glare_adds_light_where_the_lamp_is_mirrored():
    board = board_in_space(PLAIN, texels_per_mm=4.0)
    place = (pose((0, 0, 0), (0, 0, 200), board),)
    at = np.array([[0.0, 0.0, 0.0]])
    matt, shiny = (
        rendered(UPPER, place, board, lamps=Lamps(at_mm=at, glare_dn=dn)).astype(int) for dn in (0.0, 30.0)
    )
    added = shiny - matt
    assert added[716, 543] == pytest.approx(30, abs=1)  # on the axis, the mirror's direction
    assert added[716, 543] > added[300, 543] > 0


def test_a_background_of_another_size_is_refused():
    board = board_in_space(PLAIN, texels_per_mm=4.0)
    with pytest.raises(ValueError, match="background"):
        rendered(
            UPPER, (pose((0, 0, 0), (0, 0, 190), board),), board, background_dn=np.zeros((9, 9), np.float32)
        )
