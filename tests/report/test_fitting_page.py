"""The fitting page: pictures upright with crosses and margins, nothing unescaped, no picture where none may be."""

import base64
import re
from dataclasses import replace

import numpy as np
import pytest

from rigcheck.checks import FRAMING_CHECKS, Limits, effective_limits, overall_verdict, run_checks
from rigcheck.face.fitting_run import CameraSeen, fitting_run
from rigcheck.face.framing_pose import Optics
from rigcheck.face.head_model import MESH_PLACES, head_points
from rigcheck.model import FaceLandmarks, FrameRef, PerformerRecord, Provenance, Report
from rigcheck.opencv import cv2
from rigcheck.report.fitting_page import fitting_page
from rigcheck.report.framing_figures import frame_figures

SIZE_PX = (360, 480)
NASTY = '<script>alert("x")</script>'


def landmarks(name, shift_px=(0.0, 0.0)):
    every, sigma = np.full((478, 2), np.nan), np.full(478, np.inf)
    for point, (x, y, z) in head_points().items():
        if point in MESH_PLACES:
            every[MESH_PLACES[point]] = (
                np.array([179.5, 239.5]) + 470 * np.array([x, y]) / (205 + z) + shift_px
            )
            sigma[MESH_PLACES[point]] = 3.0
    return FaceLandmarks(
        ref=FrameRef(camera=name, frame_idx=7, origin=f"{NASTY}.mov"),
        image_size_px=SIZE_PX,
        points_px=every,
        sigma_px=sigma,
        found_by="marked",
    )


@pytest.fixture(scope="module")
def run():
    seen = [
        CameraSeen(optics=Optics(image_size_px=SIZE_PX), name=name, faces=(landmarks(name, shift),), looked=1)
        for name, shift in (("upper", (4.0, -12.0)), (NASTY, (0.0, 40.0)))
    ]
    found = fitting_run(seen)
    grey = np.linspace(0, 255, 360 * 480).reshape(480, 360).astype(np.uint8)
    return replace(found, pictures={"upper": grey, NASTY: grey}, notes=(NASTY,))


@pytest.fixture(scope="module")
def report(run):
    limits = effective_limits()
    checks = run_checks(FRAMING_CHECKS, run, Limits(limits))
    provenance = Provenance(
        created="2026-02-03T04:05:06+01:00",
        versions={"rigcheck": "0.1.0"},
        inputs_sha256={NASTY: "ab" * 32},
        options={"footage1": NASTY},
        command="fitting",
    )
    return Report(
        command="fitting",
        verdict=overall_verdict(checks),
        checks=checks,
        measurements=run.measurements,
        rejected=(),
        limits=limits,
        provenance=provenance,
        notes=run.notes,
    )


@pytest.fixture(scope="module")
def page(report, run):
    record = PerformerRecord(code_name="heron 3", head_borne_kg=0.3, overhang_mm=200.0)
    return fitting_page(report, run, record)


def test_nothing_from_outside_reaches_the_page_unescaped(page):
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "default-src 'none'" in page
    assert not re.search(r'(href|src)="(?!#|data:image/jpeg;base64,)', page)


def test_each_camera_has_its_picture_with_lines_and_named_points(page, run):
    figures = frame_figures(run)
    assert page.count("<image ") == 2
    for figure in figures:
        assert len(figure.marks) == 17
        assert {"chin", "subnasale", "alar base left"} <= {mark.name for mark in figure.marks}
        for mark in figure.marks:
            assert f"<title>{mark.name}</title>" in page
        assert figure.centre.startswith(f"M{figure.width / 2:.1f}")
        texts = " ".join(number.text for number in figure.numbers)
        for word in ("chin", "open jaw, predicted", "forehead", "right", "left"):
            assert word in texts


def test_crosses_lie_on_the_points(run):
    """The drawing keeps the picture's own scale here: a point's pixel centre lies half a pixel in."""
    figure = next(each for each in frame_figures(run) if each.camera == "upper")
    mark = next(each for each in figure.marks if each.name == "chin")
    x, y = (float(each) for each in re.findall(r"M(-?[\d.]+) (-?[\d.]+)h([\d.]+)", mark.path)[0][:2])
    half = float(re.findall(r"h([\d.]+)", mark.path)[0]) / 2
    chin = run.cameras[0].face.point("chin")
    assert (x + half, y) == pytest.approx(chin + 0.5, abs=0.11)  # px: paths are written to a tenth


def test_a_dark_picture_is_shown_lifted_and_said_to_be(report, run):
    for grey, lifted in ((20, True), (120, False)):
        pictures = {name: np.full_like(each, grey) for name, each in run.pictures.items()}
        now = replace(run, pictures=pictures)
        page = fitting_page(report, now, PerformerRecord(code_name="heron 3"))
        assert ("shown lifted" in page) is lifted
        for figure in frame_figures(now):
            content = base64.b64decode(figure.data_uri.partition(",")[2])
            shown = cv2.imdecode(np.frombuffer(content, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
            # 255 (20 / 255)^(1 / 2.2); one code for JPEG.
            assert float(np.median(shown)) == pytest.approx(80.2 if lifted else grey, abs=1.0)


def test_numbers_stand_beside_their_margins(page, run):
    chin = run.number("upper", "chin_margin_px").value
    assert f"chin {chin:.0f} ± 3 px" in page


def test_no_pictures_shows_none(report, run):
    bare = fitting_page(report, replace(run, pictures={}), PerformerRecord(code_name="heron 3"))
    assert "data:image" not in bare
    assert "<image" not in bare
    assert "without pictures of the performer" in bare


def test_moment_and_cautions(page, report, run):
    """Handbook §7: 0.3 kg at 20 cm are 59 N·cm; guidance for soldiers is no limit; pain means stop."""
    assert "<b>59 N·cm</b>" in page
    assert "no limit for performers" in page
    assert "Pain, numbness or dizziness" in page
    assert "Never force the jaw open" in page
    assert "clinicians decide" in page
    unknown = fitting_page(report, run, PerformerRecord(code_name="heron 3"))
    assert "head_borne_kg" in unknown


def test_says_whose_face_it_is_and_what_nobody_said(page):
    assert "belongs to one performer as they looked that day" in page
    assert page.count("nobody has said") == 5


def test_states_are_told_in_words_not_by_colour(page):
    assert "Fail" in page or "Not decided" in page or "Caution" in page
    assert not re.search(r"(?:fill|stroke|color): ?(?:red|green|#0f0|#f00)", page)


def test_same_input_same_page(report, run, page):
    record = PerformerRecord(code_name="heron 3", head_borne_kg=0.3, overhang_mm=200.0)
    assert fitting_page(report, run, record) == page
