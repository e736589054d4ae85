"""The pair's pose in one take, from details of the face that both cameras saw."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigcheck.drift.audit_smooth import SmoothFit, bumps, fit_with_smooth_error
from rigcheck.errors import EstimationError
from rigcheck.geometry.face_volume import face_grid
from rigcheck.geometry.honest_rms import honest_rms
from rigcheck.geometry.observable import moved_pair, pose_by_observable
from rigcheck.geometry.pair import sampson_of_rays
from rigcheck.geometry.projection import intrinsics_vector, project_with_derivatives, unproject
from rigcheck.geometry.rig_change import depth_by_rig
from rigcheck.geometry.rotation import exp_rotation
from rigcheck.model import Estimate, PatchMatches, StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import OBSERVABLE, TakeGeometry

FEWEST_MATCHES = 60
# Steps of the numerical derivatives: by the change (degrees, mm), by the first four intrinsics (px) and the others, by
# the pose (rad, mm).
_STEP = 0.01
_PIXEL_STEP, _COEFFICIENT_STEP, _TURN_STEP, _MOVE_STEP = 0.1, 1e-4, 1e-5, 1e-3
_N_PIXELS = 4
_MOST_FOR_RESPONSE = 100
_REFITS = 3
_LINEAR = 0.01  # of a match's sigma: what distances that were foreseen so well leave to another fit

__all__ = ["FEWEST_MATCHES", "depth_by_observable", "harm_of", "take_geometry"]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Rays:
    """Matches of all moments put together: pixels, rays and covariance in picture 2."""

    pixels1: FloatArray
    pixels2: FloatArray
    rays1: FloatArray
    rays2: FloatArray
    covariance: FloatArray

    @property
    def n(self) -> int:
        return len(self.pixels1)


def take_geometry(
    name: str,
    matches: Sequence[PatchMatches],
    rig: StereoRig,
    *,
    working_distance_mm: float,
    upright_deg: int = 0,
) -> TakeGeometry:
    """Estimate what changed between the calibration and one take.

    Parameters
    ----------
    name : str
        Of the take.
    matches : sequence of PatchMatches
        One a moment, px as recorded.
    rig : StereoRig
        The calibrated pair.
    working_distance_mm, upright_deg
        Where the face stands; see :func:`rigcheck.geometry.face_volume.face_grid`.

    Returns
    -------
    TakeGeometry

    Raises
    ------
    EstimationError
        With fewer than 60 matches in all, or when the fit runs away.

    Notes
    -----
    Not seen: the baseline's length, a movement of the whole bar, and whatever moves points along their epipolar
    lines. A turn across and a move square to both look alike on a face (correlation -0.997, handbook): their sum at
    the face is `geometry.across_deg`.
    """
    rays = _joined(matches, rig)
    if rays.n < FEWEST_MATCHES:
        raise EstimationError(
            f"{name}: {rays.n} details found that both cameras show, {FEWEST_MATCHES} needed",
            hint="is the face sharp, lit and in both pictures? Cameras exchanged, or another take's footage, look "
            "like this too",
        )
    change, fit = _fitted(name, rays, rig)
    distances = _distances(rays, rig, np.zeros(5))[0], _distances(rays, rig, change)[0]
    across = _across_per_mm(rig, working_distance_mm)
    depth = depth_by_observable(rig, working_distance_mm=working_distance_mm, upright_deg=upright_deg)
    return TakeGeometry(
        name=name,
        change=change,
        white=fit.white,
        smooth=fit.smooth,
        by_calibration=_by_calibration(rays, rig, fit.gain),
        across_per_mm=across,
        depth_by_change=depth,
        measurements=_measurements(change, fit, distances, across, matches)
        | {"geometry.harm_mm": harm_of(depth, change, fit.white + fit.smooth, n=rays.n)},
        n_matches=rays.n,
        n_moments=len(matches),
        smooth_px=fit.smooth_px,
    )


def _fitted(name: str, rays: _Rays, rig: StereoRig) -> tuple[FloatArray, SmoothFit]:
    """Change (5,) and the fit at it, linearised anew until that changes nothing."""
    basis = bumps(rays.pixels1, rig.camera1.image_size_px)
    change = np.zeros(5)
    off, sigma = _distances(rays, rig, change)
    for _ in range(_REFITS):
        design = _design(rays, rig, change)
        fit = fit_with_smooth_error(off, sigma, design, basis)
        change = change + fit.change
        if not np.isfinite(change).all():
            raise EstimationError(
                f"{name}: the fit of the pair's pose ran away",
                hint="look at the pictures of this take's matches",
            )
        expected = off + design @ fit.change
        off, sigma = _distances(rays, rig, change)
        if (np.abs(off - expected) < _LINEAR * sigma).all():
            break
    return change, fit


def harm_of(
    depth_by_change: FloatArray, change: FloatArray, covariance: FloatArray, *, n: int = 0
) -> Estimate:
    """RMS depth over the face that a change makes, what errors add taken off."""
    found = honest_rms(depth_by_change @ change, depth_by_change @ covariance @ depth_by_change.T)
    return Estimate(value=found.value, sigma=found.sigma, unit="mm", n=n)


def depth_by_observable(rig: StereoRig, *, working_distance_mm: float, upright_deg: int = 0) -> FloatArray:
    """Depth (N, 5), mm, over the face volume by an observable change: new pictures read with the old pair."""
    pose = rig.camera2_from_camera1
    grid = face_grid(
        pose.rotation,
        pose.translation_mm,
        working_distance_mm=working_distance_mm,
        upright_deg=upright_deg,
    )
    return np.asarray(-depth_by_rig(rig, grid)[:, -6:] @ pose_by_observable(pose))


def _joined(matches: Sequence[PatchMatches], rig: StereoRig) -> _Rays:
    pixels1 = np.concatenate([np.zeros((0, 2)), *(one.points1_px for one in matches)])
    pixels2 = np.concatenate([np.zeros((0, 2)), *(one.points2_px for one in matches)])
    covariance = np.concatenate([np.zeros((0, 2, 2)), *(one.covariance_px2 for one in matches)])
    rays1 = unproject(pixels1, intrinsics_vector(rig.camera1), rig.camera1.model)
    rays2 = unproject(pixels2, intrinsics_vector(rig.camera2), rig.camera2.model)
    seen = np.isfinite(np.hstack([rays1, rays2])).all(axis=1)
    return _Rays(
        pixels1=pixels1[seen],
        pixels2=pixels2[seen],
        rays1=rays1[seen],
        rays2=rays2[seen],
        covariance=covariance[seen],
    )


def _intrinsics(rig: StereoRig) -> tuple[FloatArray, FloatArray]:
    return intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)


def _distances(rays: _Rays, rig: StereoRig, change: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sampson distances and their sigmas, (N,) px."""
    pose = moved_pair(rig.camera2_from_camera1, change)
    found = sampson_of_rays(
        rays.rays1, rays.rays2, _intrinsics(rig), rotation=pose.rotation, translation=pose.translation_mm
    )
    by = found.by_pixel2
    sigma = np.sqrt(np.einsum("ni,nij,nj->n", by, rays.covariance, by))
    return found.distance_px, np.maximum(sigma, 1e-3)


def _design(rays: _Rays, rig: StereoRig, change: FloatArray) -> FloatArray:
    columns = []
    for move in _STEP * np.eye(5):
        up, _ = _distances(rays, rig, change + move)
        down, _ = _distances(rays, rig, change - move)
        columns.append((up - down) / (2 * _STEP))
    return np.stack(columns, axis=1)


def _by_calibration(rays: _Rays, rig: StereoRig, gain: FloatArray) -> FloatArray:
    """How the estimate answers an error of the calibration, (5, P): `gain` times the distances' derivative.

    The derivative is smooth over the picture: some places speak for all.
    """
    places = np.linspace(0, rays.n - 1, min(rays.n, _MOST_FOR_RESPONSE)).astype(int)
    some = replace(
        rays,
        **{
            name: getattr(rays, name)[places]
            for name in ("pixels1", "pixels2", "rays1", "rays2", "covariance")
        },
    )
    by = np.hstack([_by_intrinsics(some, rig, 0), _by_intrinsics(some, rig, 1), _by_pose(some, rig)])
    if some.n < rays.n:
        by = _surface(rays.pixels1, rig) @ np.linalg.lstsq(_surface(some.pixels1, rig), by, rcond=None)[0]
    return np.asarray(gain @ by)


def _by_intrinsics(rays: _Rays, rig: StereoRig, camera: int) -> FloatArray:
    """Derivative (N, I) of distances by one camera's intrinsics, the pixels held: their rays turn."""
    values, pose = _intrinsics(rig), rig.camera2_from_camera1
    own, model = ((rays.rays1, rig.camera1.model), (rays.rays2, rig.camera2.model))[camera]
    seen_at = project_with_derivatives(np.column_stack([own, np.ones(len(own))]), values[camera], model)
    turn = -np.asarray(np.linalg.solve(seen_at.by_point[:, :, :2], seen_at.by_intrinsics), dtype=np.float64)
    columns = []
    for place in range(len(values[camera])):
        step = _PIXEL_STEP if place < _N_PIXELS else _COEFFICIENT_STEP
        ends = []
        for sign in (1.0, -1.0):
            moved = values[camera].copy()
            moved[place] += sign * step
            seen = own + sign * step * turn[:, :, place]
            both = (moved, values[1]) if camera == 0 else (values[0], moved)
            turned = (seen, rays.rays2) if camera == 0 else (rays.rays1, seen)
            found = sampson_of_rays(*turned, both, rotation=pose.rotation, translation=pose.translation_mm)
            ends.append(found.distance_px)
        columns.append((ends[0] - ends[1]) / (2 * step))
    return np.stack(columns, axis=1)


def _by_pose(rays: _Rays, rig: StereoRig) -> FloatArray:
    """Derivative (N, 6) of distances by three left turns (rad) and the translation (mm)."""
    pose, columns = rig.camera2_from_camera1, []
    for place in range(6):
        step = _TURN_STEP if place < 3 else _MOVE_STEP
        ends = []
        for sign in (1.0, -1.0):
            move = np.zeros(6)
            move[place] = sign * step
            rotation, translation = exp_rotation(move[:3]) @ pose.rotation, pose.translation_mm + move[3:]
            found = sampson_of_rays(
                rays.rays1, rays.rays2, _intrinsics(rig), rotation=rotation, translation=translation
            )
            ends.append(found.distance_px)
        columns.append((ends[0] - ends[1]) / (2 * step))
    return np.stack(columns, axis=1)


def _surface(at_px: FloatArray, rig: StereoRig) -> FloatArray:
    """Monomials to the fourth degree over the picture, (N, 15)."""
    x, y = (2.0 * at_px / np.array(rig.camera1.image_size_px) - 1.0).T
    return np.stack([x**i * y**j for i in range(5) for j in range(5 - i)], axis=1)


def _across_per_mm(rig: StereoRig, working_distance_mm: float) -> float:
    """Turn across (deg) that looks at the face's middle like a move square to both by one mm."""
    pose = rig.camera2_from_camera1
    middle = face_grid(
        pose.rotation, pose.translation_mm, working_distance_mm=working_distance_mm, cells=(1, 1, 1)
    )
    first = middle.points_mm[:, :2] / middle.points_mm[:, 2:]
    second = pose.apply(middle.points_mm)
    rays2 = second[:, :2] / second[:, 2:]

    def distance(change: FloatArray) -> float:
        at = moved_pair(pose, change)
        found = sampson_of_rays(
            first, rays2, _intrinsics(rig), rotation=at.rotation, translation=at.translation_mm
        )
        return float(found.distance_px[0])

    turn, move = np.zeros(5), np.zeros(5)
    turn[1], move[4] = 0.01, 0.01
    return (distance(move) - distance(-move)) / (distance(turn) - distance(-turn))


def _measurements(
    change: FloatArray,
    fit: SmoothFit,
    distances: tuple[FloatArray, FloatArray],
    across_per_mm: float,
    matches: Sequence[PatchMatches],
) -> dict[str, Estimate]:
    n, covariance = len(fit.weights), fit.white + fit.smooth
    combined = np.eye(5)
    combined[1, 4] = across_per_mm
    values, sigmas = combined @ change, np.sqrt(np.diag(combined @ covariance @ combined.T))
    out = {
        f"geometry.{name}": Estimate(
            value=float(value), sigma=float(sigma), unit=name.rpartition("_")[2], n=n
        )
        for name, value, sigma in zip(OBSERVABLE[:4], values, sigmas, strict=False)
    }
    kept = fit.weights > 0
    tried = n + sum(sum(one.left_out.values()) for one in matches)
    return out | {
        "geometry.sampson_px": _rms(distances[0][kept]),
        "geometry.sampson_fitted_px": _rms(distances[1][kept]),
        "geometry.smooth_px": Estimate(value=fit.smooth_px, unit="px", n=n),
        "geometry.noise_ratio": Estimate(value=fit.noise_ratio, n=n),
        "geometry.left_out_share": Estimate(value=1.0 - float(kept.sum()) / max(tried, 1), n=tried),
    }


def _rms(distances: FloatArray) -> Estimate:
    value = float(np.sqrt((distances**2).mean()))
    return Estimate(value=value, unit="px", n=len(distances))
