"""Plane of focus, usable depth and sharpness over the field, from a solved board clip and from lens data."""

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.blur_growth import EdgeDepths, FocusFit, fit_focus, moved_views
from rigcheck.geometry.face_volume import FACE_BOX_MM, face_grid
from rigcheck.geometry.optics import GAUSSIAN_MTF50, USABLE_DISC_PX, ThinLens, blur_disc_mm, depth_limits_mm
from rigcheck.geometry.projection import intrinsics_vector, project_with_derivatives
from rigcheck.model import (
    CalibrationRun,
    CameraDescription,
    CameraModel,
    Estimate,
    FrameRef,
    RigDescription,
    RigidTransform,
)
from rigcheck.target.edges import EdgeBlurs

FloatArray = NDArray[np.float64]

__all__ = ["FIELD_PLACES", "USABLE_DISC_PX", "camera_edges", "focus_measurements"]

# Sharpness over the field is that of edges whose disc is smaller than this.
_IN_FOCUS_DISC_PX = 1.0
_MIN_PLACE_EDGES = 12
_MIN_SLANTED_SHARE = 0.3
_MAD = 1.4826

# Parts of the picture as recorded, three by three, row by row.
FIELD_PLACES = (
    "upper_left",
    "top",
    "upper_right",
    "left_edge",
    "middle",
    "right_edge",
    "lower_left",
    "bottom",
    "lower_right",
)
_LENS_FIELDS = ("focal_length_mm", "f_number", "focused_at_mm", "pixel_pitch_um")


def focus_measurements(
    run: CalibrationRun, blurs: Iterable[EdgeBlurs], rig: RigDescription | None = None
) -> dict[str, Estimate]:
    """Measure focus and sharpness of every camera.

    Parameters
    ----------
    run : CalibrationRun
        Its views place the edges in depth.
    blurs : iterable of EdgeBlurs
        Of the pictures looked at; those of pictures that are in no view are not used.
    rig : RigDescription, optional
        Lens data and working distance.

    Returns
    -------
    dict of str to Estimate
        For each camera `<name>.`

        - `focus_depth_mm`: plane of focus along the camera's axis, from its projection centre;
          `focus_growth_px_mm`: growth of the blur disc there;
        - `usable_near_mm`, `usable_far_mm`: depths at which the disc reaches `USABLE_DISC_PX`;
        - `face_depth_mm`: depth of the face's middle; `focus_from_face_mm`: the plane less that (positive: the
          plane is behind the face);
          `face_depth_covered`: usable share of the face's 80 mm;
        - `lens_focus_depth_mm`, `lens_usable_near_mm`, `lens_usable_far_mm`, `lens_growth_px_mm`: the same from
          lens data; `focus_from_lens_data_mm`: the measured plane less theirs;
        - `mtf50_cy_px`: median over edges in focus; `mtf50_<place>_cy_px` in nine parts of the picture;
          `mtf50_evenness`: softest part over sharpest;
        - `lens_blur_px`: what is left at best focus, in the middle; `print_blur_mm`: softness of the print's own
          edges; `moving_views`.

        What cannot be told has no value and a reason.

    Notes
    -----
    Thin lens: the projection centre found by calibration stands for the principal plane.
    """
    by_ref = {each.ref: each for each in blurs}
    out: dict[str, Estimate] = {}
    for number, entry in enumerate(run.calibration.cameras):
        name = entry.camera.name
        edges = camera_edges(run, number, by_ref)
        fit = fit_focus(edges)
        described = None if rig is None else rig.cameras[number]
        face_mm = None if rig is None else _face_depth_mm(run, number, rig)
        found = {
            **_plane(fit),
            **_against_face(fit, face_mm),
            **(lens_data := _from_lens_data(described)),
            "focus_from_lens_data_mm": _from_lens(fit, lens_data["lens_focus_depth_mm"]),
            **_field(edges, fit, entry.camera.image_size_px),
        }
        out |= {f"{name}.{key}": estimate for key, estimate in found.items()}
    return out


def camera_edges(run: CalibrationRun, number: int, by_ref: Mapping[FrameRef, EdgeBlurs]) -> EdgeDepths:
    """Edges of one camera over all views, with their depths.

    Parameters
    ----------
    run : CalibrationRun
    number : int
        0 or 1.
    by_ref : mapping of FrameRef to EdgeBlurs
    """
    camera = run.calibration.cameras[number].camera
    size = np.array(camera.image_size_px, dtype=np.float64)
    parts = []
    for view in run.views:
        side = view.sides[number]
        blurs = None if side is None else by_ref.get(side.observation.ref)
        if blurs is None or blurs.n == 0:
            continue
        pose = view.camera1_from_board if number == 0 else _in_second(run, view.camera1_from_board)
        place = (blurs.midpoints_px - (size - 1.0) / 2.0) / (0.5 * float(np.hypot(*size)))
        depth = pose.apply(blurs.board_mm)[:, 2]
        parts.append((np.full(blurs.n, view.view_idx), depth, place, _across(camera, pose, blurs), blurs))
    if not parts:
        return _no_edges()
    return EdgeDepths(
        view=np.concatenate([part[0] for part in parts]),
        depth_mm=np.concatenate([part[1] for part in parts]),
        place=np.concatenate([part[2] for part in parts]),
        along_x=np.concatenate([part[4].along_x for part in parts]),
        blur_px=np.concatenate([part[4].blur_px for part in parts]),
        sigma_px=np.concatenate([part[4].sigma_px for part in parts]),
        mtf50_cy_px=np.concatenate([part[4].mtf50_cy_px for part in parts]),
        scale_px_mm=np.concatenate([part[3] for part in parts]),
    )


def _in_second(run: CalibrationRun, camera1_from_board: RigidTransform) -> RigidTransform:
    stereo = run.calibration.stereo
    if stereo is None:
        raise ValueError("a calibration of one camera has no second one")
    pose = stereo.camera2_from_camera1
    return RigidTransform(
        rotation=pose.rotation @ camera1_from_board.rotation,
        translation_mm=pose.apply(camera1_from_board.translation_mm),
    )


def _across(camera: CameraModel, pose: RigidTransform, blurs: EdgeBlurs) -> FloatArray:
    """Pixels a millimetre of the board takes across each edge: area over length of the board's cell there."""
    seen = project_with_derivatives(pose.apply(blurs.board_mm), intrinsics_vector(camera), camera.model)
    steps = seen.by_point @ pose.rotation[:, :2]
    along = np.where(blurs.along_x[:, None], steps[..., 0], steps[..., 1])
    return np.asarray(np.abs(np.linalg.det(steps)) / np.linalg.norm(along, axis=1))


def _no_edges() -> EdgeDepths:
    none = np.zeros(0)
    return EdgeDepths(
        view=np.zeros(0, dtype=np.int64),
        depth_mm=none,
        place=np.zeros((0, 2)),
        along_x=np.zeros(0, dtype=np.bool_),
        blur_px=none,
        sigma_px=none,
        mtf50_cy_px=none,
        scale_px_mm=none,
    )


def _plane(fit: FocusFit) -> dict[str, Estimate]:
    moving = Estimate(value=float(fit.n_moved), n=fit.n_views + fit.n_moved)
    names = (
        "focus_depth_mm",
        "focus_growth_px_mm",
        "usable_near_mm",
        "usable_far_mm",
        "lens_blur_px",
        "print_blur_mm",
    )
    if fit.reason:
        none = Estimate(value=None, reason=f"the plane of focus could not be told: {fit.reason}")
        return {**dict.fromkeys(names, none), "moving_views": moving}
    growth_sigma = float(np.sqrt(fit.covariance[1, 1])) * fit.inverse_plane_mm**2
    return {
        "focus_depth_mm": Estimate(value=fit.plane_mm, sigma=fit.plane_sigma_mm, unit="mm", n=fit.n_edges),
        "focus_growth_px_mm": Estimate(
            value=fit.growth_at_plane, sigma=growth_sigma, unit="px/mm", n=fit.n_edges
        ),
        "usable_near_mm": _limit(fit, +1),
        "usable_far_mm": _limit(fit, -1),
        "lens_blur_px": Estimate(value=fit.lens_blur_px, unit="px", n=fit.n_edges),
        "print_blur_mm": Estimate(value=fit.print_blur_mm, unit="mm", n=fit.n_edges),
        "moving_views": moving,
    }


def _limit(fit: FocusFit, side: int) -> Estimate:
    value, sigma = fit.limit_mm(USABLE_DISC_PX, side)
    if not np.isfinite(value):
        return Estimate(value=None, reason="sharp enough out to any distance")
    return Estimate(value=value, sigma=sigma, unit="mm", n=fit.n_edges)


def _face_depth_mm(run: CalibrationRun, number: int, rig: RigDescription) -> float | None:
    """Depth of the face's middle in one camera; None when the working distance is not known."""
    if rig.working_distance_mm is None:
        return None
    stereo = run.calibration.stereo
    pose = None if stereo is None else stereo.camera2_from_camera1
    grid = face_grid(
        None if pose is None else pose.rotation,
        None if pose is None else pose.translation_mm,
        working_distance_mm=rig.working_distance_mm,
    )
    middle = grid.points_mm.mean(axis=0)
    return float((middle if number == 0 or pose is None else pose.apply(middle))[2])


def _against_face(fit: FocusFit, face_mm: float | None) -> dict[str, Estimate]:
    reason = "the rig file gives no working distance" if face_mm is None else ""
    reason = reason or (f"the plane of focus could not be told: {fit.reason}" if fit.reason else "")
    face = Estimate(value=face_mm, unit="mm", reason=reason)
    if face_mm is None or reason:
        none = Estimate(value=None, reason=reason)
        return {"face_depth_mm": face, "focus_from_face_mm": none, "face_depth_covered": none}
    deep = FACE_BOX_MM[2]
    (near, near_sigma), (far, far_sigma) = fit.limit_mm(USABLE_DISC_PX, 1), fit.limit_mm(USABLE_DISC_PX, -1)
    low, high = max(near, face_mm - deep / 2), min(far, face_mm + deep / 2)
    # Only an end that lies within the face moves the share.
    moving = [near_sigma] * (low == near) + [far_sigma] * (high == far)
    return {
        "face_depth_mm": face,
        "focus_from_face_mm": Estimate(
            value=fit.plane_mm - face_mm, sigma=fit.plane_sigma_mm, unit="mm", n=fit.n_edges
        ),
        "face_depth_covered": Estimate(
            value=max(high - low, 0.0) / deep, sigma=float(np.hypot.reduce(moving)) / deep, n=fit.n_edges
        ),
    }


def _from_lens_data(camera: CameraDescription | None) -> dict[str, Estimate]:
    names = ("lens_focus_depth_mm", "lens_usable_near_mm", "lens_usable_far_mm", "lens_growth_px_mm")
    missing = [field for field in _LENS_FIELDS if camera is None or getattr(camera, field) is None]
    focal, stop, focused, pitch = (
        (None,) * 4 if camera is None else (getattr(camera, field) for field in _LENS_FIELDS)
    )
    if focal is None or stop is None or focused is None or pitch is None:
        return dict.fromkeys(
            names, Estimate(value=None, reason=f"the rig file does not give {', '.join(missing)}")
        )
    if focused <= focal:
        reason = f"the rig file says focused at {focused:g} mm, within the focal length {focal:g} mm"
        return dict.fromkeys(names, Estimate(value=None, reason=reason))
    lens = ThinLens(focal_length_mm=focal, f_number=stop, focused_at_mm=focused)
    pixel_mm = pitch / 1000.0
    near, far = depth_limits_mm(lens, USABLE_DISC_PX * pixel_mm)
    growth = float(blur_disc_mm(lens, focused + 1e-3)) / (1e-3 * pixel_mm)
    out = {
        "lens_focus_depth_mm": Estimate(value=focused, unit="mm"),
        "lens_usable_near_mm": Estimate(value=near, unit="mm"),
        "lens_growth_px_mm": Estimate(value=growth, unit="px/mm"),
    }
    out["lens_usable_far_mm"] = (
        Estimate(value=far, unit="mm")
        if np.isfinite(far)
        else Estimate(value=None, reason="sharp enough out to any distance")
    )
    return out


def _from_lens(fit: FocusFit, described: Estimate) -> Estimate:
    if fit.reason or described.value is None:
        reason = f"the plane of focus could not be told: {fit.reason}" if fit.reason else described.reason
        return Estimate(value=None, reason=reason)
    return Estimate(value=fit.plane_mm - described.value, sigma=fit.plane_sigma_mm, unit="mm", n=fit.n_edges)


def _field(edges: EdgeDepths, fit: FocusFit, size_px: tuple[int, int]) -> dict[str, Estimate]:
    """MTF50 of still edges in focus: of all, and in nine parts of the picture."""
    keep = ~np.isin(edges.view, moved_views(edges))
    if not fit.reason:
        keep &= fit.disc_px(edges.depth_mm) <= _IN_FOCUS_DISC_PX
    sharp = edges.chosen(keep)
    slanted = np.isfinite(sharp.mtf50_cy_px)
    if slanted.mean() >= _MIN_SLANTED_SHARE if len(slanted) else False:
        sharp = sharp.chosen(slanted)
        values = sharp.mtf50_cy_px
    else:
        # Edges along the pixels have no slanted-edge response; a Gaussian of the fitted blur stands in.
        values = GAUSSIAN_MTF50 / sharp.blur_px
    size = np.array(size_px, dtype=np.float64)
    share = (sharp.place * 0.5 * float(np.hypot(*size)) + size / 2.0) / size
    third = np.clip(np.floor(3.0 * share), 0, 2).astype(np.int64)
    number = 3 * third[:, 1] + third[:, 0]
    parts = {
        place: _median(values[number == k], sharp.view[number == k]) for k, place in enumerate(FIELD_PLACES)
    }
    return {
        "mtf50_cy_px": _median(values, sharp.view),
        **{f"mtf50_{place}_cy_px": found for place, found in parts.items()},
        "mtf50_evenness": _evenness(parts),
    }


def _median(values: FloatArray, view: NDArray[np.int64]) -> Estimate:
    """Median with its standard uncertainty, each view counted as one draw."""
    if len(values) < _MIN_PLACE_EDGES:
        return Estimate(
            value=None,
            unit="cy/px",
            n=len(values),
            reason=f"{len(values)} still edges in focus found there, {_MIN_PLACE_EDGES} needed",
        )
    middle = float(np.median(values))
    spread = _MAD * float(np.median(np.abs(values - middle)))
    sigma = 1.2533 * spread / np.sqrt(len(np.unique(view)))
    return Estimate(value=middle, sigma=sigma, unit="cy/px", n=len(values))


def _evenness(parts: Mapping[str, Estimate]) -> Estimate:
    """Softest part over sharpest."""
    known = [(each.value, each.sigma or 0.0) for each in parts.values() if each.value is not None]
    if len(known) < 2:
        return Estimate(value=None, reason="fewer than two parts of the picture hold enough edges in focus")
    (low, low_sigma), (high, high_sigma) = min(known), max(known)
    ratio = low / high
    sigma = ratio * float(np.hypot(low_sigma / low, high_sigma / high))
    return Estimate(value=ratio, sigma=sigma, n=len(known))
