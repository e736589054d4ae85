"""One call from views to a calibration with its evidence."""

from collections.abc import Mapping, Sequence

import numpy as np

from rigcheck.calibration.blind import blind_measurements
from rigcheck.calibration.evidence import (
    camera_rms_px,
    coverage_map,
    epipolar_rms_px,
    outlier_share,
    tilt_spread_deg,
    view_results,
)
from rigcheck.calibration.guidance import wanted_views
from rigcheck.calibration.harm import (
    face_volume,
    harm_by_view_count,
    mapping_uncertainty,
    single_camera_harm_mm,
)
from rigcheck.calibration.prior import IntrinsicsPrior, agreement
from rigcheck.calibration.quantities import (
    Quantity,
    flatness,
    parameter_names,
    parameter_sigmas,
    quantities,
    stored_covariance,
)
from rigcheck.calibration.solve import Solution
from rigcheck.geometry.projection import N_PINHOLE
from rigcheck.model import (
    Calibration,
    CalibrationRun,
    CameraCalibration,
    CameraModel,
    Estimate,
    FaceVolume,
    FitSummary,
    Provenance,
    Rejection,
    RigidTransform,
    StereoCalibration,
)
from rigcheck.model._arrays import IntArray

__all__ = ["calibration_run"]


def calibration_run(
    solution: Solution,
    *,
    provenance: Provenance,
    working_distance_mm: float | None = None,
    rejected: Sequence[Rejection] = (),
    notes: Sequence[str] = (),
) -> CalibrationRun:
    """Carry a solution to what is stored, judged and drawn.

    Parameters
    ----------
    solution : Solution
    provenance : Provenance
    working_distance_mm : float, optional
        From the middle of the baseline to the middle of the face; the median distance of the board when not
        known.
    rejected : sequence of Rejection
        Pictures left out before solving.
    notes : sequence of str
        Sentences for the report.

    Returns
    -------
    CalibrationRun
        Without pictures of the views.
    """
    views = view_results(solution)
    distance = working_distance_mm or float(np.median([view.distance_mm for view in views]))
    numbers = quantities(solution)
    coverage = {setup.name: coverage_map(solution, camera) for camera, setup in enumerate(solution.setups)}
    volume = face_volume(solution, distance) if len(solution.setups) == 2 else None
    calibration = Calibration(
        created=provenance.created,
        cameras=tuple(_camera(solution, camera) for camera in range(len(solution.setups))),
        stereo=_stereo(solution, numbers) if volume is not None else None,
        face_volume=volume,
        board=solution.board,
        provenance=provenance,
        parameters=parameter_names(solution),
        covariance=stored_covariance(solution),
    )
    return CalibrationRun(
        calibration=calibration,
        views=views,
        rejected=(*rejected, *solution.rejected),
        model_scores=tuple(score for choice in solution.choices for score in choice.scores),
        fit=_fit(solution),
        measurements=_measurements(solution, numbers, volume, distance_mm=distance, coverage=coverage),
        leave_out_sigma={name: number.leave_out_sigma(solution) for name, number in numbers.items()},
        coverage_maps=coverage,
        notes=tuple(notes),
        wanted_views=wanted_views(solution, working_distance_mm=distance),
    )


def _camera(solution: Solution, camera: int) -> CameraCalibration:
    setup, lens = solution.setups[camera], solution.choices[camera].lens
    values = solution.adjustment.state.intrinsics[camera]
    sigma = parameter_sigmas(solution, camera)
    n = lens.n_coefficients
    return CameraCalibration(
        camera=CameraModel(
            name=setup.name,
            image_size_px=setup.image_size_px,
            model=lens.model,
            focal_px=(float(values[0]), float(values[1])),
            principal_point_px=(float(values[2]), float(values[3])),
            distortion=tuple(float(v) for v in values[N_PINHOLE : N_PINHOLE + n]),
        ),
        reprojection_rms_px=camera_rms_px(solution, camera),
        sigma_focal_px=(float(sigma[0]), float(sigma[1])),
        sigma_principal_point_px=(float(sigma[2]), float(sigma[3])),
        sigma_distortion=tuple(float(v) for v in sigma[N_PINHOLE : N_PINHOLE + n]),
        frame_rate_hz=setup.frame_rate_hz,
    )


def _stereo(solution: Solution, numbers: Mapping[str, Quantity]) -> StereoCalibration:
    state = solution.adjustment.state
    sigma = {name: number.sigma(solution) for name, number in numbers.items() if name.startswith("stereo.")}
    return StereoCalibration(
        camera2_from_camera1=RigidTransform(rotation=state.rotation, translation_mm=state.translation),
        reprojection_rms_px=camera_rms_px(solution),
        epipolar_rms_px=epipolar_rms_px(solution)[0],
        sigma_rotation_deg={n: sigma[f"stereo.{n}_deg"] for n in ("convergence", "across", "twist")},
        sigma_translation_mm=(
            sigma["stereo.translation_x_mm"],
            sigma["stereo.translation_y_mm"],
            sigma["stereo.translation_z_mm"],
        ),
        sigma_baseline_mm=sigma["stereo.baseline_mm"],
    )


def _fit(solution: Solution) -> FitSummary:
    summary = solution.adjustment.summary
    return FitSummary(
        status=summary.status,
        message=summary.message,
        iterations=summary.iterations,
        initial_cost=summary.initial_cost,
        final_cost=summary.final_cost,
        n_points=summary.n_points,
        n_parameters=summary.n_parameters,
        rms_px=camera_rms_px(solution),
        noise_px=summary.noise_px,
        condition_number=solution.covariance.condition_number,
        downweighted=summary.downweighted,
    )


def _measurements(
    solution: Solution,
    numbers: Mapping[str, Quantity],
    volume: FaceVolume | None,
    *,
    distance_mm: float,
    coverage: Mapping[str, IntArray],
) -> dict[str, Estimate]:
    out = {
        name: Estimate(
            value=number.value,
            sigma=number.sigma(solution),
            unit=number.unit,
            n=solution.adjustment.summary.n_points,
        )
        for name, number in numbers.items()
    }
    for camera in range(len(solution.setups)):
        out |= _camera_measurements(solution, camera, coverage[solution.setups[camera].name])
    pair = len(solution.setups) == 2
    if volume is not None:
        out |= _pair_measurements(solution, volume)
    else:
        out[f"{solution.setups[0].name}.harm_depth_mm"] = Estimate(
            value=single_camera_harm_mm(solution, 0, distance_mm), unit="mm", n=len(solution.views)
        )
    out["stereo.leave_out_ratio" if pair else f"{solution.setups[0].name}.leave_out_ratio"] = Estimate(
        value=max(
            number.leave_out_sigma(solution) / sigma
            for number in numbers.values()
            if (sigma := number.sigma(solution)) > 0
        ),
        n=len(solution.views),
    )
    if solution.prior is not None:
        out |= _prior_measurements(solution, solution.prior)
    out |= blind_measurements(solution, working_distance_mm=distance_mm)
    out["board.flatness_mm"] = flatness(solution, numbers)
    out["board.scale_sigma"] = _print_scale(solution.board.scale_sigma)
    out["views.inflation"] = Estimate(
        value=solution.covariance.inflation, sigma=solution.covariance.inflation_sigma, n=len(solution.views)
    )
    out["views.working_distance_mm"] = Estimate(value=distance_mm, unit="mm", n=len(solution.views))
    return out


def _print_scale(sigma: float | None) -> Estimate:
    if sigma is None:
        return Estimate(value=None, n=0, reason="the print was not measured")
    return Estimate(value=sigma, n=2)


def _prior_measurements(solution: Solution, prior: IntrinsicsPrior) -> dict[str, Estimate]:
    names = parameter_names(solution)
    found = agreement(solution.adjustment, prior, solution.covariance.information, names)
    return {
        "prior.chi_square": Estimate(value=found.chi_square, n=found.freedom),
        f"prior.largest_shift.{found.largest}": Estimate(value=found.largest_sigmas, unit="sigma", n=1),
    }


def _camera_measurements(solution: Solution, camera: int, coverage: IntArray) -> dict[str, Estimate]:
    name, choice = solution.setups[camera].name, solution.choices[camera]
    seen = [view[camera] for view in solution.views]
    corners = sum(side.n for side in seen if side is not None)
    views = sum(side is not None for side in seen)
    mapping = mapping_uncertainty(solution, camera)
    ratio = choice.held_out_ratio
    return {
        f"{name}.rms_px": Estimate(value=camera_rms_px(solution, camera), unit="px", n=corners),
        f"{name}.mapping_sigma_px": Estimate(value=mapping.rms_px, unit="px", n=corners),
        f"{name}.unmapped_share": Estimate(value=mapping.unmapped_share),
        f"{name}.held_out_ratio": Estimate(
            value=ratio,
            n=views,
            reason="" if ratio is not None else "the lens model was given, none was chosen",
        ),
        f"{name}.coverage": Estimate(value=float((coverage > 0).mean()), n=views),
        f"{name}.tilt_spread_deg": Estimate(value=tilt_spread_deg(solution, camera), unit="deg", n=views),
        f"{name}.views": Estimate(value=float(views), n=views),
        f"{name}.corners": Estimate(value=float(corners), n=views),
        f"{name}.outlier_share": Estimate(value=outlier_share(solution, camera), n=corners),
    }


def _pair_measurements(solution: Solution, volume: FaceVolume) -> dict[str, Estimate]:
    epipolar, matched = epipolar_rms_px(solution)
    pairs = sum(all(side is not None for side in view) for view in solution.views)
    n_points = solution.adjustment.summary.n_points
    out = {
        "stereo.harm_depth_mm": Estimate(value=volume.depth_mm, unit="mm", n=len(solution.views)),
        "stereo.harm_lateral_mm": Estimate(value=volume.lateral_mm, unit="mm", n=len(solution.views)),
        "stereo.rms_px": Estimate(value=camera_rms_px(solution), unit="px", n=n_points),
        "stereo.epipolar_rms_px": Estimate(value=epipolar, unit="px", n=matched),
        "stereo.pairs": Estimate(value=float(pairs), n=pairs),
    }
    for count, depth_mm in harm_by_view_count(solution, volume.working_distance_mm):
        out[f"face_depth_after_{count:02d}_views"] = Estimate(value=depth_mm, unit="mm", n=count)
    return out
