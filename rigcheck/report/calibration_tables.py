"""The rows of the calibration's tables: cameras, pose, lens models, views."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.model import CalibrationRun, CameraCalibration, RigidTransform, StereoCalibration, ViewResult
from rigcheck.report.numbers import NO_BREAK, format_number, format_sigma, format_value

__all__ = [
    "NamedRotation",
    "NumberRow",
    "ViewRow",
    "camera_rows",
    "key_numbers",
    "named_rotation_deg",
    "pose_rows",
    "unplaced_leave_out",
    "view_rows",
]

_CLEARLY_LARGER = 1.5
_BROWN = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
_FISHEYE = ("k1", "k2", "k3", "k4")


@dataclass(frozen=True, kw_only=True)
class NumberRow:
    """A named number ready to print; `leave_out` is its sigma from leaving views out."""

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


def named_rotation_deg(camera2_from_camera1: RigidTransform) -> NamedRotation:
    """Split a pair's rotation into convergence, across and twist.

    Parameters
    ----------
    camera2_from_camera1 : RigidTransform

    Returns
    -------
    NamedRotation
        Parts of camera 2's rotation vector, degrees, about: the axis square to baseline and
        viewing direction; the baseline; the viewing direction.

    Raises
    ------
    ValueError
        When the baseline is zero or lies along the viewing direction: the axes do not exist.

    Notes
    -----
    The viewing direction is the mean of both optical axes, made square to the baseline.
    """
    camera1_from_camera2 = camera2_from_camera1.inverse()
    length = float(np.linalg.norm(camera1_from_camera2.translation_mm))
    along = camera1_from_camera2.translation_mm / max(length, 1e-12)
    view = np.array([0.0, 0.0, 1.0]) + camera1_from_camera2.rotation[:, 2]
    view = view - along * float(view @ along)
    if length < 1e-9 or float(np.linalg.norm(view)) < 1e-6:
        raise ValueError("baseline: its direction, square to the view, is needed to name the rotation")
    view = view / np.linalg.norm(view)
    turn = np.degrees(Rotation.from_matrix(camera1_from_camera2.rotation).as_rotvec())
    return NamedRotation(
        convergence_deg=-float(turn @ np.cross(view, along)),
        across_deg=float(turn @ along),
        twist_deg=float(turn @ view),
    )


def camera_rows(run: CalibrationRun, index: int) -> tuple[NumberRow, ...]:
    """List one camera's intrinsics with sigma and leave-views-out sigma."""
    calibrated = run.calibration.cameras[index]
    camera = calibrated.camera
    names = _FISHEYE if camera.model == "fisheye" else _BROWN
    values = [
        ("Focal length x", "fx", camera.focal_px[0], calibrated.sigma_focal_px[0], "px"),
        ("Focal length y", "fy", camera.focal_px[1], calibrated.sigma_focal_px[1], "px"),
        (
            "Principal point x",
            "cx",
            camera.principal_point_px[0],
            calibrated.sigma_principal_point_px[0],
            "px",
        ),
        (
            "Principal point y",
            "cy",
            camera.principal_point_px[1],
            calibrated.sigma_principal_point_px[1],
            "px",
        ),
    ]
    for name, value, sigma in zip(names, camera.distortion, calibrated.sigma_distortion, strict=False):
        values.append((f"Distortion {name}", name, value, sigma, ""))
    return tuple(
        NumberRow(
            name=label,
            number=format_value(value, sigma, unit),
            leave_out=_leave_out(run, f"camera{index + 1}.{key}", (sigma, unit)),
        )
        for label, key, value, sigma, unit in values
    )


def pose_rows(run: CalibrationRun) -> tuple[NumberRow, ...]:
    """List how camera 2 stands to camera 1; empty for one camera."""
    stereo = run.calibration.stereo
    if stereo is None:
        return ()
    return (*_length_rows(run, stereo), *_rotation_rows(run, stereo))


def _length_rows(run: CalibrationRun, stereo: StereoCalibration) -> tuple[NumberRow, ...]:
    baseline = float(np.linalg.norm(stereo.camera2_from_camera1.translation_mm))
    translation = zip(
        "xyz", stereo.camera2_from_camera1.translation_mm, stereo.sigma_translation_mm, strict=True
    )
    rows = [("Baseline", "baseline_mm", baseline, stereo.sigma_baseline_mm)]
    rows += [(f"Translation {axis}", f"stereo.t{axis}", float(v), s) for axis, v, s in translation]
    return tuple(
        NumberRow(
            name=label, number=format_value(value, sigma, "mm"), leave_out=_leave_out(run, key, (sigma, "mm"))
        )
        for label, key, value, sigma in rows
    )


def _rotation_rows(run: CalibrationRun, stereo: StereoCalibration) -> tuple[NumberRow, ...]:
    named = named_rotation_deg(stereo.camera2_from_camera1)
    rows = (
        ("Convergence", "convergence", named.convergence_deg, "about the axis square to baseline and view"),
        ("Across", "across", named.across_deg, "about the baseline"),
        ("Twist", "twist", named.twist_deg, "about the viewing direction"),
    )
    return tuple(
        NumberRow(
            name=label,
            number=format_value(value, stereo.sigma_rotation_deg.get(key), "deg"),
            leave_out=_leave_out(run, f"{key}_deg", (stereo.sigma_rotation_deg.get(key), "deg")),
            note=note,
        )
        for label, key, value, note in rows
    )


def _leave_out(run: CalibrationRun, key: str, fitted: tuple[float | None, str]) -> str:
    """Write the sigma from leaving views out, and say when it is clearly larger than the fit's."""
    sigma, unit = run.leave_out_sigma.get(key), fitted[1]
    if sigma is None:
        return ""
    larger = fitted[0] is not None and sigma > _CLEARLY_LARGER * fitted[0]
    return format_sigma(sigma, unit) + (f",{NO_BREAK}larger" if larger else "")


def _placed_keys(run: CalibrationRun) -> set[str]:
    keys = {"baseline_mm", "convergence_deg", "across_deg", "twist_deg"}
    keys |= {f"stereo.t{axis}" for axis in "xyz"}
    for number in range(1, len(run.calibration.cameras) + 1):
        keys |= {f"camera{number}.{name}" for name in ("fx", "fy", "cx", "cy", *_BROWN)}
    return keys


def unplaced_leave_out(run: CalibrationRun) -> tuple[NumberRow, ...]:
    """List the leave-views-out sigmas that belong to no row of the other tables."""
    placed = _placed_keys(run)
    return tuple(
        NumberRow(name=key, number=format_sigma(sigma))
        for key, sigma in sorted(run.leave_out_sigma.items())
        if key not in placed
    )


def view_rows(run: CalibrationRun) -> tuple[ViewRow, ...]:
    """List the views; those whose pictures were kept are marked as the worst."""
    worst = {view_idx for view_idx, _ in run.pictures}
    return tuple(_view_row(view, view.view_idx in worst) for view in run.views)


def _view_row(view: ViewResult, is_worst: bool) -> ViewRow:
    corners, rms, frames = [], [], []
    for side in view.sides:
        if side is None:
            corners.append("not seen")
            rms.append("–")
            continue
        left_out = int((side.weights < 0.5).sum())
        corners.append(f"{side.observation.n}" + (f" ({left_out} left out)" if left_out else ""))
        rms.append(f"{side.rms_px:.3f}")
        frames.append(side.observation.ref.label)
    return ViewRow(
        view_idx=view.view_idx,
        frames=tuple(frames),
        tilt=f"{view.tilt_deg:.0f}",
        distance=f"{view.distance_mm:.0f}",
        corners=tuple(corners),
        rms=tuple(rms),
        is_worst=is_worst,
    )


def key_numbers(run: CalibrationRun) -> tuple[NumberRow, ...]:
    """List the few numbers that say what was calibrated and how well."""
    rows = [_camera_summary(calibrated) for calibrated in run.calibration.cameras]
    stereo = run.calibration.stereo
    if stereo is not None:
        chosen = {"Baseline", "Convergence"}
        rows += [row for row in pose_rows(run) if row.name in chosen]
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
