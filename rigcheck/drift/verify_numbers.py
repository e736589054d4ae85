"""Every number of a verification by name, each with its sigma."""

import numpy as np

from rigcheck.drift.against_stored import Compared
from rigcheck.drift.face_harm import moved_rig
from rigcheck.drift.stored import StoredRig
from rigcheck.geometry.fit_residuals import epipolar_rms_px, rms_px
from rigcheck.geometry.rig_change import POSE_PARTS, pose_change, pose_change_derivative
from rigcheck.geometry.rotation import log_rotation, pair_axes
from rigcheck.model import Estimate, RigidTransform
from rigcheck.model._arrays import FloatArray

__all__ = ["verify_measurements"]


def verify_measurements(compared: Compared, harm: Estimate) -> dict[str, Estimate]:
    """Name the numbers.

    Returns
    -------
    dict of str to Estimate
        - `harm.depth_mm`; `verify.chi_square` (n: degrees of freedom) and `verify.chi_square_p` of everything that
          was stored; `verify.left_p`: of what the best cause leaves;
        - of a pair `change.<part>` for each of :data:`rigcheck.geometry.rig_change.POSE_PARTS`,
          `change.chi_square_p` of the pose alone;
        - of each camera `<name>.focal_scale_change` (share), `<name>.principal_point_x_change_px`, `..._y_...`;
        - as `calibrate` names them, for today: `stereo.convergence_deg` and so on, `stereo.baseline_mm`,
          `<name>.focal_x_px` and so on, `<name>.rms_px`, `stereo.rms_px`, `stereo.epipolar_rms_px`;
        - `verify.epipolar_stored_px`: epipolar RMS with the rig as stored; `verify.views`, `verify.pairs`,
          `verify.inflation`, `verify.unrest`.
    """
    fit, views, stored = compared.today.adjustment, compared.today.views, compared.stored
    n = fit.summary.n_points
    out = {"harm.depth_mm": harm}
    if len(stored.models) == 2:
        out |= _pose_changes(compared, n) | _pose_today(compared, n)
        epipolar, matched = epipolar_rms_px(fit, views)
        nothing = np.zeros(stored.size)
        before, _ = epipolar_rms_px(fit, views, stored.moved(nothing))
        pairs = sum(all(side is not None for side in view) for view in views)
        out |= {
            "stereo.rms_px": Estimate(value=rms_px(fit), unit="px", n=n),
            "stereo.epipolar_rms_px": Estimate(value=epipolar, unit="px", n=matched),
            "verify.epipolar_stored_px": Estimate(value=before, unit="px", n=matched),
            "verify.pairs": Estimate(value=float(pairs), n=pairs),
        }
    for camera in range(len(stored.models)):
        out |= _lens_changes(compared, camera)
    return out | _evidence(compared)


def _evidence(compared: Compared) -> dict[str, Estimate]:
    """What the decision rests on."""
    scales, best, n = compared.scales, compared.explained[0].fit, len(compared.today.views)
    return {
        "verify.chi_square": Estimate(value=scales.total, n=scales.freedom),
        "verify.chi_square_p": Estimate(value=scales.total_p, n=scales.freedom),
        "verify.left_p": Estimate(value=best.left_p, n=max(best.freedom, 0)),
        "verify.views": Estimate(value=float(n), n=n),
        "verify.inflation": Estimate(value=compared.today.inflation, n=n),
        "verify.unrest": Estimate(value=compared.unrest, n=n),
    }


def _pose_changes(compared: Compared, n: int) -> dict[str, Estimate]:
    stored, change = compared.stored, compared.change
    before = RigidTransform(rotation=stored.rotation, translation_mm=stored.translation)
    after = moved_rig(stored, change.change).camera2_from_camera1
    by = np.zeros((len(POSE_PARTS), stored.size))
    by[:, stored.layout.stereo_slice] = pose_change_derivative(before)
    sigma = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", by, change.change_covariance, by), 0.0))
    out = {
        f"change.{part}": Estimate(value=float(value), sigma=float(s), unit=part.rpartition("_")[2], n=n)
        for part, value, s in zip(POSE_PARTS, pose_change(before, after), sigma, strict=True)
    }
    basic = compared.basic
    out["change.chi_square_p"] = Estimate(value=basic.gain_p, n=len(basic.amounts))
    return out


def _pose_today(compared: Compared, n: int) -> dict[str, Estimate]:
    """Today's pose, named as a calibration's; its sigma holds today's noise and the stored intrinsics' errors."""
    stored = compared.stored
    pose = moved_rig(stored, compared.change.change).camera2_from_camera1
    covariance = _pose_covariance(compared)
    t = pose.translation_mm
    axes = pair_axes(pose.rotation, t).matrix
    turned = -np.degrees(axes @ log_rotation(pose.rotation))
    rows = [*(np.concatenate([-np.degrees(axis), np.zeros(3)]) for axis in axes)]
    rows += list(np.hstack([np.zeros((3, 3)), np.eye(3)]))
    rows.append(np.concatenate([np.zeros(3), t / np.linalg.norm(t)]))
    names = ["convergence_deg", "across_deg", "twist_deg"]
    names += [f"translation_{axis}_mm" for axis in "xyz"] + ["baseline_mm"]
    values = [*turned, *t, float(np.linalg.norm(t))]
    return {
        f"stereo.{name}": Estimate(
            value=float(value),
            sigma=float(np.sqrt(max(float(row @ covariance @ row), 0.0))),
            unit=name.rpartition("_")[2],
            n=n,
        )
        for name, value, row in zip(names, values, rows, strict=True)
    }


def _pose_covariance(compared: Compared) -> FloatArray:
    """Covariance (6, 6) of today's pose: today's views with the stored intrinsics as what is known beforehand."""
    stored, information = compared.stored, compared.today.information.copy()
    k = stored.layout.stereo_slice.start
    own = stored.covariance[:k, :k]
    unit = np.sqrt(np.maximum(np.diag(own), 1e-300))
    scaled = np.linalg.pinv(own / np.outer(unit, unit), rcond=1e-13, hermitian=True)
    information[:k, :k] += scaled / np.outer(unit, unit)
    size = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    inverse = np.linalg.pinv(information * np.outer(size, size), rcond=1e-14, hermitian=True)
    inverse = inverse * np.outer(size, size)
    return np.asarray(inverse[k:, k:] * compared.unrest)


def _lens_changes(compared: Compared, camera: int) -> dict[str, Estimate]:
    stored, fit = compared.stored, compared.lenses
    name = stored.calibration.cameras[camera].camera.name
    first = fit.columns.shape[1] - 3 * (len(stored.models) - camera)
    own = slice(first, first + 3)
    amounts, sigma = fit.amounts[own], np.sqrt(np.maximum(np.diag(fit.covariance)[own], 0.0))
    n = int((compared.today.adjustment.observations.camera_idx == camera).sum())
    out = {
        f"{name}.{key}": Estimate(value=float(amount), sigma=float(s), unit=unit, n=n)
        for key, amount, s, unit in zip(
            ("focal_scale_change", "principal_point_x_change_px", "principal_point_y_change_px"),
            amounts,
            sigma,
            ("", "px", "px"),
            strict=True,
        )
    }
    values = _intrinsics_today(stored, camera, amounts, sigma)
    out |= {f"{name}.{key}": Estimate(value=v, sigma=s, unit="px", n=n) for key, (v, s) in values.items()}
    out[f"{name}.rms_px"] = Estimate(value=rms_px(compared.today.adjustment, camera), unit="px", n=n)
    return out


def _intrinsics_today(
    stored: StoredRig, camera: int, amounts: FloatArray, sigma: FloatArray
) -> dict[str, tuple[float, float]]:
    fx, fy, cx, cy = (float(v) for v in stored.intrinsics[camera][:4])
    scale, x, y = (float(v) for v in amounts)
    return {
        "focal_x_px": (fx * (1.0 + scale), fx * float(sigma[0])),
        "focal_y_px": (fy * (1.0 + scale), fy * float(sigma[0])),
        "centre_x_px": (cx + x, float(sigma[1])),
        "centre_y_px": (cy + y, float(sigma[2])),
    }
