"""What a change of the rig does to depth on the face, with an interval that is honest near zero."""

from dataclasses import dataclass

import numpy as np

from rigcheck.drift.stored import StoredRig
from rigcheck.drift.weighing import FittedChange
from rigcheck.geometry.face_volume import FACE_BOX_MM, face_grid
from rigcheck.geometry.rig_change import depth_by_rig, face_shift
from rigcheck.model import CameraModel, Estimate, RigidTransform, StereoRig
from rigcheck.model._arrays import FloatArray

_MAP_CELLS = (13, 16, 1)

__all__ = ["HarmMap", "depth_by_change", "exact_harm_mm", "harm_estimate", "harm_map", "moved_rig"]


@dataclass(frozen=True, kw_only=True, eq=False)
class HarmMap:
    """Depth change on the middle plane of the face volume, (rows, columns), mm, signed: positive is farther away.

    `sigma_mm` is that of each place; `x_mm`, `y_mm` are offsets from the face's centre.
    """

    x_mm: FloatArray
    y_mm: FloatArray
    depth_mm: FloatArray
    sigma_mm: FloatArray


def depth_by_change(
    stored: StoredRig, *, working_distance_mm: float, upright_deg: int = 0, flat: bool = False
) -> FloatArray:
    """Derivative (N, P), mm, of depths over the face by the rig's parameters.

    Parameters
    ----------
    stored : StoredRig
    working_distance_mm, upright_deg
        As for :func:`rigcheck.geometry.face_volume.face_grid`.
    flat : bool
        On the middle plane's map instead of over the whole volume.

    Notes
    -----
    Of a pair: pictures taken by a rig that changed, read with the stored one. Of one camera: the one depth at the
    working distance that is read off its focal length.
    """
    if len(stored.models) == 1:
        out = np.zeros((1, stored.size))
        out[0, :2] = -0.5 * working_distance_mm / stored.intrinsics[0][:2]
        return out
    cells = {"cells": _MAP_CELLS} if flat else {}
    rig = moved_rig(stored, np.zeros(stored.size))
    grid = face_grid(
        stored.rotation,
        stored.translation,
        working_distance_mm=working_distance_mm,
        upright_deg=upright_deg,
        **cells,
    )
    # Reading old pictures with a changed rig moves points by the derivative; new pictures with the old one, back.
    full = -depth_by_rig(rig, grid)
    kept = np.concatenate([*stored.free, np.ones(6, dtype=bool)])
    return np.asarray(full[:, kept])


def harm_estimate(
    fit: FittedChange, depth: FloatArray, *, exact_mm: float | None = None, known_mm: float | None = None
) -> Estimate:
    """RMS depth change over the face with its sigma.

    Parameters
    ----------
    fit : FittedChange
    depth : (N, P) float64
        From :func:`depth_by_change`.
    exact_mm : float, optional
        The RMS of the fitted change computed without linearising.
    known_mm : float, optional
        Take this as the answer, and tell only how well a fit with this covariance would know it.

    Notes
    -----
    With Q the mean square of depth over the face, d the change and V its covariance, d' Q d is too large by
    tr(QV) on average; that is taken off. Its variance is 2 tr(QVQV) + 4 d' QVQ d. The sigma is half the longer
    way from the root to the root of the square plus and minus two of its sigmas: near zero, where an RMS cannot
    be negative, value + 2 sigma is still an upper limit that 95 of 100 untouched rigs keep.
    """
    q = depth.T @ depth / len(depth)
    change, covariance = fit.change, fit.change_covariance
    qv = q @ covariance
    twice = float(np.trace(qv @ qv))
    raw = float(change @ q @ change) if exact_mm is None else exact_mm**2
    square = max(raw - float(np.trace(qv)), 0.0) if known_mm is None else known_mm**2
    # What noise adds to it is taken off again, and it shrinks with a change that is smaller than it looks.
    mixed = max(float(change @ qv @ q @ change) - twice, 0.0)
    if known_mm is not None:
        mixed *= min(known_mm**2 / max(raw, 1e-300), 1.0)
    spread = float(np.sqrt(2.0 * twice + 4.0 * mixed))
    value = float(np.sqrt(square))
    up = float(np.sqrt(square + 2.0 * spread)) - value
    down = value - float(np.sqrt(max(square - 2.0 * spread, 0.0)))
    return Estimate(value=value, sigma=0.5 * max(up, down), unit="mm", n=fit.freedom)


def moved_rig(stored: StoredRig, change: FloatArray) -> StereoRig:
    """The pair after a change (P,) of its parameters."""
    state = stored.moved(change)
    cameras = []
    for entry, values in zip(stored.calibration.cameras, state.intrinsics, strict=True):
        lens = entry.camera
        cameras.append(
            CameraModel(
                name=lens.name,
                image_size_px=lens.image_size_px,
                model=lens.model,
                focal_px=(float(values[0]), float(values[1])),
                principal_point_px=(float(values[2]), float(values[3])),
                distortion=tuple(float(v) for v in values[5 : 5 + len(lens.distortion)]),
            )
        )
    return StereoRig(
        camera1=cameras[0],
        camera2=cameras[1],
        camera2_from_camera1=RigidTransform(rotation=state.rotation, translation_mm=state.translation),
    )


def exact_harm_mm(
    stored: StoredRig, fit: FittedChange, *, working_distance_mm: float, upright_deg: int = 0
) -> float | None:
    """RMS depth change of a fitted change over the face, not linearised; None where points have no depth any more."""
    shift = face_shift(
        moved_rig(stored, fit.change),
        moved_rig(stored, np.zeros(stored.size)),
        working_distance_mm=working_distance_mm,
        upright_deg=upright_deg,
    )
    return None if shift.lost else shift.depth_mm


def harm_map(
    stored: StoredRig, fit: FittedChange, *, working_distance_mm: float, upright_deg: int = 0
) -> HarmMap:
    """Depth change over the face's middle plane, computed without linearising, and its sigma."""
    shift = face_shift(
        moved_rig(stored, fit.change),
        moved_rig(stored, np.zeros(stored.size)),
        working_distance_mm=working_distance_mm,
        upright_deg=upright_deg,
        cells=_MAP_CELLS,
    )
    by = depth_by_change(stored, working_distance_mm=working_distance_mm, upright_deg=upright_deg, flat=True)
    variance = np.einsum("ni,ij,nj->n", by, fit.change_covariance, by)
    shape = _MAP_CELLS[:2]
    x, y = (size * ((np.arange(n) + 0.5) / n - 0.5) for size, n in zip(FACE_BOX_MM[:2], shape, strict=True))
    return HarmMap(
        x_mm=x,
        y_mm=y,
        depth_mm=shift.shift_mm[:, 2].reshape(shape).T,
        sigma_mm=np.sqrt(np.maximum(variance, 0.0)).reshape(shape).T,
    )
