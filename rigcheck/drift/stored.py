"""A stored calibration in the solver's terms: values, which of them are free, and their joint covariance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.drift.rig_columns import intrinsics_names
from rigcheck.errors import SchemaError
from rigcheck.geometry.bundle import RigState, SharedLayout
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.model import Calibration, LensModel
from rigcheck.model._arrays import FloatArray

BoolArray = NDArray[np.bool_]

_POSE = (*(f"stereo.turn_{a}_rad" for a in "xyz"), *(f"stereo.translation_{a}_mm" for a in "xyz"))
_SHAPE = "board.shape_"
_SHAPE_END = "_mm"

__all__ = ["StoredRig", "stored_rig"]


@dataclass(frozen=True, kw_only=True, eq=False)
class StoredRig:
    """What a calibration says of the rig.

    `names` are its parameters but for the board's shape, in the order of :class:`SharedLayout`; `covariance`
    (P, P) belongs to them, for a board whose scale is taken as right (see :func:`stored_rig`). `terms` are the
    terms of the board's shape that were solved for.
    """

    calibration: Calibration
    models: tuple[LensModel, ...]
    free: tuple[BoolArray, ...]
    intrinsics: tuple[FloatArray, ...]
    rotation: FloatArray
    translation: FloatArray
    names: tuple[str, ...]
    covariance: FloatArray
    terms: tuple[tuple[int, int], ...]

    @property
    def layout(self) -> SharedLayout:
        """Layout of a fit in which everything is free that was free in the calibration."""
        return SharedLayout(models=self.models, free=self.free, n_shape=len(self.terms))

    @property
    def size(self) -> int:
        """Number of parameters of the rig itself, the board's shape left out."""
        return len(self.names)

    def moved(self, change: FloatArray) -> RigState:
        """The rig after a change (P,) of its parameters; without boards."""
        layout = SharedLayout(models=self.models, free=self.free)
        return self.state(np.zeros((0, 3, 3)), np.zeros((0, 3))).moved(layout, change, np.zeros((0, 6)))

    def state(self, rotations: FloatArray, translations: FloatArray) -> RigState:
        """The rig as stored with a flat board at the given poses."""
        return RigState(
            intrinsics=self.intrinsics,
            rotation=self.rotation,
            translation=self.translation,
            shape=np.zeros(len(self.terms)),
            board_rotations=rotations,
            board_translations=translations,
        )


def stored_rig(calibration: Calibration) -> StoredRig:
    """Bring a calibration to the solver's terms.

    Raises
    ------
    SchemaError
        When its list of parameters lacks some that it must have, or holds unknown ones.

    Notes
    -----
    Today's pictures show the same board: an error of its scale is in both and cancels, so it is taken out of the
    covariance again. The board's shape is not kept in a calibration; today's fit solves for it anew.
    """
    names: list[str] = []
    free = []
    for entry in calibration.cameras:
        own = [f"{entry.camera.name}.{name}" for name in intrinsics_names(entry.camera.model)]
        mask = np.array([name in calibration.parameters for name in own])
        names += [name for name, used in zip(own, mask, strict=True) if used]
        free.append(mask)
    pose = calibration.stereo.camera2_from_camera1 if calibration.stereo is not None else None
    names += _POSE if pose is not None else ()
    _refuse_other_parameters(calibration, names)
    rows = [calibration.parameters.index(name) for name in names]
    covariance = calibration.covariance[np.ix_(rows, rows)].copy()
    translation = np.zeros(3) if pose is None else pose.translation_mm
    scale = calibration.board.scale_sigma
    if pose is not None and scale is not None:
        by_scale = np.zeros(len(names))
        by_scale[-3:] = translation
        covariance -= scale**2 * np.outer(by_scale, by_scale)
    return StoredRig(
        calibration=calibration,
        models=tuple(entry.camera.model for entry in calibration.cameras),
        free=tuple(free),
        intrinsics=tuple(intrinsics_vector(entry.camera) for entry in calibration.cameras),
        rotation=np.eye(3) if pose is None else pose.rotation,
        translation=translation,
        names=tuple(names),
        covariance=covariance,
        terms=_terms(calibration),
    )


def _refuse_other_parameters(calibration: Calibration, names: list[str]) -> None:
    needed = [f"{entry.camera.name}.focal_x_px" for entry in calibration.cameras]
    needed += _POSE if calibration.stereo is not None else ()
    missing = [name for name in needed if name not in calibration.parameters]
    left = set(calibration.parameters) - set(names)
    unknown = sorted(name for name in left if not name.startswith(_SHAPE))
    if missing or unknown:
        found = f"without {', '.join(missing)}" if missing else f"with {', '.join(unknown)}"
        raise SchemaError(
            f"calibration of {calibration.created}: parameters {found} found.",
            hint="this file was changed by hand or damaged: take a copy from a backup, or calibrate again.",
        )


def _terms(calibration: Calibration) -> tuple[tuple[int, int], ...]:
    shapes = [name for name in calibration.parameters if name.startswith(_SHAPE)]
    digits = [name.removeprefix(_SHAPE).removesuffix(_SHAPE_END) for name in shapes]
    return tuple((int(one[0]), int(one[1])) for one in digits if len(one) == 2 and one.isdigit())
