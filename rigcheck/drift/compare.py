"""Two calibrations of one rig: what differs, how sure that is, and what it does on the face."""

from dataclasses import dataclass, replace

import numpy as np

from rigcheck.drift.common_part import CommonPart, SourcedCalibration, common_part
from rigcheck.drift.comparable import comparable
from rigcheck.drift.compare_harm import FaceHarm, Viewing, face_harm
from rigcheck.drift.compare_pose import PoseDifference, pose_difference
from rigcheck.drift.joint import ChiSquare, Joint, chi_square, joint_covariance
from rigcheck.drift.rig_columns import camera_rows, parameter_values, rig_selector
from rigcheck.drift.trust import CalibrationFacts, calibration_facts
from rigcheck.geometry.mapping import MappingDifference, mapping_by_intrinsics, mapping_difference
from rigcheck.geometry.rotation import log_rotation
from rigcheck.model import Calibration, Estimate
from rigcheck.model._arrays import FloatArray

__all__ = [
    "CameraMapping",
    "Comparison",
    "ParameterDifference",
    "compare_calibrations",
    "rig_agreement",
]


@dataclass(frozen=True, kw_only=True)
class ParameterDifference:
    """One parameter of both: `group` is the camera's name, `sigma` None where it means nothing."""

    group: str
    name: str
    first: float
    second: float
    sigma: float | None
    unit: str

    @property
    def difference(self) -> float:
        """Second less first."""
        return self.second - self.first

    @property
    def sigmas(self) -> float | None:
        """How many of its sigmas the difference is."""
        return abs(self.difference) / self.sigma if self.sigma else None


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraMapping:
    """One camera's mapping difference over the picture, and the sigma of its RMS after the turn."""

    camera: str
    size_px: tuple[int, int]
    difference: MappingDifference
    left_sigma_px: float | None
    expected_px: float | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Everything `compare` measured; `measurements` holds the numbers by name.

    `agreement` is None, with `not_comparable` saying why, when parameters cannot be compared one by one; mapping
    and harm always can.
    """

    first: Calibration
    second: Calibration
    parameters: tuple[ParameterDifference, ...]
    pose: PoseDifference | None
    cameras: tuple[CameraMapping, ...]
    harm: FaceHarm
    agreement: ChiSquare | None
    not_comparable: str
    common: CommonPart
    facts: tuple[CalibrationFacts, CalibrationFacts]
    measurements: dict[str, Estimate]
    notes: tuple[str, ...] = ()


def compare_calibrations(
    first: SourcedCalibration,
    second: SourcedCalibration,
    *,
    prior: SourcedCalibration | None = None,
    viewing: Viewing,
) -> Comparison:
    """Compare two calibrations of one rig.

    Parameters
    ----------
    first, second : SourcedCalibration
        Of one camera each or a pair each, with pictures of the same size.
    prior : SourcedCalibration, optional
        The workshop calibration that both used.
    viewing : Viewing
        Without a working distance there is no harm.

    Returns
    -------
    Comparison
        Differences are second less first.

    Raises
    ------
    ConfigError
        When they are not of the same cameras (see :func:`rigcheck.drift.comparable.comparable`).
    """
    renamed, notes = comparable(first.calibration, second.calibration)
    one, other = first, replace(second, calibration=renamed)
    a, b = first.calibration, renamed
    common = common_part(one, other, prior=prior)
    joint = joint_covariance(a, b, common)
    reason = _why_not_comparable(a, b, common)
    cameras = tuple(_camera_mapping(a, b, index, joint) for index in range(len(a.cameras)))
    pose = (
        None if a.stereo is None or b.stereo is None else pose_difference(a, b, cameras_turns(cameras), joint)
    )
    agreement = None if reason else rig_agreement(a, b, joint)
    harm = face_harm(a, b, cameras_turns(cameras), joint, viewing)
    measurements = harm.measurements | _agreement_measurements(agreement, reason)
    for mapping in cameras:
        measurements |= _mapping_measurements(mapping)
    if pose is not None:
        measurements |= pose.measurements()
    return Comparison(
        first=a,
        second=b,
        parameters=_parameters(a, b, joint),
        pose=pose,
        cameras=cameras,
        harm=harm,
        agreement=agreement,
        not_comparable=reason,
        common=common,
        facts=(calibration_facts(a, first.report), calibration_facts(b, second.report)),
        measurements=measurements,
        notes=(*notes, *common.notes),
    )


def cameras_turns(cameras: tuple[CameraMapping, ...]) -> tuple[FloatArray, ...]:
    """Each camera's compensating turn, rad."""
    return tuple(camera.difference.turn_rad for camera in cameras)


def _why_not_comparable(a: Calibration, b: Calibration, common: CommonPart) -> str:
    for mine, other in zip(a.cameras, b.cameras, strict=True):
        lenses = [(one.camera.model, len(one.camera.distortion)) for one in (mine, other)]
        if lenses[0] != lenses[1]:
            words = [f"{model} with {count} coefficients" for model, count in lenses]
            return f"{mine.camera.name} has different lens models: {words[0]} and {words[1]}"
    if common.same_footage:
        return "both were made from the same footage"
    if _rig_names(a) != _rig_names(b):
        return "the two files hold different parameters"
    return ""


def _rig_names(calibration: Calibration) -> set[str]:
    return {name for name in calibration.parameters if not name.startswith("board.")}


def rig_agreement(a: Calibration, b: Calibration, joint: Joint) -> ChiSquare:
    """Squared Mahalanobis distance over everything that both hold of the rig (not the boards' shapes).

    Both must have the same parameters and camera names.
    """
    rows = np.flatnonzero(rig_selector(a).sum(1) > 0)
    difference = _rig_difference(a, b)[rows]
    first, second = (c[np.ix_(rows, rows)] for c in (joint.first, joint.second))
    cross = joint.cross[np.ix_(rows, rows)]
    scale = np.sqrt(np.maximum(np.diag(first) + np.diag(second), 1e-300))
    return chi_square(difference, first + second - cross - cross.T, scale)


def _rig_difference(a: Calibration, b: Calibration) -> FloatArray:
    """Second less first in the order of the rig's rows; the pose by left turns and translation."""
    select = rig_selector(a)
    values = [parameter_values(one) for one in (a, b)]
    out = np.zeros(len(select))
    for column, name in enumerate(a.parameters):
        if name in values[0] and name in values[1]:
            out += select[:, column] * (values[1][name][0] - values[0][name][0])
    if a.stereo is not None and b.stereo is not None:
        poses = a.stereo.camera2_from_camera1, b.stereo.camera2_from_camera1
        out[-6:-3] = log_rotation(poses[1].rotation @ poses[0].rotation.T)
        out[-3:] = poses[1].translation_mm - poses[0].translation_mm
    return out


def _parameters(a: Calibration, b: Calibration, joint: Joint) -> tuple[ParameterDifference, ...]:
    select = rig_selector(a), rig_selector(b)
    values = [parameter_values(one) for one in (a, b)]
    models = {
        mine.camera.name: (mine.camera.model, len(mine.camera.distortion))
        == (other.camera.model, len(other.camera.distortion))
        for mine, other in zip(a.cameras, b.cameras, strict=True)
    }
    out = []
    for name, (value, unit) in values[0].items():
        camera, _, short = name.partition(".")
        if name not in values[1] or (not models[camera] and not unit):
            continue  # a coefficient of another polynomial is another number
        by_first = select[0][:, a.parameters.index(name)]
        by_second = select[1][:, b.parameters.index(name)]
        out.append(
            ParameterDifference(
                group=camera,
                name=short,
                first=value,
                second=values[1][name][0],
                sigma=joint.sigma(by_first, by_second) if models[camera] else None,
                unit=unit,
            )
        )
    return tuple(out)


def _camera_mapping(a: Calibration, b: Calibration, index: int, joint: Joint) -> CameraMapping:
    cameras = a.cameras[index].camera, b.cameras[index].camera
    found = mapping_difference(*cameras)
    length = np.sqrt((found.left_px**2).sum(1))
    direction = found.left_px / np.maximum(length, 1e-300)[:, None]
    by = []
    for calibration, camera in zip((a, b), cameras, strict=True):
        left, _ = mapping_by_intrinsics(camera, found.pixels)
        full = np.zeros((len(found.pixels), 2, len(rig_selector(calibration))))
        full[:, :, camera_rows(calibration, index)] = left
        by.append(full)
    # Of the RMS: each point's part of it along its own direction, to first order.
    total = max(float(length @ length), 1e-300) ** 0.5 * len(length) ** 0.5
    along = [np.einsum("n,na,nar->r", length / total, direction, one) for one in by]
    expected = float(np.sqrt(joint.variance(by[0], by[1]).sum(1).mean())) if joint.known else None
    return CameraMapping(
        camera=cameras[0].name,
        size_px=cameras[0].image_size_px,
        difference=found,
        left_sigma_px=joint.sigma(along[0], along[1]),
        expected_px=expected,
    )


def _agreement_measurements(agreement: ChiSquare | None, reason: str) -> dict[str, Estimate]:
    if agreement is None:
        none = Estimate(value=None, reason=reason)
        return {"agreement.chi_square": none, "agreement.p_value": none}
    return {
        "agreement.chi_square": Estimate(value=agreement.value, n=agreement.freedom),
        "agreement.p_value": Estimate(value=agreement.p_value, n=agreement.freedom),
    }


def _mapping_measurements(mapping: CameraMapping) -> dict[str, Estimate]:
    found, name = mapping.difference, mapping.camera
    n = len(found.pixels)
    turn = float(np.degrees(np.linalg.norm(found.turn_rad)))
    out = {
        f"{name}.mapping_raw_px": Estimate(value=found.raw_rms_px, unit="px", n=n),
        f"{name}.mapping_raw_largest_px": Estimate(value=found.raw_max_px, unit="px", n=n),
        f"{name}.mapping_left_px": Estimate(
            value=found.left_rms_px, sigma=mapping.left_sigma_px, unit="px", n=n
        ),
        f"{name}.mapping_left_largest_px": Estimate(value=found.left_max_px, unit="px", n=n),
        f"{name}.mapping_turn_deg": Estimate(value=turn, unit="deg", n=n),
        f"{name}.unmapped_share": Estimate(value=found.unmapped_share, n=n),
    }
    if mapping.expected_px is not None:
        out[f"{name}.mapping_expected_px"] = Estimate(value=mapping.expected_px, unit="px", n=n)
    return out
