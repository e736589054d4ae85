"""The rows of the calibration's tables: cameras, pose, lens models, views."""

from dataclasses import dataclass, replace
from pathlib import PurePath

import numpy as np

from rigcheck.geometry.rotation import log_rotation, pair_axes
from rigcheck.model import CalibrationRun, CameraCalibration, FrameRef, RigidTransform, ViewResult
from rigcheck.report.numbers import NO_BREAK, format_number, format_sigma, format_value

__all__ = [
    "NamedRotation",
    "NumberRow",
    "ViewRow",
    "ViewTable",
    "camera_rows",
    "key_numbers",
    "moment",
    "named_rotation_deg",
    "pose_rows",
    "short_label",
    "unplaced_leave_out",
    "view_table",
]

_CLEARLY_LARGER = 1.5
_BROWN = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
_DISTORTION = {"brown": _BROWN, "fisheye": ("k1", "k2", "k3", "k4")}


@dataclass(frozen=True, kw_only=True)
class NumberRow:
    """A named number ready to print; `leave_out` is its sigma from leaving views out, found by `key`."""

    key: str = ""
    name: str
    number: str
    leave_out: str = ""
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class NamedRotation:
    """A pair's rotation by what it does, degrees; convergence is positive when the cameras toe in."""

    convergence_deg: float
    across_deg: float
    twist_deg: float


@dataclass(frozen=True, kw_only=True)
class ViewRow:
    """One view of the board, ready to print: one entry a camera in the tuples."""

    view_idx: int
    frames: tuple[str, ...]
    tilt: str
    distance: str
    corners: tuple[str, ...]
    rms: tuple[str, ...]
    is_worst: bool


@dataclass(frozen=True, kw_only=True)
class ViewTable:
    """All views, and each camera's clip (camera, file) where it is the only one."""

    origins: tuple[tuple[str, str], ...]
    rows: tuple[ViewRow, ...]


def named_rotation_deg(camera2_from_camera1: RigidTransform) -> NamedRotation:
    """Split a pair's rotation into convergence, across and twist.

    Parameters
    ----------
    camera2_from_camera1 : RigidTransform

    Returns
    -------
    NamedRotation
        The turn of camera 2 against camera 1 about each of the pair's axes, degrees.

    Raises
    ------
    ValueError
        When the baseline is zero or lies along the viewing direction: the axes do not exist.
    """
    rotation = camera2_from_camera1.rotation
    axes = pair_axes(rotation, camera2_from_camera1.translation_mm)
    turn = -np.degrees(axes.matrix @ log_rotation(rotation))
    return NamedRotation(convergence_deg=float(turn[0]), across_deg=float(turn[1]), twist_deg=float(turn[2]))


def camera_rows(run: CalibrationRun, index: int) -> tuple[NumberRow, ...]:
    """List one camera's intrinsics with sigma and leave-views-out sigma."""
    calibrated = run.calibration.cameras[index]
    camera = calibrated.camera
    focal, sigma_focal = camera.focal_px, calibrated.sigma_focal_px
    centre, sigma_centre = camera.principal_point_px, calibrated.sigma_principal_point_px
    rows = [
        _row(run, f"{camera.name}.focal_x_px", "Focal length x", (focal[0], sigma_focal[0], "px")),
        _row(run, f"{camera.name}.focal_y_px", "Focal length y", (focal[1], sigma_focal[1], "px")),
        _row(run, f"{camera.name}.centre_x_px", "Principal point x", (centre[0], sigma_centre[0], "px")),
        _row(run, f"{camera.name}.centre_y_px", "Principal point y", (centre[1], sigma_centre[1], "px")),
    ]
    terms = zip(_DISTORTION[camera.model], camera.distortion, calibrated.sigma_distortion, strict=False)
    for name, value, sigma in terms:
        rows.append(_row(run, f"{camera.name}.{name}", f"Distortion {name}", (value, sigma, "")))
    return tuple(rows)


def pose_rows(run: CalibrationRun) -> tuple[NumberRow, ...]:
    """List how camera 2 stands to camera 1; empty for one camera."""
    stereo = run.calibration.stereo
    if stereo is None:
        return ()
    pose = stereo.camera2_from_camera1
    baseline = float(np.linalg.norm(pose.translation_mm))
    rows = [_row(run, "stereo.baseline_mm", "Baseline", (baseline, stereo.sigma_baseline_mm, "mm"))]
    for axis, value, sigma in zip("xyz", pose.translation_mm, stereo.sigma_translation_mm, strict=True):
        name = f"stereo.translation_{axis}_mm"
        rows.append(_row(run, name, f"Translation {axis}", (float(value), sigma, "mm")))
    turns = named_rotation_deg(pose)
    for key, value, note in (
        ("convergence", turns.convergence_deg, "about the axis square to baseline and view"),
        ("across", turns.across_deg, "about the baseline"),
        ("twist", turns.twist_deg, "about the viewing direction"),
    ):
        numbers = (value, stereo.sigma_rotation_deg.get(key), "deg")
        rows.append(replace(_row(run, f"stereo.{key}_deg", key.capitalize(), numbers), note=note))
    return tuple(rows)


def _row(run: CalibrationRun, key: str, name: str, numbers: tuple[float, float | None, str]) -> NumberRow:
    """Make a row of (value, sigma, unit); a leave-views-out sigma that is clearly larger is named so."""
    value, sigma, unit = numbers
    leave_out, text = run.leave_out_sigma.get(key), ""
    if leave_out is not None:
        larger = sigma is not None and leave_out > _CLEARLY_LARGER * sigma
        text = format_sigma(leave_out, unit) + (f",{NO_BREAK}larger" if larger else "")
    return NumberRow(key=key, name=name, number=format_value(value, sigma, unit), leave_out=text)


def unplaced_leave_out(run: CalibrationRun) -> tuple[NumberRow, ...]:
    """List the leave-views-out sigmas that belong to no row of the other tables."""
    placed = {row.key for row in pose_rows(run)}
    for index in range(len(run.calibration.cameras)):
        placed |= {row.key for row in camera_rows(run, index)}
    return tuple(
        NumberRow(key=key, name=key, number=format_sigma(sigma))
        for key, sigma in sorted(run.leave_out_sigma.items())
        if key not in placed
    )


def view_table(run: CalibrationRun) -> ViewTable:
    """List the views; those whose pictures were kept are marked as the worst.

    Notes
    -----
    A clip's name is given once where all of a camera's views come from it, and then only the time or
    frame stands in the rows.
    """
    seen: dict[str, set[str]] = {}
    for ref in (ref for view in run.views for ref in view.refs):
        seen.setdefault(ref.camera, set()).add(ref.origin)
    origins = tuple((camera, min(names)) for camera, names in seen.items() if len(names) == 1)
    single = {camera for camera, _ in origins}
    worst = {view_idx for view_idx, _ in run.pictures}
    rows = tuple(_view_row(view, single, view.view_idx in worst) for view in run.views)
    return ViewTable(origins=origins, rows=rows)


def _view_row(view: ViewResult, single: set[str], is_worst: bool) -> ViewRow:
    corners, rms = [], []
    for side in view.sides:
        if side is None:
            corners.append("not seen")
            rms.append("–")
            continue
        left_out = int((side.weights < 0.5).sum())
        corners.append(f"{side.observation.n}" + (f" ({left_out} left out)" if left_out else ""))
        rms.append(f"{side.rms_px:.3f}")
    frames = [moment(ref) if ref.camera in single else short_label(ref) for ref in view.refs]
    return ViewRow(
        view_idx=view.view_idx,
        frames=tuple(dict.fromkeys(frames)),
        tilt=f"{view.tilt_deg:.0f}",
        distance=f"{view.distance_mm:.0f}",
        corners=tuple(corners),
        rms=tuple(rms),
        is_worst=is_worst,
    )


def moment(ref: FrameRef) -> str:
    """Say when in its clip a picture was taken."""
    return ref.timecode or f"frame {ref.frame_idx}"


def short_label(ref: FrameRef) -> str:
    """Name a picture by its file's own name, without folders, and the moment."""
    return f"{PurePath(ref.origin).name} {moment(ref)}"


def key_numbers(run: CalibrationRun) -> tuple[NumberRow, ...]:
    """List the few numbers that say what was calibrated and how well."""
    rows = [_camera_summary(calibrated) for calibrated in run.calibration.cameras]
    stereo = run.calibration.stereo
    if stereo is not None:
        chosen = {"Baseline", "Convergence"}
        rows += [replace(row, note="") for row in pose_rows(run) if row.name in chosen]
        rows.append(NumberRow(name="Epipolar RMS", number=format_number(stereo.epipolar_rms_px, 3) + " px"))
    volume = run.calibration.face_volume
    if volume is not None:
        rows.append(NumberRow(name="Depth sigma on the face", number=f"{volume.depth_mm:.3f} mm"))
    return tuple(rows)


def _camera_summary(calibrated: CameraCalibration) -> NumberRow:
    focal = format_value(calibrated.camera.focal_px[0], calibrated.sigma_focal_px[0], "px")
    return NumberRow(
        name=f"{calibrated.camera.name}: focal length x",
        number=focal,
        note=f"RMS {calibrated.reprojection_rms_px:.3f} px",
    )
