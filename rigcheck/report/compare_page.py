"""The comparison of two calibrations as one self-contained HTML page."""

from dataclasses import dataclass

from rigcheck.checks import Limits
from rigcheck.checks.compare import PART_WORDS
from rigcheck.checks.compare_trust import which_to_trust
from rigcheck.drift.compare import CameraMapping, Comparison, ParameterDifference
from rigcheck.model import Calibration, Estimate, Report
from rigcheck.report.mapping_figure import MappingFigure, mapping_figure
from rigcheck.report.movement_figure import movement_figure
from rigcheck.report.numbers import format_estimate, format_number, format_value
from rigcheck.report.page import page_environment, report_parts

_NAMES = {
    "focal_x_px": "Focal length x",
    "focal_y_px": "Focal length y",
    "centre_x_px": "Principal point x",
    "centre_y_px": "Principal point y",
}
_POSE_NAMES = {
    "convergence_deg": ("Convergence", "toe-in is positive"),
    "across_deg": ("Across", "turn about the baseline"),
    "twist_deg": ("Twist", "turn about the viewing direction"),
    "along_baseline_mm": ("Along the baseline", "apart is positive"),
    "along_view_mm": ("Along the view", "towards the face is positive"),
    "square_to_both_mm": ("Square to both", "along the axis of convergence"),
    "baseline_mm": ("Length of the baseline", ""),
}

__all__ = ["compare_page", "key_differences"]


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One number of both, ready to print."""

    name: str
    note: str
    first: str
    second: str
    difference: str
    sigmas: str


@dataclass(frozen=True, kw_only=True)
class _PoseRow:
    """One part of the pose's difference, as stored and with the turns carried."""

    name: str
    note: str
    stored: str
    stored_sigmas: str
    carried: str
    carried_sigmas: str


@dataclass(frozen=True, kw_only=True)
class _CameraPart:
    """One camera: its parameters and its mapping drawings."""

    name: str
    lenses: tuple[str, str]
    rows: tuple[_Row, ...]
    raw: MappingFigure
    left: MappingFigure
    mapping: CameraMapping
    turn: str
    left_rms: str


def compare_page(report: Report, comparison: Comparison) -> str:
    """Write a comparison as one HTML page that needs nothing else.

    Parameters
    ----------
    report : Report
    comparison : Comparison

    Returns
    -------
    str
        As :func:`rigcheck.report.calibration_page.calibration_page`.
    """
    limits = Limits(report.limits)
    parts = report_parts(report) | {
        "comparison": comparison,
        "sides": tuple(
            _side(calibration, facts.verdict)
            for calibration, facts in zip(
                (comparison.first, comparison.second), comparison.facts, strict=True
            )
        ),
        "trust": which_to_trust(comparison, limits),
        "cameras": tuple(_camera_part(comparison, index) for index in range(len(comparison.cameras))),
        "pose": _pose_rows(comparison),
        "harm": comparison.measurements["harm.depth_mm"],
        "harm_shape": comparison.measurements.get("harm.shape_depth_mm"),
        "harm_errors": comparison.measurements.get("harm.by_errors_mm"),
        "distance": comparison.measurements.get("harm.working_distance_mm"),
        "harm_map": _harm_figure(comparison),
        "harm_parts": _harm_parts(comparison),
    }
    return page_environment().get_template("compare.html.j2").render(parts)


def key_differences(comparison: Comparison) -> tuple[tuple[str, str], ...]:
    """List the few numbers that say how two calibrations differ: name and text."""
    out = []
    for camera in comparison.cameras:
        numbers = comparison.measurements
        raw, left = (numbers[f"{camera.camera}.mapping_{kind}_px"] for kind in ("raw", "left"))
        text = f"{format_estimate(raw)} as stored, {format_estimate(left)} after the best turn"
        out.append((f"{camera.camera}: mapping differs by", text))
    if comparison.pose is not None:
        for key in ("convergence_deg", "across_deg", "twist_deg", "baseline_mm"):
            carried, stored = (
                format_estimate(of[key]) for of in (comparison.pose.carried, comparison.pose.stored)
            )
            out.append((_POSE_NAMES[key][0], f"{carried} (as stored {stored})"))
    shape = comparison.measurements.get("harm.shape_depth_mm")
    if shape is not None:
        out.append(("Change of the face's shape in depth", format_estimate(shape)))
    return tuple(out)


def _side(calibration: Calibration, verdict: str | None) -> dict[str, object]:
    volume = calibration.face_volume
    return {
        "created": calibration.created,
        "board": calibration.board.name,
        "rig": calibration.provenance.options.get("rig") or "not named",
        "depth": "not known" if volume is None else f"{volume.depth_mm:.3f} mm",
        "rms": ", ".join(f"{one.reprojection_rms_px:.3f} px" for one in calibration.cameras),
        "verdict": verdict,
    }


def _harm_figure(comparison: Comparison) -> object:
    field = comparison.harm.harm_map
    return None if field is None else movement_figure(field.x_mm, field.y_mm, field.depth_mm, salt="movement")


def _harm_parts(comparison: Comparison) -> tuple[tuple[str, str], ...]:
    """What makes the harm, the largest part first."""
    ordered = sorted(comparison.harm.parts.items(), key=lambda item: -item[1])
    return tuple(
        (PART_WORDS.get(name, f"lens and sensor of {name}"), f"{part:.3f} mm") for name, part in ordered
    )


def _camera_part(comparison: Comparison, index: int) -> _CameraPart:
    mapping = comparison.cameras[index]
    found = mapping.difference
    rows = tuple(_row(one) for one in comparison.parameters if one.group == mapping.camera)
    left = comparison.measurements[f"{mapping.camera}.mapping_left_px"]
    return _CameraPart(
        name=mapping.camera,
        lenses=(_lens(comparison.first, index), _lens(comparison.second, index)),
        rows=rows,
        raw=mapping_figure(found.pixels, found.raw_px, mapping.size_px, salt=f"raw{index}"),
        left=mapping_figure(found.pixels, found.left_px, mapping.size_px, salt=f"left{index}"),
        mapping=mapping,
        turn=format_estimate(comparison.measurements[f"{mapping.camera}.mapping_turn_deg"]),
        left_rms=format_estimate(left),
    )


def _lens(calibration: Calibration, index: int) -> str:
    camera = calibration.cameras[index].camera
    count = len(camera.distortion)
    return f"{camera.model}, {count} distortion {'term' if count == 1 else 'terms'}"


def _row(one: ParameterDifference) -> _Row:
    return _Row(
        name=_NAMES.get(one.name, f"Distortion {one.name}"),
        note="",
        first=format_number(one.first, 7),
        second=format_number(one.second, 7),
        difference=format_value(one.difference, one.sigma, one.unit),
        sigmas="–" if one.sigmas is None else f"{one.sigmas:.1f}",
    )


def _pose_rows(comparison: Comparison) -> tuple[_PoseRow, ...]:
    pose = comparison.pose
    if pose is None:
        return ()
    return tuple(
        _PoseRow(
            name=name,
            note=note,
            stored=format_estimate(pose.stored[key]),
            stored_sigmas=_in_sigmas(pose.stored[key]),
            carried=format_estimate(pose.carried[key]),
            carried_sigmas=_in_sigmas(pose.carried[key]),
        )
        for key, (name, note) in _POSE_NAMES.items()
    )


def _in_sigmas(estimate: Estimate) -> str:
    if estimate.value is None or not estimate.sigma:
        return "–"
    return f"{abs(estimate.value) / estimate.sigma:.1f}"
