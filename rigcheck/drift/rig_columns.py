"""Where a calibration's stored parameters stand in the derivatives that geometry gives."""

import numpy as np

from rigcheck.geometry.projection import FULL_DISTORTION, N_PINHOLE
from rigcheck.model import Calibration
from rigcheck.model._arrays import FloatArray

_DISTORTION = {"brown": ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"), "fisheye": ("k1", "k2", "k3", "k4")}
_PINHOLE = ("focal_x_px", "focal_y_px", "centre_x_px", "centre_y_px", "skew_px")
_POSE = (*(f"turn_{axis}_rad" for axis in "xyz"), *(f"translation_{axis}_mm" for axis in "xyz"))

__all__ = ["intrinsics_names", "parameter_values", "rig_selector"]


def intrinsics_names(model: str) -> tuple[str, ...]:
    """Names of a camera's full intrinsics, in the order of :mod:`rigcheck.geometry.projection`."""
    return (*_PINHOLE, *_DISTORTION[model])


def rig_selector(calibration: Calibration) -> FloatArray:
    """Selects the stored parameters out of (full intrinsics of each camera, six of the pose), (R, P) of 0 and 1.

    Parameters that belong to no camera and not to the pose (the board's shape) have a column of zeros.
    """
    names = [
        f"{entry.camera.name}.{name}"
        for entry in calibration.cameras
        for name in intrinsics_names(entry.camera.model)
    ]
    names += [f"stereo.{name}" for name in _POSE]
    row = {name: number for number, name in enumerate(names)}
    out = np.zeros((len(names), len(calibration.parameters)))
    for column, name in enumerate(calibration.parameters):
        if name in row:
            out[row[name], column] = 1.0
    return out


def camera_rows(calibration: Calibration, camera: int) -> slice:
    """Rows of one camera in :func:`rig_selector`."""
    sizes = [N_PINHOLE + FULL_DISTORTION[entry.camera.model] for entry in calibration.cameras]
    start = sum(sizes[:camera])
    return slice(start, start + sizes[camera])


def parameter_values(calibration: Calibration) -> dict[str, tuple[float, str]]:
    """Value and unit of every stored intrinsic parameter; the pose's are left out (a turn has no zero)."""
    out: dict[str, tuple[float, str]] = {}
    for entry in calibration.cameras:
        camera = entry.camera
        values = (*camera.focal_px, *camera.principal_point_px)
        for name, value in zip(_PINHOLE, values, strict=False):
            out[f"{camera.name}.{name}"] = (value, "px")
        for name, value in zip(_DISTORTION[camera.model], camera.distortion, strict=False):
            out[f"{camera.name}.{name}"] = (value, "")
    return {name: out[name] for name in calibration.parameters if name in out}
