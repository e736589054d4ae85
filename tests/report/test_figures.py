"""Drawings say what the numbers say, and stay plain enough to stand in a page."""

import base64
import re
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from rigcheck.model import Estimate, RigidTransform
from rigcheck.opencv import cv2
from rigcheck.report.calibration_tables import named_rotation_deg, pose_rows, view_table
from rigcheck.report.camera_figures import coverage_figure, residual_figure, sides_of
from rigcheck.report.face_figures import depth_map_figure, views_figure
from rigcheck.report.figures import cells_path, one_digit_below, step_below, strokes
from rigcheck.report.rejections import group_rejections
from rigcheck.report.verdict import actions_first, count_sentence
from rigcheck.report.view_pictures import view_pictures

DRAW = """
import sys
import rigcheck.report
from rigcheck.model import Estimate
from rigcheck.report.face_figures import views_figure
assert "matplotlib" not in sys.modules
drawn = views_figure([Estimate(value=0.1, unit="mm", n=n) for n in (2, 9)], salt="x")
assert "<svg" in drawn and "matplotlib" in sys.modules
assert "matplotlib.pyplot" not in sys.modules
"""


def test_the_plotting_library_is_loaded_only_to_draw_and_without_its_global_figures():
    assert subprocess.run([sys.executable, "-c", DRAW], check=False, timeout=60).returncode == 0


def test_settings_of_the_plotting_library_are_left_alone(scenario):
    import matplotlib

    before = dict(matplotlib.rcParams)
    depth_map_figure(scenario.run.calibration.face_volume, salt="x")
    assert dict(matplotlib.rcParams) == before


def test_coverage_counts_cells_and_hatches_what_was_not_seen():
    counts = np.zeros((4, 5), dtype=int)
    counts[1:3, 2] = (1, 40)
    figure = coverage_figure(counts, (500, 400), salt="x")
    assert figure.covered_percent == pytest.approx(10.0, abs=1e-12), "2 of 20 cells"
    assert "<pattern" in figure.svg
    full = coverage_figure(np.full((4, 5), 40), (500, 400), salt="x")
    assert full.covered_percent == 100.0
    assert len(full.svg) < len(figure.svg), "one area instead of several"


def test_cells_are_joined_along_rows():
    mask = np.array([[True, True, False], [False, False, False], [False, True, True]])
    path = cells_path(mask, np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 10.0, 20.0, 30.0]))
    corners = path.vertices.reshape(-1, 5, 2)
    assert [(c[:, 0].min(), c[:, 0].max(), c[:, 1].min(), c[:, 1].max()) for c in corners] == [
        (0, 2, 0, 10),
        (1, 3, 20, 30),
    ]
    assert cells_path(np.zeros((2, 2), dtype=bool), np.arange(3.0), np.arange(3.0)) is None


def test_a_pattern_in_the_residuals_shows_as_means_and_noise_does_not(scenario):
    sides = sides_of(scenario.run.views, 0)
    size = (1080, 1440)
    calm = residual_figure(sides, size, salt="x")
    planted = [replace(side, residuals_px=side.residuals_px + np.array([0.4, 0.0])) for side in sides]
    loud = residual_figure(planted, size, salt="x")
    assert calm.largest_cell_mean_px < 0.2, "px: the bad view's 0.31 px over the 4 corners a cell needs"
    assert loud.largest_cell_mean_px > 0.35, "px: 0.4 planted everywhere"
    assert loud.exaggeration < calm.exaggeration, "longer residuals are drawn less exaggerated"


def test_left_out_corners_do_not_set_the_scale(scenario):
    sides = sides_of(scenario.run.views, 0)
    outlying = [
        replace(side, residuals_px=np.where(side.weights[:, None] < 0.5, 400.0, side.residuals_px))
        for side in sides
    ]
    size = (1080, 1440)
    assert (
        residual_figure(outlying, size, salt="x").exaggeration
        == residual_figure(sides, size, salt="x").exaggeration
    )
    assert residual_figure([replace(s, weights=s.weights * 0) for s in sides], size, salt="x") is None


def test_an_arrow_ends_where_it_should():
    path = strokes(np.array([[1.0, 2.0]]), np.array([[4.0, 6.0]]), head=0.3)
    assert path.vertices[:2].tolist() == [[1.0, 2.0], [4.0, 6.0]]
    assert len(path.vertices) == 6, "a line and the head's two strokes"


@pytest.mark.parametrize(
    ("value", "step", "digit"), [(0.19, 0.1, 0.1), (0.2, 0.2, 0.2), (7.3, 5, 7), (99.9, 50, 90)]
)
def test_round_scales(value, step, digit):
    assert step_below(value) == pytest.approx(step, rel=1e-12)
    assert one_digit_below(value) == pytest.approx(digit, rel=1e-12)


def test_depth_map_labels_its_lines_in_millimetres(scenario):
    volume = scenario.run.calibration.face_volume
    drawn = depth_map_figure(volume, salt="x")
    labels = {float(found) for found in re.findall(r">(0\.\d+) mm<", drawn)}
    assert labels
    assert all(volume.depth_map_mm.min() <= label <= volume.depth_map_mm.max() for label in labels)
    assert depth_map_figure(replace(volume, depth_map_mm=None), salt="x") is None
    flat = replace(volume, depth_map_mm=np.full_like(volume.depth_map_mm, 0.03))
    assert "<svg" in depth_map_figure(flat, salt="x"), "a constant map has no lines but still its box"


def test_the_falling_curve_needs_two_numbers():
    known = [Estimate(value=0.1, unit="mm", n=5), Estimate(value=0.05, unit="mm", n=20)]
    assert "0.05 mm" in views_figure(known, salt="x")
    assert views_figure([known[0], Estimate(value=None, reason="too thin", n=9)], salt="x") is None


def test_pictures_are_small_cut_to_the_board_and_worst_first(scenario):
    pictures = view_pictures(scenario.run)
    assert [(one.view_idx, one.camera) for one in pictures] == [
        (17, "upper"), (17, "lower"), (5, "upper"), (5, "lower"),
    ]  # fmt: skip
    for one in pictures:
        encoded = base64.b64decode(one.data_uri.removeprefix("data:image/jpeg;base64,"))
        picture = cv2.imdecode(np.frombuffer(encoded, np.uint8), cv2.IMREAD_UNCHANGED)
        assert picture.shape == (one.height, one.width)
        assert max(picture.shape) <= 620
        assert one.crosses.count("M") == one.n_corners
        assert one.rings.count("M") == one.n_left_out == 1


def test_crosses_sit_on_the_corners_of_the_small_picture(scenario):
    """Checked on the picture itself, by OpenCV's corner refinement."""
    one = view_pictures(scenario.run)[2]
    encoded = base64.b64decode(one.data_uri.removeprefix("data:image/jpeg;base64,"))
    picture = cv2.imdecode(np.frombuffer(encoded, np.uint8), cv2.IMREAD_GRAYSCALE)
    arm = 0.008 * max(one.width, one.height)
    starts = np.array(re.findall(r"M(-?[\d.]+) (-?[\d.]+)h", one.crosses), dtype=float)
    corners = starts + np.array([arm, 0.0])
    refined = cv2.cornerSubPix(
        picture, corners[:, None].astype(np.float32), (5, 5), (-1, -1), (cv2.TERM_CRITERIA_EPS + 1, 40, 0.01)
    ).reshape(-1, 2)
    away = np.hypot(*(refined - corners + 0.5).T)
    assert np.median(away) < 0.6, "px: JPEG, half-size rendering and a rounded path"


def test_sixteen_bit_and_scaled_pictures_come_out_the_same_size(scenario):
    run = scenario.run
    half = {key: cv2.resize(image, None, fx=0.5, fy=0.5) for key, image in run.pictures.items()}
    deep = {key: image.astype(np.uint16) * 4 for key, image in run.pictures.items()}
    whole = view_pictures(run)
    assert [one.width for one in view_pictures(replace(run, pictures=deep))] == [one.width for one in whole]
    for small, large in zip(view_pictures(replace(run, pictures=half)), whole, strict=True):
        assert small.width / small.height == pytest.approx(large.width / large.height, rel=0.03), (
            "margin rounds"
        )


def test_named_rotation_against_a_pair_turned_by_hand():
    """OpenCV's Rodrigues as the oracle: camera 2 at +x, toed in by 20 degrees, then twisted a little."""

    def turn(axis, degrees):
        return cv2.Rodrigues(np.radians(degrees) * np.asarray(axis, dtype=float))[0]

    half = np.radians(10.0)
    centre = 72.0 * np.array([np.cos(half), 0.0, np.sin(half)])
    rotation = turn([0, -1, 0], 20.0).T
    named = named_rotation_deg(RigidTransform(rotation=rotation, translation_mm=-rotation @ centre))
    found = (named.convergence_deg, named.across_deg, named.twist_deg)
    assert found == pytest.approx((20.0, 0.0, 0.0), abs=1e-9), "degrees: exact but for rounding"
    view = np.array([-np.sin(half), 0.0, np.cos(half)])
    twisted = (turn(view, 0.5) @ turn([0, -1, 0], 20.0)).T
    named = named_rotation_deg(RigidTransform(rotation=twisted, translation_mm=-twisted @ centre))
    assert abs(named.twist_deg) == pytest.approx(0.5, abs=0.02), "degrees: turns of 20 and 0.5 do not commute"
    assert named.convergence_deg == pytest.approx(20.0, abs=0.01), "degrees: the same"


def test_rows_carry_both_sigmas(scenario):
    rows = {row.name: row for row in pose_rows(scenario.run)}
    assert rows["Baseline"].number.replace("\u00a0", " ") == "72.004 ± 0.012 mm"
    assert rows["Baseline"].leave_out.replace("\u00a0", " ") == "0.014 mm"
    assert rows["Twist"].leave_out.endswith("larger")


def test_a_clip_is_named_once_and_a_folder_of_pictures_in_every_row(scenario):
    table = view_table(scenario.run)
    assert table.origins == (("upper", "heron_upper_A004.mov"), ("lower", "heron_lower_A004.mov"))
    assert table.rows[0].frames == ("10:00:07:00",), "both cameras at the same timecode"
    views = []
    for view in scenario.run.views:
        side = view.sides[0]
        ref = replace(side.observation.ref, origin=f"/rushes/day 1/{view.view_idx:04d}.png", timecode=None)
        side = replace(side, observation=replace(side.observation, ref=ref))
        views.append(replace(view, sides=(side, view.sides[1])))
    table = view_table(replace(scenario.run, views=tuple(views)))
    assert table.rows[3].frames[0].startswith("0003.png frame"), "the folder is in the provenance"


def test_rejections_are_counted_by_reason(scenario):
    groups = group_rejections(scenario.run.rejected)
    assert [(group.code, group.count) for group in groups] == [
        ("moving", 1404), ("blurred", 612), ("few_corners", 148), ("no_board", 37),
    ]  # fmt: skip
    assert all(sum(count for _, count in group.by_camera) == group.count for group in groups)
    assert group_rejections(()) == ()
    named = [replace(one, sentence=f"{one.ref.label}: no board.") for one in scenario.run.rejected]
    assert {group.sentence for group in group_rejections(named)} == {"no board."}


def test_an_action_asked_for_twice_is_listed_once_at_its_most_harmful_place(scenario):
    checks = tuple(
        replace(check, action="Film again.") if check.status in {"fail", "caution"} else check
        for check in scenario.checks()
    )
    first = actions_first(checks)[0]
    assert (first.action, first.status) == ("Film again.", "fail")
    assert [check.status for check in first.checks] == ["fail", "caution"]
    passed = tuple(replace(check, status="pass") for check in checks)
    assert actions_first(passed) == (), "what passed asks for nothing, whatever its action says"


def test_what_a_worse_check_asks_for_with_more_words_is_not_asked_for_twice(scenario):
    asked = {
        "fail": "Move the bar. Film again.",
        "caution": "Move the bar.",
        "inconclusive": "Nothing to turn.",
    }
    checks = tuple(replace(check, action=asked.get(check.status, "")) for check in scenario.checks())
    assert {"fail", "caution", "inconclusive"} <= {check.status for check in checks}
    (only,) = actions_first(checks)
    assert only.action == "Move the bar. Film again."
    assert {check.status for check in only.checks} == {"fail", "caution"}


def test_counts_in_words(scenario):
    assert (
        count_sentence(scenario.checks())
        == "9 checks: 1 failed, 1 not decided, 1 with caution, 5 passed, 1 skipped."
    )
    assert count_sentence(()) == "No check was run."
