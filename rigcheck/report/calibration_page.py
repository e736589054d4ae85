"""The calibration report as one self-contained HTML page."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from rigcheck.model import CalibrationRun, Estimate, Report
from rigcheck.report.calibration_tables import (
    NumberRow,
    camera_rows,
    pose_rows,
    unplaced_leave_out,
    view_table,
)
from rigcheck.report.camera_figures import (
    CoverageFigure,
    ResidualFigure,
    coverage_figure,
    residual_figure,
    sides_of,
)
from rigcheck.report.face_figures import depth_map_figure, views_figure
from rigcheck.report.numbers import format_number
from rigcheck.report.page import page_environment, report_parts
from rigcheck.report.rejections import group_rejections
from rigcheck.report.verdict import reliance
from rigcheck.report.view_pictures import view_pictures
from rigcheck.report.wanted_views import wanted_parts

__all__ = ["calibration_page"]

_AFTER_VIEWS = re.compile(r"face_depth_after_\d+_views")


@dataclass(frozen=True, kw_only=True)
class _CameraPart:
    """One camera's column of the page."""

    name: str
    size: str
    frame_rate: str
    model: str
    rms: str
    n_views: int
    coverage: CoverageFigure | None
    residuals: ResidualFigure | None
    rows: tuple[NumberRow, ...]


def calibration_page(report: Report, run: CalibrationRun) -> str:
    """Write a calibration's report as one HTML page that needs nothing else.

    Parameters
    ----------
    report : Report
        Checks, limits, what was rejected, provenance.
    run : CalibrationRun
        The calibration and its evidence, of one camera or two. Measurements named
        ``face_depth_after_NN_views`` (depth sigma in mm, `n` the number of views), where there are
        any, become the drawing of how the uncertainty fell.

    Returns
    -------
    str
        No script, no address outside the page; a Content-Security-Policy forbids both. Everything from
        outside is escaped. The same input gives the same page.

    References
    ----------
    W3C, Content Security Policy Level 3; WAI-ARIA 1.2 (role img with a label).
    """
    template = page_environment().get_template("calibration.html.j2")
    return template.render(_verdict_part(report, run) | _evidence_part(report, run))


def _verdict_part(report: Report, run: CalibrationRun) -> dict[str, object]:
    return report_parts(report) | {
        "wanted": wanted_parts(report.checks, run),
        "reliance": reliance(run.calibration.face_volume, report.measurements),
    }


def _evidence_part(report: Report, run: CalibrationRun) -> dict[str, object]:
    volume = run.calibration.face_volume
    after = [one for name, one in report.measurements.items() if _AFTER_VIEWS.fullmatch(name)]
    return {
        "run": run,
        "cameras": tuple(_camera_part(run, index) for index in range(len(run.calibration.cameras))),
        "depth_map": None if volume is None else depth_map_figure(volume, salt="depth"),
        "falling": views_figure(after, salt="views"),
        "pose": pose_rows(run),
        "other_leave_out": unplaced_leave_out(run),
        "views": view_table(run),
        "pictures": view_pictures(run),
        "rejections": group_rejections(report.rejected or run.rejected),
        "n_rejected": len(report.rejected or run.rejected),
        "measurements": _other_measurements(report.measurements),
        "notes": tuple(dict.fromkeys((*report.notes, *run.notes))),
    }


def _camera_part(run: CalibrationRun, index: int) -> _CameraPart:
    calibrated = run.calibration.cameras[index]
    camera = calibrated.camera
    counts = run.coverage_maps.get(camera.name)
    sides = sides_of(run.views, index)
    terms = len(camera.distortion)
    rate = calibrated.frame_rate_hz
    return _CameraPart(
        name=camera.name,
        size=f"{camera.image_size_px[0]} × {camera.image_size_px[1]} px",
        frame_rate="rate not known" if rate is None else f"{format_number(rate, 6)} frames per second",
        model=f"{camera.model}, {terms} distortion {'term' if terms == 1 else 'terms'}",
        rms=f"{calibrated.reprojection_rms_px:.3f} px",
        n_views=len(sides),
        coverage=None
        if counts is None
        else coverage_figure(counts, camera.image_size_px, salt=f"coverage{index}"),
        residuals=residual_figure(sides, camera.image_size_px, salt=f"residuals{index}"),
        rows=camera_rows(run, index),
    )


def _other_measurements(measurements: Mapping[str, Estimate]) -> tuple[tuple[str, Estimate], ...]:
    return tuple((name, one) for name, one in measurements.items() if not _AFTER_VIEWS.fullmatch(name))
