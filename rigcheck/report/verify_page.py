"""A verification as one self-contained HTML page."""

from dataclasses import dataclass

import numpy as np

from rigcheck.checks import Limits
from rigcheck.checks.verification import harm_status, views_needed
from rigcheck.checks.verification_words import (
    ONE_CAMERA_BLIND,
    PAIR_BLIND,
    cause_text,
)
from rigcheck.drift.verification import Verification
from rigcheck.model import Estimate, Report, ViewResult
from rigcheck.report.harm_map import harm_map_figure
from rigcheck.report.numbers import format_estimate, format_number
from rigcheck.report.page import page_environment, report_parts

_POSE = {
    "convergence_deg": ("Convergence", "toe-in is positive"),
    "across_deg": ("Across", "turn about the baseline"),
    "twist_deg": ("Twist", "turn about the viewing direction"),
    "along_baseline_mm": ("Along the baseline", "apart is positive"),
    "along_view_mm": ("Along the view", "towards the face is positive"),
    "square_to_both_mm": ("Square to both", "along the axis of convergence"),
    "baseline_mm": ("Length of the baseline", ""),
}
_LENS = {
    "principal_point_x_change_px": "Principal point x",
    "principal_point_y_change_px": "Principal point y",
}
_MOST_CAUSES = 6

__all__ = ["verify_page"]


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One change ready to print."""

    name: str
    note: str
    number: str
    sigmas: str


@dataclass(frozen=True, kw_only=True)
class _CauseRow:
    """One cause tried: what it is, what it leaves unexplained and costs, more than the best."""

    text: str
    left: str
    freedom: int
    numbers: int
    behind: str


@dataclass(frozen=True, kw_only=True)
class _CameraPart:
    """One camera's changes and how well its board fits today."""

    name: str
    rows: tuple[_Row, ...]
    rms_now: str
    rms_then: str


@dataclass(frozen=True, kw_only=True)
class _ViewRow:
    """One view of the board used."""

    distance: str
    tilt: str
    rms: str
    corners: str
    when: str


def verify_page(report: Report, run: Verification) -> str:
    """Write a verification as one HTML page that needs nothing else.

    Parameters
    ----------
    report : Report
    run : Verification

    Returns
    -------
    str
        As :func:`rigcheck.report.calibration_page.calibration_page`.
    """
    band = Limits(report.limits).band("harm.depth_mm")
    pair = len(run.calibration.cameras) == 2
    field = run.harm_map
    parts = report_parts(report) | {
        "run": run,
        "pair": pair,
        "names": tuple(entry.camera.name for entry in run.calibration.cameras),
        "label": report.provenance.options.get("label"),
        "harm_status": harm_status(run.harm, band),
        "needed": views_needed(run, band),
        "harm_map": None if field is None else harm_map_figure(field, caution_mm=band.caution),
        "map_ends": None if field is None else (field.depth_mm.min(), field.depth_mm.max()),
        "map_sigma": None if field is None else float(np.sqrt((field.sigma_mm**2).mean())),
        "caution_mm": band.caution,
        "pose": _pose_rows(run) if pair else (),
        "cameras": tuple(_camera_part(run, index) for index in range(len(run.calibration.cameras))),
        "best": cause_text(run, run.best),
        "others": tuple(cause_text(run, one) for one in run.alternatives),
        "causes": _cause_rows(run),
        "blind": PAIR_BLIND if pair else ONE_CAMERA_BLIND,
        "views": tuple(_view_row(view) for view in run.views),
    }
    return page_environment().get_template("verify.html.j2").render(parts)


def _pose_rows(run: Verification) -> tuple[_Row, ...]:
    return tuple(_row(run.measurements[f"change.{key}"], name, note) for key, (name, note) in _POSE.items())


def _row(found: Estimate, name: str, note: str = "") -> _Row:
    sigmas = "–"
    if found.value is not None and found.sigma:
        sigmas = f"{abs(found.value) / found.sigma:.1f}"
    return _Row(name=name, note=note, number=format_estimate(found), sigmas=sigmas)


def _camera_part(run: Verification, index: int) -> _CameraPart:
    entry = run.calibration.cameras[index]
    name = entry.camera.name
    focal = run.measurements[f"{name}.focal_scale_change"]
    percent = Estimate(
        value=100.0 * (focal.value or 0.0), sigma=100.0 * (focal.sigma or 0.0), unit="%", n=focal.n
    )
    rows = [_row(percent, "Focal length")]
    rows += [_row(run.measurements[f"{name}.{key}"], title) for key, title in _LENS.items()]
    moved = run.measurements.get(f"{name}.focus_moved_mm")
    if moved is not None and moved.value is not None:
        rows.append(_row(moved, "Plane of focus", "farther away is positive"))
    return _CameraPart(
        name=name,
        rows=tuple(rows),
        rms_now=format_estimate(run.measurements[f"{name}.rms_px"]),
        rms_then=f"{format_number(entry.reprojection_rms_px)} px",
    )


def _cause_rows(run: Verification) -> tuple[_CauseRow, ...]:
    return tuple(
        _CauseRow(
            text=cause_text(run, one),
            left=f"{one.fit.left:.1f}",
            freedom=one.fit.freedom,
            numbers=one.cause.columns.shape[1],
            behind=f"{one.score - run.best.score:.1f}",
        )
        for one in run.explained[:_MOST_CAUSES]
    )


def _view_row(view: ViewResult) -> _ViewRow:
    sides = [side for side in view.sides if side is not None]
    return _ViewRow(
        distance=f"{view.distance_mm:.0f}",
        tilt=f"{view.tilt_deg:.0f}",
        rms=", ".join("–" if side is None else f"{side.rms_px:.3f}" for side in view.sides),
        corners=", ".join("–" if side is None else str(side.observation.n) for side in view.sides),
        when=sides[0].observation.ref.label if sides else "",
    )
