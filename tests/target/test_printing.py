"""The printed page: rasterised, the board is found in it at the right size; the boards that come along."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from rigcheck.errors import ConfigError
from rigcheck.model import BoardSpec, Observation
from rigcheck.records import read_board
from rigcheck.target import PAPERS_MM, board_pdf, board_sheet, board_svg, detect_board
from rigcheck.target.layout import board_layout, marker_side_modules, open_dictionary

BOARDS = sorted((Path(__file__).parents[2] / "boards").glob("*.yaml"))
DPI = 254.0
PX_PER_MM = DPI / 25.4
# The class of rig the boards are for: handbook table of board sizes, 1080 x 1440 with f = 1420 px.
FOCAL_PX, FAR_MM, SIZE_PX = 1420.0, 250.0, (1080, 1440)


def rasterised(pdf):
    """Picture (H, W) uint8, size in mm, px per mm (x, y): the rasteriser rounds up to whole pixels."""
    document = pypdfium2.PdfDocument(pdf)
    page = document[0]
    picture = page.render(scale=DPI / 72.0, grayscale=True).to_numpy()
    size_mm = np.array(page.get_size()) / 72.0 * 25.4
    page.close()
    document.close()
    picture = np.ascontiguousarray(picture.reshape(picture.shape[:2]))
    return picture, size_mm, np.array(picture.shape[::-1]) / size_mm


def found_corners_mm(picture, px_per_mm, spec, ref):
    """Corners on the page, mm from its top-left corner (pixel centres are half a pixel in)."""
    seen = detect_board(picture, spec, ref)
    assert isinstance(seen, Observation)
    assert seen.n == len(spec.corners_mm)
    return (seen.corners_px + 0.5) / px_per_mm


def size_errors_mm(picture, px_per_mm, spec, ref):
    """Found minus described distance between the outermost corners, across and down."""
    columns, rows = spec.corner_grid
    at = found_corners_mm(picture, px_per_mm, spec, ref).reshape(rows, columns, 2)
    across = np.linalg.norm(at[:, -1] - at[:, 0], axis=1) - (columns - 1) * spec.square_mm
    down = np.linalg.norm(at[-1] - at[0], axis=1) - (rows - 1) * spec.square_mm
    return np.concatenate([across, down])


@pytest.mark.parametrize("path", BOARDS, ids=lambda path: path.stem)
def test_board_in_the_rasterised_page_has_its_size(path, ref):
    spec = read_board(path)
    picture, size_mm, px_per_mm = rasterised(board_pdf(spec))
    assert (
        np.abs(size_errors_mm(picture, px_per_mm, spec, ref)).max() < 0.05
    )  # mm: asked for; half a pixel here
    sheet = board_sheet(spec)
    np.testing.assert_allclose(size_mm, sheet.size_mm, atol=0.01)  # mm: PDF keeps 1/100 point
    expected = spec.corners_mm[:, :2] + sheet.board_origin_mm
    found = found_corners_mm(picture, px_per_mm, spec, ref)
    np.testing.assert_allclose(found, expected, atol=0.05)  # mm: as above


def test_a_page_printed_at_97_percent_fails_the_same_check(ref):
    spec = read_board(BOARDS[0])
    shrunk = replace(spec, square_mm=0.97 * spec.square_mm, marker_mm=0.97 * spec.marker_mm)
    picture, _, px_per_mm = rasterised(board_pdf(shrunk))
    assert (
        np.abs(size_errors_mm(picture, px_per_mm, spec, ref)).min() > 0.05
    )  # the planted fault is 1.4 to 2.2 mm


def test_rulers_measure_what_they_say():
    spec = read_board(BOARDS[0])
    sheet = board_sheet(spec)
    picture, _, _ = rasterised(board_pdf(spec))
    dark = picture < 128
    below = sheet.lines_mm[:, 1].max()  # the lower ruler's ticks start on its base line
    row = round((below + 4.0) * PX_PER_MM)  # only the ticks of whole centimetres reach this far
    ticks = np.flatnonzero(np.diff(np.concatenate(([0], dark[row].astype(int)))) == 1) / PX_PER_MM
    assert sheet.ruler_mm == 100
    np.testing.assert_allclose(np.diff(ticks), 10.0, atol=0.15)  # mm: start of a stroke, to a pixel
    assert ticks[-1] - ticks[0] == pytest.approx(100.0, abs=0.15)


def test_quiet_zone_is_white_and_words_are_there():
    spec = read_board(BOARDS[0])
    sheet = board_sheet(spec)
    picture, _, _ = rasterised(board_pdf(spec))
    x0, y0 = np.array(sheet.board_origin_mm) - spec.square_mm
    x1, y1 = np.array(sheet.board_origin_mm) + (np.array(spec.squares) + 1) * spec.square_mm
    zone = picture[
        round(y0 * PX_PER_MM) + 1 : round(y1 * PX_PER_MM), round(x0 * PX_PER_MM) + 1 : round(x1 * PX_PER_MM)
    ]
    edge = round(spec.square_mm * PX_PER_MM) - 2
    assert zone[:edge].min() == zone[-edge:].min() == zone[:, :edge].min() == zone[:, -edge:].min() == 255
    document = pypdfium2.PdfDocument(board_pdf(spec))
    page = document[0]
    text_page = page.get_textpage()
    words = text_page.get_text_bounded()
    text_page.close()
    page.close()
    document.close()
    for needed in ("measure this before use", spec.name, "8 x 11 squares of 8 mm", sheet.paper, "100 mm"):
        assert needed in words


def test_svg_holds_the_same_outlines_in_millimetres():
    spec = read_board(BOARDS[0])
    sheet = board_sheet(spec)
    root = ET.fromstring(board_svg(spec))
    assert root.attrib["width"] == f"{sheet.size_mm[0]:g}mm"
    assert root.attrib["viewBox"] == f"0 0 {sheet.size_mm[0]:g} {sheet.size_mm[1]:g}"
    fills = [p for p in root.iter("{http://www.w3.org/2000/svg}path") if p.attrib.get("fill") == "#000"]
    assert len(fills) == 1
    assert fills[0].attrib["fill-rule"] == "evenodd"
    numbers = np.array([float(n) for n in re.findall(r"-?[\d.]+", fills[0].attrib["d"])]).reshape(-1, 2)
    np.testing.assert_allclose(numbers, np.concatenate(sheet.loops_mm), atol=1e-4)  # mm: four decimals
    assert "measure this before use" in "".join(root.itertext())


def test_names_with_markup_stay_text():
    spec = replace(read_board(BOARDS[0]), name="<b>&\u2603")
    root = ET.fromstring(board_svg(spec))
    assert any("<b>&\u2603" in (text or "") for text in root.itertext())
    assert board_pdf(spec).startswith(b"%PDF")


def test_files_are_the_same_each_time():
    spec = read_board(BOARDS[0])
    assert board_pdf(spec) == board_pdf(spec)
    assert board_svg(spec) == board_svg(spec)


def plain(squares, square_mm):
    return BoardSpec(name="plain", kind="checkerboard", squares=squares, square_mm=square_mm)


@pytest.mark.parametrize(
    ("squares", "square_mm", "paper", "upright"),
    [
        ((8, 11), 10.0, "A5", True),
        ((11, 8), 10.0, "A4", True),
        ((14, 7), 8.0, "A5", False),
        ((8, 11), 16.0, "A4", True),
        ((8, 11), 33.0, "A2", True),
    ],
)
def test_smallest_paper_is_chosen_and_turned(squares, square_mm, paper, upright):
    sheet = board_sheet(plain(squares, square_mm))
    assert sheet.paper == paper
    assert (sheet.size_mm[0] < sheet.size_mm[1]) == upright
    everything = np.concatenate([*sheet.loops_mm, sheet.lines_mm[:, :2], sheet.lines_mm[:, 2:]])
    assert everything.min() >= 5.9  # mm: the margin of 6, less half a stroke
    assert (np.array(sheet.size_mm) - everything.max(axis=0)).min() >= 5.9


def test_paper_can_be_named_or_is_refused():
    assert board_sheet(plain((8, 11), 10.0), paper="tabloid").paper == "Tabloid"
    with pytest.raises(ConfigError, match="A5 is 148 x 210 mm") as caught:
        board_pdf(plain((8, 11), 16.0), paper="A5")
    assert "use A4" in caught.value.hint
    with pytest.raises(ConfigError, match=r"532 x 709 mm of paper needed.*A2 is 420 x 594"):
        board_svg(plain((8, 11), 50.0))
    with pytest.raises(ConfigError, match="'B9' found"):
        board_sheet(plain((8, 11), 10.0), paper="B9")


def test_paper_sizes_are_the_published_ones():
    # ISO 216: An has 2^-n square metre and sides 1 : sqrt 2, rounded to a millimetre.
    for number in (2, 3, 4, 5):
        short, long = PAPERS_MM[f"A{number}"]
        assert long == pytest.approx(1000 * 2 ** (0.25 - number / 2), abs=0.7)  # mm: sides are rounded down
        assert short == pytest.approx(1000 * 2 ** (-0.25 - number / 2), abs=0.7)
    # ASME Y14.1, from memory: sizes A and B are 8.5 x 11 and 11 x 17 inches.
    assert PAPERS_MM["Letter"] == pytest.approx((8.5 * 25.4, 11 * 25.4))
    assert PAPERS_MM["Tabloid"] == pytest.approx((11 * 25.4, 17 * 25.4))


def test_boards_that_come_along():
    specs = [read_board(path) for path in BOARDS]
    assert sorted(spec.kind for spec in specs) == ["charuco"] * 3 + ["checkerboard"]
    assert [spec.name for spec in specs] == [path.stem for path in BOARDS]
    assert any(spec.squares == (9, 12) and spec.square_mm == 9.0 for spec in specs)


@pytest.mark.parametrize(
    "path", [p for p in BOARDS if p.stem.startswith("charuco")], ids=lambda path: path.stem
)
def test_modules_are_large_enough_at_the_far_distance(path):
    spec = read_board(path)
    modules = marker_side_modules(spec.dictionary)
    px_per_module = spec.marker_mm / modules * FOCAL_PX / FAR_MM
    assert px_per_module >= 5.0  # px: handbook table of corner localisation, "at least 5 px per module"
    assert f"{px_per_module:.1f} px at 250 mm" in path.read_text(encoding="utf-8").replace("\n# ", " ")
    # The smallest dictionary that holds all its ids: one half as large would not.
    needed = len(board_layout(spec).marker_ids)
    sizes = [len(open_dictionary(f"DICT_4X4_{n}").bytesList) for n in (50, 100, 250, 1000)]
    assert spec.dictionary == f"DICT_4X4_{min(size for size in sizes if size >= needed)}"


def test_number_of_markers_is_the_published_formula():
    # Handbook: floor(columns * rows / 2) markers: 9x7 31, 10x8 40, 11x9 49, 12x9 54.
    for squares, count in {(9, 7): 31, (10, 8): 40, (11, 9): 49, (12, 9): 54}.items():
        spec = BoardSpec(
            name="n", kind="charuco", squares=squares, square_mm=10, marker_mm=7, dictionary="DICT_4X4_100"
        )
        assert len(board_layout(spec).marker_ids) == count
