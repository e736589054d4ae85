"""Measures that picking reads from points and pictures, against published numbers and synthetic pictures."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import gaussian_kde
from skimage.data import astronaut

from rigcheck.face.picks_change import left_over_dn
from rigcheck.face.picks_contacts import contact_depth, same_teeth
from rigcheck.face.picks_depth import mean_of_third
from rigcheck.face.picks_pair import IRIS_ARM_MM, gaze_deg, vergence_deg
from rigcheck.face.picks_rows import rows_seen
from rigcheck.face.picks_sealed import apart_chance
from rigcheck.face.picks_seam import read_seam
from rigcheck.face.picks_shape import eye_aspect_ratio, shape_numbers
from rigcheck.face.picks_still import MovedSince, read_stillness
from rigcheck.face.picks_strip import FINE_COLUMNS, MouthStrip, mouth_strip
from rigcheck.face.picks_teeth import read_teeth
from rigcheck.face.picks_usual import Sample, clip_usual, commonest, least_common, seam_excess
from rigcheck.landmarks import FaceFinder
from rigcheck.model import FACE_POINTS, Estimate, Frame, FrameRef
from rigcheck.model.picking import PoseReading
from rigcheck.opencv import cv2

STEP = 0.003


def test_eye_aspect_ratio_of_the_paper():
    """Soukupová & Čech 2016, eq. 1: an eye 30 wide and 10 high gives 20 / 60 = 0.333 (handbook 5)."""
    eye = np.array([[0, 0], [10, -5], [20, -5], [30, 0], [20, 5], [10, 5]], dtype=np.float64)
    assert eye_aspect_ratio(eye) == pytest.approx(1 / 3, abs=1e-12)
    turn = np.array([[np.cos(0.7), -np.sin(0.7)], [np.sin(0.7), np.cos(0.7)]])
    assert eye_aspect_ratio(3.7 * eye @ turn + 100) == pytest.approx(1 / 3, abs=1e-12)
    assert eye_aspect_ratio(eye * [1, 0.0]) == 0.0
    assert np.isnan(eye_aspect_ratio(np.zeros((6, 2))))


@pytest.mark.parametrize(
    ("distance_m", "degrees"), [(0.3, 12.37), (0.5, 7.44), (1, 3.72), (2, 1.86), (6, 0.62), (np.inf, 0.0)]
)
def test_vergence_table(distance_m, degrees):
    """Handbook 5, 65 mm between the pupils; half of the last digit quoted."""
    assert vergence_deg(1000 * distance_m, 65.0) == pytest.approx(degrees, abs=0.005)


def test_iris_shift_of_one_degree():
    """Handbook 5: 10 to 10.5 mm · sin(angle) is 0.175 to 0.183 mm a degree; 5 degrees of kappa are 0.87 to 0.92 mm."""
    assert 10.0 <= IRIS_ARM_MM <= 10.5
    assert gaze_deg(0.179) == pytest.approx(1.0, abs=0.03)  # the middle of the range quoted
    assert 0.87 <= IRIS_ARM_MM * np.sin(np.radians(5.0)) <= 0.92
    assert gaze_deg(99.0) == 90.0


def strip_of(levels, opening=0.0):
    rows, columns = levels.shape
    height = STEP * (np.arange(rows) - rows // 2)
    return MouthStrip(
        levels=levels,
        height=height,
        upper=np.full(columns, -opening / 2),
        lower=np.full(columns, opening / 2),
        along=np.linspace(0.06, 0.94, columns),
        unit_px=333.0,
        places_px=np.zeros((rows, columns, 2)),
    )


def seam_picture(width, *, upper=80.0, lower=120.0, blur=1.0, dark=0.0, at=0.0):
    """Lips of two brightnesses and a line of `width` eye distances between them, blurred by `blur` rows."""
    fine = 20
    rows = 101
    y = STEP * (np.arange(rows * fine) / fine - rows // 2 + 0.5 / fine - 0.5) - at
    level = np.where(y < 0, upper, lower)
    level = np.where(np.abs(y) <= width / 2, dark * level, level)
    level = cv2.GaussianBlur(
        level.reshape(-1, 1), (1, 0x7F | 1), blur * fine, borderType=cv2.BORDER_REPLICATE
    )
    return np.repeat(level.reshape(rows, fine).mean(1)[:, None], 48, axis=1)


def test_width_of_a_black_line_is_its_width():
    """Equal lips: the summed darkness of a wholly black line is its width, whatever blur and exposure."""
    for blur in (0.5, 1.5, 2.5):
        for gain in (1.0, 0.3):
            seam = read_seam(
                strip_of(gain * seam_picture(0.02, upper=100, lower=100, blur=blur)), noise_dn=1.0
            )
            # One row in the line's blurred edges (0.003), less what stays under one code value.
            assert np.median(seam.width) == pytest.approx(0.02, abs=0.0012)


def test_step_between_lips_is_no_line():
    seam = read_seam(strip_of(seam_picture(0.0, upper=70, lower=130)), noise_dn=1.0)
    # Halves of a step cancel in brightness, not in shares of it; a sealed seam of the eight heads is 0.014 and more.
    assert abs(np.median(seam.width)) < 0.007


def test_noise_of_the_seam():
    """Sigma against the spread over pictures; 15 %: 64 pictures of 48 columns, the line moves with the noise."""
    clean = seam_picture(0.012, upper=100, lower=100)
    found = []
    for k in range(64):
        rng = np.random.default_rng([41, k])
        found.append(read_seam(strip_of(clean + rng.normal(0, 2.0, clean.shape)), noise_dn=2.0))
    spread = np.std([seam.width for seam in found], axis=0).mean()
    sigma = np.mean([seam.sigma for seam in found])
    assert 0.7 < spread / sigma < 1.6  # the lips' own medians add to it


def test_gap_at_one_end_is_found_and_a_sealed_seam_is_not():
    sealed, apart = seam_picture(0.010), seam_picture(0.018)
    width = read_seam(strip_of(sealed), noise_dn=1.0).width
    assert seam_excess(width, width) == 0.0
    part = sealed.copy()
    part[:, 34:44] = apart[:, 34:44]
    assert seam_excess(read_seam(strip_of(part), noise_dn=1.0).width, width) == pytest.approx(
        0.008, abs=0.0025
    )
    assert np.isnan(seam_excess(np.full(48, np.nan), width))


def seam_reading(width, depth):
    measures = {
        "seam_width": Estimate(value=width, unit="of eye distance"),
        "seam_depth": Estimate(value=depth, unit="of lips"),
    }
    ref = FrameRef(camera="upper", frame_idx=0, origin="x")
    return PoseReading(refs=(ref,), cameras={"upper": measures})


def test_chance_that_lips_are_apart():
    """A wide black line, a thin pale one, one between; numbers of the eight rendered heads in `picks_sealed`."""
    assert apart_chance(seam_reading(0.037, 0.11)).value > 0.95  # head 1, 2 mm apart
    assert apart_chance(seam_reading(0.016, 0.54)).value < 0.1  # head 4, sealed
    assert 0.2 < apart_chance(seam_reading(0.027, 0.35)).value < 0.8  # head 0, sealed, in shadow
    assert apart_chance(PoseReading(refs=seam_reading(1, 1).refs, cameras={"upper": {}})).value is None


def teeth_picture(gap, *, opening=0.18, teeth=150.0, lips=80.0, row=0.06):
    """Two rows of teeth with a dark gap, in an opening between lips with soft dark edges."""
    rows = 121
    y = STEP * (np.arange(rows) - rows // 2)
    level = np.full((rows, 48), lips)
    level[np.abs(y) < opening / 2] = 0.15 * lips
    level[(y > -gap / 2 - row) & (y < -gap / 2)] = teeth
    level[(y > gap / 2) & (y < gap / 2 + row)] = teeth
    if gap == 0:
        level[np.abs(y) < STEP] = 0.8 * teeth
    return level


def test_gap_between_rows():
    for gap in (0.02, 0.04):
        rows = read_teeth(strip_of(teeth_picture(gap), opening=0.18))
        # 0.85 of its width is dark when what lies between is 0.15 of the lips; a row of rounding either side.
        assert rows.gap == pytest.approx(gap * (1 - 0.15 * 80 / 150), abs=0.004)
    closed = read_teeth(strip_of(teeth_picture(0.0), opening=0.18))
    assert closed.gap is None or closed.gap < 0.003
    assert closed.shown == pytest.approx(0.12, abs=0.01)  # two rows of 0.06
    assert closed.brightness > 1.5


def test_lips_edge_below_one_row_is_no_gap():
    picture = teeth_picture(0.04)
    picture[:60] = 80.0  # only the lower row; over it the upper lip
    picture[82:] = 150.0  # a lower lip as bright as teeth, soft-edged
    picture = cv2.GaussianBlur(picture, (1, 31), 4.0)
    assert read_teeth(strip_of(picture, opening=0.14)).gap is None


def test_lip_as_bright_as_teeth_is_no_row():
    """The dark edge of the upper lip over one row, with nothing of the upper row to be seen."""
    picture = teeth_picture(0.0)
    picture[:] = 140.0  # skin and lips nearly as bright as teeth
    edge = 60 - round(0.09 / STEP)
    picture[edge : 60 + round(0.05 / STEP)] = 150.0
    picture[edge - 1 : edge + 2] = 50.0
    picture = cv2.GaussianBlur(picture, (1, 9), 1.0)
    assert read_teeth(strip_of(picture, opening=0.18)).gap is None


def row_picture(tooth_mm, *, rows=1, unit_mm=87.8, columns=240):
    """One row or two of teeth, each with lines between teeth of this width, on a mouth of 0.6 eye distances."""
    height = STEP * (np.arange(121) - 60)
    picture = np.full((121, columns), 60.0)
    across = np.linspace(-0.3, 0.3, columns) * unit_mm
    for row in range(rows):
        low, high = ((-0.09, 0.09), (0.005, 0.09))[rows - 1] if row == 0 else (-0.09, -0.005)
        inside = (height > low) & (height < high)
        wide = tooth_mm if row == 0 else 8.5 * tooth_mm / 5.3
        off = np.abs((across / wide) - np.rint(across / wide)) * wide
        picture[inside] = np.where(off < 0.25, 70.0, 150.0)
    return cv2.GaussianBlur(picture, (3, 3), 0.7)


def wide_strip(picture):
    strip = strip_of(picture, opening=0.18)
    places = np.stack(
        np.meshgrid(np.linspace(-0.3, 0.3, picture.shape[1]) * 333.0, strip.height * 333.0), axis=-1
    )
    return replace(strip, places_px=places)


@pytest.mark.parametrize(("tooth_mm", "rows"), [(5.3, "lower"), (8.5, "upper"), (7.0, "unclear")])
def test_which_row_by_the_width_of_a_tooth(tooth_mm, rows):
    """Crowns of lower and upper central incisors, 5.3 and 8.5 mm (Nelson, Wheeler's Dental Anatomy; from memory).

    A fifth larger than in the plane of the eyes, as teeth are that lie 40 of 240 mm nearer to the camera.
    """
    seen = rows_seen(wide_strip(row_picture(1.2 * tooth_mm)))
    if rows == "unclear":
        assert seen.tooth == pytest.approx(1.2 * tooth_mm / 87.8, rel=0.1)
        return
    assert seen.rows == rows
    assert (seen.lower if rows == "lower" else seen.upper) == pytest.approx(0.18, abs=0.015)
    assert seen.tooth == pytest.approx(1.2 * tooth_mm / 87.8, rel=0.1)


def test_both_rows_by_the_line_between():
    seen = rows_seen(wide_strip(row_picture(6.4, rows=2)))
    assert seen.rows == "both"
    assert seen.upper == pytest.approx(0.085, abs=0.015)
    assert seen.lower == pytest.approx(0.085, abs=0.015)


def open_rows(below):
    """Rows 0.03 (2.6 mm) apart, and points that take the dark line between them for where the lips meet."""
    picture = row_picture(6.4, rows=2)
    gap = np.abs(STEP * (np.arange(121) - 60)) < 0.015
    picture[gap] = 15.0
    if below is not None:
        start = int(np.flatnonzero(gap)[-1]) + 1
        picture[start:] = below[: 121 - start]
    strip = wide_strip(picture)
    return replace(strip, upper=np.full(240, -0.09), lower=np.full(240, 0.015))


def test_line_that_the_points_take_for_the_lip_is_found_by_the_teeth_below_it():
    rows = read_teeth(open_rows(None))
    assert rows.gap == pytest.approx(0.03 * (1 - 15 / 150), abs=0.004)  # a row of rounding


@pytest.mark.parametrize("furrows", [0.0, 0.08, 0.14])
def test_lip_as_bright_as_teeth_under_a_dark_line_is_no_row(furrows):
    """A lower lip, smooth or with furrows down it as deep as rendered lips have in their three deepest and deeper."""
    across = np.cos(2 * np.pi * np.linspace(-0.3, 0.3, 240) / 0.07)
    lip = np.tile(150.0 * (1.0 - furrows * (1 + across) / 2), (121, 1))
    assert read_teeth(open_rows(lip)).gap is None


def test_contacts_of_a_portrait():
    """A smile that a general library carries (public domain): lines between its upper teeth, and none across its lip.

    Where the rows lie was read off an enlargement by eye: teeth from 1.5 mm under the points' upper lip on, the lip
    from their lower one on. The face is a fifth as large as a helmet's camera sees one.
    """
    grey = cv2.cvtColor(astronaut()[:300, 100:400], cv2.COLOR_RGB2GRAY)
    grey = cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    ref = FrameRef(camera="front", frame_idx=0, origin="x")
    face = FaceFinder().find(Frame(ref=ref, image=grey)).points_px
    strip = mouth_strip(grey, face, reach=0.12, columns=FINE_COLUMNS)
    middle = (strip.along > 0.2) & (strip.along < 0.8)
    teeth, lip = (
        np.where(middle, edge, np.nan) for edge in (strip.upper + 1.5 / 87.8, strip.lower + 0.5 / 87.8)
    )
    assert contact_depth(strip, teeth, 1) > 0.1
    assert contact_depth(strip, lip, 1) < 0.05
    assert not same_teeth(strip, teeth, lip)


def test_no_contacts_where_nothing_is_known():
    strip = open_rows(None)
    assert contact_depth(strip, np.full(240, np.nan), 1) == 0.0
    assert not same_teeth(strip, np.full(240, np.nan), np.zeros(240))


def test_jaw_to_one_side_does_not_say_what_a_sealed_seam_is():
    """A chin 2 mm aside shears the seam: wider at one end, narrower at the other, and no wider on the whole."""
    slope = np.linspace(-0.005, 0.005, 48)
    shape = {"mouth_width": 0.55, "lip_height": 0.24, "lip_gap": 0.0}
    rest = Sample(cameras={"upper": shape | {"jaw_aside": 0.0}}, seams={"upper": np.full(48, 0.02)})
    aside = Sample(cameras={"upper": shape | {"jaw_aside": 0.023}}, seams={"upper": 0.0199 + slope})
    usual = clip_usual([*[rest] * 12, *[aside] * 16])
    assert seam_excess(rest.seams["upper"], usual.seams["upper"]) < 0.001
    # By the place of the chin it is known; without it the commoner hold would say.
    blind = [replace(each, cameras={"upper": shape}) for each in (rest, aside)]
    known = clip_usual([*[blind[0]] * 12, *[blind[1]] * 16]).seams["upper"]
    assert seam_excess(rest.seams["upper"], known) > 0.003


def test_lip_along_the_mouth_is_a_parabola_whatever_part_of_it_is_seen():
    """Against the true parabola's integral over the middle third; nothing known about the middle, one in ten off."""
    rng = np.random.default_rng([44, 0])
    true = np.poly1d([40.0, 3.0, 185.0])
    whole = np.polyint(true)
    mean = (whole(1 / 6) - whole(-1 / 6)) * 3.0
    off = []
    for _ in range(300):
        place = np.concatenate([rng.uniform(-1 / 3, -0.15, 16), rng.uniform(0.1, 1 / 3, 16)])
        depth = true(place) + rng.normal(0.0, 0.4, 32)
        depth[:3] += 6.0
        value, sigma = mean_of_third(place, depth)
        off.append((value - mean) / sigma)
    # Huber's loss keeps a tenth of gross outliers to half a sigma; a plain fit lies 2.9 off.
    assert abs(np.mean(off)) < 0.6
    assert 0.75 < np.std(off) < 1.3
    exact, sigma = mean_of_third(place, true(place))
    assert exact == pytest.approx(mean, abs=1e-9)
    assert sigma < 1e-6


def test_no_teeth_no_row():
    assert rows_seen(wide_strip(np.full((121, 240), 60.0))).rows in ("none", "unclear")


def test_shut_mouth_has_no_teeth():
    assert read_teeth(strip_of(seam_picture(0.01), opening=0.004)).shown == 0.0


def test_commonest_agrees_with_a_kernel_density():
    """The mode of scipy's Gaussian kernel density of the same width; one step of mean shift stays that near."""
    rng = np.random.default_rng([42, 0])
    values = np.concatenate([rng.normal(0.5, 0.01, 60), rng.normal(0.62, 0.004, 30)])
    density = gaussian_kde(values, bw_method=0.012 / values.std(ddof=1))
    grid = np.linspace(0.4, 0.7, 3001)
    assert commonest(values, 0.012) == pytest.approx(grid[density(grid).argmax()], abs=0.002)


def test_least_common_finds_the_lower_rest_and_not_a_stray():
    rng = np.random.default_rng([42, 1])
    values = np.concatenate([rng.normal(0.02, 0.0008, 20), rng.normal(0.03, 0.0008, 50), [0.001, 0.009]])
    assert least_common(values, 0.0008) == pytest.approx(0.02, abs=0.001)


def face_picture(seed=0, size=(360, 480)):
    rng = np.random.default_rng([43, seed])
    fine = rng.normal(0, 1, (size[1], size[0])).astype(np.float32)
    texture = cv2.GaussianBlur(fine, (0, 0), 1.5)
    return np.clip(110 + 60 * texture / texture.std() * 0.3, 0, 255).astype(np.float32)


def mesh_like_points():
    """Points in a face's rough places: enough that the parts lie apart."""
    rng = np.random.default_rng([44, 0])
    points = rng.uniform([110, 120], [250, 360], (478, 2))
    named = {
        "eye_outer_right": (70, 160),
        "eye_inner_right": (140, 165),
        "eye_inner_left": (220, 165),
        "eye_outer_left": (290, 160),
        "nose_tip": (180, 240),
        "chin": (180, 420),
        "mouth_corner_right": (120, 320),
        "mouth_corner_left": (240, 320),
    }
    for name, place in named.items():
        points[FACE_POINTS[name]] = place
    for k in (0, 17, 13, 14, 37, 267, 84, 314, 40, 270, 91, 321, 78, 308, 82, 312, 87, 317):
        points[k] = rng.uniform([125, 300], [235, 340])
    for k in (160, 158, 153, 144, 159, 145, 468, 470, 472, 387, 385, 373, 380, 386, 374, 473, 475, 477):
        points[k] = rng.uniform([80, 150], [280, 175])
    for k in (168, 6, 197, 195, 5, 122, 351, 193, 417, 245, 465, 188, 412, 174, 399):
        points[k] = rng.uniform([150, 150], [210, 250])
    return points


def moved(picture, shift, box=None):
    warp = np.float32([[1, 0, shift[0]], [0, 1, shift[1]]])
    out = cv2.warpAffine(
        picture, warp, picture.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    if box is not None:
        whole = picture.copy()
        whole[box] = out[box]
        out = whole
    return np.clip(np.rint(out), 0, 255).astype(np.uint8)


def test_a_moving_head_is_not_a_moving_face():
    picture, points = face_picture(), mesh_like_points()
    here = np.rint(picture).astype(np.uint8)
    speeds = read_stillness(here, points, (MovedSince(image=moved(picture, (0.6, -0.8)), seconds=0.1),))
    # 1 px of 220 px between the eyes in 0.1 s.
    assert speeds["speed_head"].value == pytest.approx(1.0 / 220 / 0.1, rel=0.1)
    assert speeds["speed_mouth"].value < 0.15 * speeds["speed_head"].value  # what following leaves over


def test_a_moving_mouth_is_found():
    picture, points = face_picture(1), mesh_like_points()
    here = np.rint(picture).astype(np.uint8)
    mouth = (slice(270, 370), slice(90, 270))
    speeds = read_stillness(here, points, (MovedSince(image=moved(picture, (0.0, 1.5), mouth), seconds=0.1),))
    # Of 1.5 px; a third of the points lie where the patch's edge spoils them.
    assert speeds["speed_mouth"].value == pytest.approx(1.5 / 220 / 0.1, rel=0.25)
    assert speeds["speed_eye_left"].value < 0.1 * speeds["speed_mouth"].value
    assert speeds["speed_head"].value < 0.1 * speeds["speed_mouth"].value


def test_sway_and_light_are_no_change_and_a_moving_lid_is():
    """Planted changes: half a pixel and 5 % of light leave what noise leaves, a band moved by 1.5 px does not."""
    rng = np.random.default_rng([45, 0])
    base = cv2.GaussianBlur(rng.normal(0, 1, (60, 190)).astype(np.float32), (0, 0), 2.0)
    base = 100 + 25 * base / base.std()

    def shot(seed, shift=(0.0, 0.0), gain=1.0, lid=0.0):
        own = np.random.default_rng([45, seed])
        picture = base.copy()
        if lid:
            picture[20:40] = cv2.warpAffine(base, np.float32([[1, 0, 0], [0, 1, lid]]), base.shape[::-1])[
                20:40
            ]
        warp = np.float32([[1, 0, shift[0]], [0, 1, shift[1]]])
        picture = (
            gain * cv2.warpAffine(picture, warp, base.shape[::-1], flags=cv2.INTER_CUBIC)[10:-10, 10:-10]
        )
        return (picture + own.normal(0, 0.6, picture.shape)).astype(np.float32)

    noise = left_over_dn(shot(1), shot(2))
    assert noise == pytest.approx(0.6 * np.sqrt(2), rel=0.05)
    for changed in (shot(3, shift=(0.4, -0.3)), shot(4, gain=1.05)):
        assert left_over_dn(changed, shot(2)) < 1.2 * noise
    assert left_over_dn(shot(5, lid=1.5), shot(2)) > 3.0 * noise


def test_pictures_without_times_say_so():
    speeds = read_stillness(np.zeros((48, 36), np.uint8), mesh_like_points(), ())
    assert all(each.value is None and "without times" in each.reason for each in speeds.values())


def test_shape_does_not_depend_on_how_the_camera_is_mounted():
    points = mesh_like_points()
    upright = shape_numbers(points)
    turned = shape_numbers(points @ np.array([[0.0, 1.0], [-1.0, 0.0]]) + [500, 0])
    for name, value in upright.items():
        assert turned[name] == pytest.approx(value, abs=1e-12), name
