"""What may have changed: single causes as directions in the rig's parameters, and which of them explain today."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rigcheck.drift.stored import StoredRig
from rigcheck.drift.weighing import FittedChange, Scales
from rigcheck.geometry.rotation import skew
from rigcheck.model._arrays import FloatArray

Kind = Literal["nothing", "turn", "scale", "pose", "focal", "centre", "lens", "exchange", "several"]

# A cause that leaves this much more chi-square (what it costs counted in) explains today's views about as well: the
# better one is then e^3, twenty times, as likely.
ABOUT_AS_WELL = 6.0
# An untouched rig is called changed about once in a thousand times.
SIGNIFICANT_P = 0.001

__all__ = [
    "ABOUT_AS_WELL",
    "SIGNIFICANT_P",
    "Cause",
    "Explanation",
    "candidate_causes",
    "explanations",
    "lens_columns",
    "pose_columns",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class Cause:
    """One kind of change. `camera` is the number of the camera it happens to, None where there is no one.

    `offset` (P,) is a change that comes with it whole: of an exchange of the cameras, their difference.
    """

    kind: Kind
    camera: int | None
    columns: FloatArray
    offset: FloatArray | None = None
    with_pose: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Explanation:
    """A cause fitted to today's views; `score` is what it leaves unexplained and costs, smaller is better."""

    cause: Cause
    fit: FittedChange
    score: float


def pose_columns(stored: StoredRig) -> FloatArray:
    """The stereo pose's six numbers, (P, 6)."""
    return np.eye(stored.size)[:, stored.layout.stereo_slice]


def lens_columns(stored: StoredRig, camera: int) -> FloatArray:
    """Focal scale (1 is 100 %), principal point x and y (px) of one camera, (P, 3)."""
    out = np.zeros((stored.size, 3))
    start = stored.layout.intrinsics_slices[camera].start
    out[start : start + 2, 0] = stored.intrinsics[camera][:2]
    out[start + 2, 1] = out[start + 3, 2] = 1.0
    return out


def _turn_columns(stored: StoredRig, camera: int) -> FloatArray:
    """A turn of one camera about its own projection centre, (P, 3), rad."""
    pose = pose_columns(stored)
    if camera == 0:
        return np.asarray(pose[:, :3])
    # Camera 1's centre turns with the view of camera 2.
    return np.asarray(pose @ np.vstack([np.eye(3), -skew(stored.translation)]))


def candidate_causes(stored: StoredRig) -> tuple[Cause, ...]:
    """Every single cause, then a change of pose together with one camera's lens."""
    cameras = range(len(stored.models))
    lens = [lens_columns(stored, camera) for camera in cameras]
    out = [Cause(kind="nothing", camera=None, columns=np.zeros((stored.size, 0)))]
    out += [Cause(kind="focal", camera=n, columns=lens[n][:, :1]) for n in cameras]
    out += [Cause(kind="centre", camera=n, columns=lens[n][:, 1:]) for n in cameras]
    out += [Cause(kind="lens", camera=n, columns=lens[n]) for n in cameras]
    if len(stored.models) == 1:
        return tuple(out)
    pose = pose_columns(stored)
    along = pose[:, 3:] @ stored.translation[:, None]
    out.append(Cause(kind="scale", camera=None, columns=along))
    out += [Cause(kind="turn", camera=n, columns=_turn_columns(stored, n)) for n in cameras]
    out.append(Cause(kind="pose", camera=None, columns=pose, with_pose=True))
    parts: tuple[tuple[Kind, slice], ...] = (("focal", slice(0, 1)), ("lens", slice(0, 3)))
    for kind, part in parts:
        out += [
            Cause(kind=kind, camera=n, columns=np.hstack([pose, lens[n][:, part]]), with_pose=True)
            for n in cameras
        ]
    out.append(Cause(kind="several", camera=None, columns=np.hstack([pose, *lens]), with_pose=True))
    offset = _exchange(stored)
    if offset is not None:
        out.append(Cause(kind="exchange", camera=None, columns=pose, offset=offset, with_pose=True))
    return tuple(out)


def _exchange(stored: StoredRig) -> FloatArray | None:
    """What changes when both camera bodies change places; None where their lens models differ."""
    first, second = stored.free
    if stored.models[0] != stored.models[1] or len(first) != len(second) or (first != second).any():
        return None
    apart = (stored.intrinsics[1] - stored.intrinsics[0])[first]
    out = np.zeros(stored.size)
    for part, sign in zip(stored.layout.intrinsics_slices, (1.0, -1.0), strict=True):
        out[part] = sign * apart
    return out


def explanations(scales: Scales, causes: Sequence[Cause], *, n_coordinates: int) -> tuple[Explanation, ...]:
    """Fit every cause, the best first.

    Parameters
    ----------
    scales : Scales
    causes : sequence of Cause
    n_coordinates : int
        Coordinates of corners that today's views hold.

    Notes
    -----
    The score is the chi-square left plus ln(n) for each number that was free (Schwarz, "Estimating the dimension
    of a model", Annals of Statistics 6(2), 1978).
    """
    price = float(np.log(max(n_coordinates, 2)))
    out = []
    for cause in causes:
        fit = scales.fit(cause.columns, offset=cause.offset)
        # A known exchange is as particular as a number that was fitted.
        free = cause.columns.shape[1] + (cause.offset is not None)
        out.append(Explanation(cause=cause, fit=fit, score=fit.left + price * free))
    return tuple(sorted(out, key=lambda one: one.score))
