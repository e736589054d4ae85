"""Everything measured of focus over a clip: what the checks judge and the report draws."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigcheck.face.focus_moment import FocusMoment
from rigcheck.face.focus_pair import FACE_DEPTHS, FocusPair
from rigcheck.face.focus_plane import FocusPlane, focus_planes
from rigcheck.face.focus_regions import FOCUS_REGIONS
from rigcheck.geometry.optics import USABLE_DISC_PX, ThinLens, depth_limits_mm
from rigcheck.model import CameraDescription, CameraModel, Estimate, StereoRig

__all__ = ["CameraFocus", "CameraFocused", "FocusRun", "focus_run"]

_MOVING_PX = 3.0  # a moment smeared by more says nothing about focus
_NO_LENS = "the rig file does not give focal length, f-number, distance of focus and pixel pitch"
_LEAST_DEPTH_SIGMA_MM = 1.0
_MOVED_SIGMA_PX = 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraFocused:
    """What was seen by one camera; `described` is its entry in the rig file."""

    name: str
    moments: tuple[FocusMoment, ...]
    described: CameraDescription | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraFocus:
    """One camera's focus beyond its numbers; `shown` is the stillest judged moment, None when there is none."""

    name: str
    shown: FocusMoment | None


@dataclass(frozen=True, kw_only=True, eq=False)
class FocusRun:
    """Focus of one camera, or two, with measurements named as in result.json."""

    cameras: tuple[CameraFocus, ...]
    measurements: Mapping[str, Estimate]
    calibrated: bool

    def number(self, camera: str, quantity: str) -> Estimate:
        """A camera's measurement; one without a value when it was not made."""
        name = f"focus.{camera}.{quantity}"
        return self.measurements.get(name) or Estimate(value=None, reason=f"{name} was not measured")

    def camera(self, name: str) -> CameraFocus:
        """One camera's; KeyError for an unknown name."""
        return {each.name: each for each in self.cameras}[name]


def focus_run(
    cameras: Sequence[CameraFocused], pairs: Sequence[FocusPair] = (), rig: StereoRig | None = None
) -> FocusRun:
    """Sum up the focus of a clip.

    Parameters
    ----------
    cameras : sequence of CameraFocused
        One or two, in the order of the rig.
    pairs : sequence of FocusPair
        Moments seen by both.
    rig : StereoRig, optional
        Their calibration.

    Returns
    -------
    FocusRun
        ``focus.<camera>.…``: sharpness of each region (`region_sharpness`); `smear_px` length of motion blur,
        `moved_px` from picture to picture. With a calibration `plane_depth_mm`, `growth_px_mm`, `lens_blur_px`,
        `near_mm`, `far_mm` (disc 2 px); `eye_depth_mm`, `cheek_depth_mm`, `chin_depth_mm`; for eyes, cheeks and chin
        `plane_from_…_mm` (positive: the plane lies behind) and `…_disc_px`, the blur disc there. With lens data
        `lens_near_mm`, `lens_far_mm`, `plane_from_lens_mm`. ``focus.pair.<region>_ratio``: second over first.
    """
    planes: Sequence[FocusPlane | None] = (None,) * len(cameras)
    models: Sequence[CameraModel | None] = (None,) * len(cameras)
    if rig is not None and len(cameras) == 2 and pairs:
        models = (rig.camera1, rig.camera2)
        apertures = [_aperture_mm(camera.described) for camera in cameras]
        planes = focus_planes(
            pairs,
            focal_px=(rig.camera1.focal_px[0], rig.camera2.focal_px[0]),
            aperture_mm=(apertures[0], apertures[1]),
        )
    out: list[CameraFocus] = []
    measurements: dict[str, Estimate] = {}
    for k, camera in enumerate(cameras):
        judged = [moment for moment in camera.moments if not moment.reason]
        numbers = _sharpness(judged) | _lens(camera.described)
        plane, model = planes[k], models[k]
        if plane is not None and model is not None:
            reach = (_aperture_mm(camera.described) or 0.0) * model.focal_px[0]
            numbers |= _depths(plane, pairs, k, reach) | _against_lens(plane, camera.described)
        measurements |= {f"focus.{camera.name}.{name}": number for name, number in numbers.items()}
        out.append(CameraFocus(name=camera.name, shown=min(judged, key=_smear, default=None)))
    if len(cameras) == 2:
        measurements |= _pair(cameras[0].name, cameras[1].name, measurements)
    return FocusRun(cameras=tuple(out), measurements=measurements, calibrated=rig is not None)


def _aperture_mm(described: CameraDescription | None) -> float | None:
    if described is None or not described.focal_length_mm or not described.f_number:
        return None
    return described.focal_length_mm / described.f_number


def _smear(moment: FocusMoment) -> float:
    length = _smear_of(moment).value
    return length if length is not None else moment.moved_px or 0.0


def _smear_of(moment: FocusMoment) -> Estimate:
    """Length of motion blur; no longer than the face went from picture to picture, where that is known."""
    if moment.smear.value is None or moment.moved_px is None:
        return moment.smear
    return replace(moment.smear, value=min(moment.smear.value, moment.moved_px + _MOVED_SIGMA_PX))


def _sharpness(judged: Sequence[FocusMoment]) -> dict[str, Estimate]:
    if not judged:
        missing = Estimate(value=None, reason="no picture with a whole face was looked at")
        return dict.fromkeys((*FOCUS_REGIONS, "smear_px"), missing)
    still = [moment for moment in judged if _smear(moment) <= _MOVING_PX] or [min(judged, key=_smear)]
    numbers = {
        region: _mean([moment.regions[region] for moment in still if region in moment.regions])
        for region in FOCUS_REGIONS
    }
    numbers["smear_px"] = _median([_smear_of(moment) for moment in judged])
    moved = [moment.moved_px for moment in judged if moment.moved_px is not None]
    if moved:
        numbers["moved_px"] = Estimate(value=float(np.median(moved)), unit="px", n=len(moved))
    return numbers


def _mean(numbers: Sequence[Estimate]) -> Estimate:
    """Mean over moments of the same skin: sigma does not fall with their number, but for their spread."""
    known = [each for each in numbers if each.value is not None]
    if 2 * len(known) < max(len(numbers), 1):
        lost = [each for each in numbers if each.value is None]
        return lost[0] if lost else Estimate(value=None, reason="the region was not seen")
    values = np.array([each.value for each in known], dtype=np.float64)
    own = float(np.median([each.sigma or 0.0 for each in known]))
    spread = float(values.std(ddof=1)) / np.sqrt(len(values)) if len(values) > 1 else 0.0
    return Estimate(value=float(values.mean()), sigma=float(np.hypot(own, spread)), n=len(known))


def _median(numbers: Sequence[Estimate]) -> Estimate:
    known = [each for each in numbers if each.value is not None]
    if not known:
        return numbers[0]
    value = float(np.median([each.value or 0.0 for each in known]))
    sigma = float(np.median([each.sigma or 0.0 for each in known]))
    return Estimate(value=value, sigma=sigma, unit=known[0].unit, n=len(known))


def _depths(plane: FocusPlane, pairs: Sequence[FocusPair], camera: int, reach: float) -> dict[str, Estimate]:
    """The plane, the face's parts, and what lies between them, along one camera's axis."""
    found = plane.plane_depth_mm
    numbers = {
        "plane_depth_mm": found,
        "growth_px_mm": plane.growth_px_mm,
        "lens_blur_px": plane.lens_blur_px,
        "near_mm": plane.near_mm,
        "far_mm": plane.far_mm,
    }
    for part in FACE_DEPTHS:
        seen = [pair.face_mm[part][camera] for pair in pairs if part in pair.face_mm]
        depth = _depth(seen, part)
        numbers[f"{part}_depth_mm"] = depth
        numbers |= _between(found, depth, part, reach)
    return numbers


def _depth(seen: Sequence[float], part: str) -> Estimate:
    if not seen:
        return Estimate(value=None, unit="mm", reason=f"the {part} was not seen by both cameras")
    spread = 1.4826 * float(np.median(np.abs(np.array(seen) - np.median(seen))))
    sigma = float(np.hypot(spread, _LEAST_DEPTH_SIGMA_MM))
    return Estimate(value=float(np.median(seen)), sigma=sigma, unit="mm", n=len(seen))


def _between(plane: Estimate, depth: Estimate, part: str, reach: float) -> dict[str, Estimate]:
    names = (f"plane_from_{part}_mm", f"{part}_disc_px")
    if plane.value is None or depth.value is None:
        reason = plane.reason or depth.reason
        return dict(zip(names, (_missing("mm", reason), _missing("px", reason)), strict=True))
    sigma = float(np.hypot(plane.sigma or 0.0, depth.sigma or 0.0))
    disc = reach * abs(1 / depth.value - 1 / plane.value)
    return {
        names[0]: Estimate(value=plane.value - depth.value, sigma=sigma, unit="mm", n=plane.n),
        names[1]: Estimate(value=disc, sigma=reach * sigma / plane.value**2, unit="px", n=plane.n),
    }


def _missing(unit: str, reason: str) -> Estimate:
    return Estimate(value=None, unit=unit, reason=reason)


def _thin(described: CameraDescription | None) -> ThinLens | None:
    if (
        described is None
        or not described.focal_length_mm
        or not described.f_number
        or not described.focused_at_mm
    ):
        return None
    return ThinLens(
        focal_length_mm=described.focal_length_mm,
        f_number=described.f_number,
        focused_at_mm=described.focused_at_mm,
    )


def _lens(described: CameraDescription | None) -> dict[str, Estimate]:
    """Depth of field from lens data alone, for the same disc."""
    lens = _thin(described)
    pitch = None if described is None else described.pixel_pitch_um
    if lens is None or not pitch:
        return {name: _missing("mm", _NO_LENS) for name in ("lens_near_mm", "lens_far_mm")}
    near, far = depth_limits_mm(lens, USABLE_DISC_PX * pitch / 1000)
    beyond = "everything beyond the distance of focus is usable"
    return {
        "lens_near_mm": Estimate(value=near, unit="mm"),
        "lens_far_mm": Estimate(value=far, unit="mm") if np.isfinite(far) else _missing("mm", beyond),
    }


def _against_lens(plane: FocusPlane, described: CameraDescription | None) -> dict[str, Estimate]:
    lens, found = _thin(described), plane.plane_depth_mm
    if lens is None or found.value is None:
        return {"plane_from_lens_mm": _missing("mm", found.reason or _NO_LENS)}
    off = found.value - lens.focused_at_mm
    return {"plane_from_lens_mm": Estimate(value=off, sigma=found.sigma, unit="mm", n=found.n)}


def _pair(first: str, second: str, numbers: Mapping[str, Estimate]) -> dict[str, Estimate]:
    """Sharpness of the second camera over that of the first, region by region: the skin is the same."""
    out = {}
    for region in FOCUS_REGIONS:
        one, two = (numbers[f"focus.{name}.{region}"] for name in (first, second))
        if not one.value or not two.value:
            reason = one.reason or two.reason or "no sharpness in one of the cameras"
            out[f"focus.pair.{region}_ratio"] = Estimate(value=None, reason=reason)
            continue
        ratio = two.value / one.value
        share = np.hypot((one.sigma or 0.0) / one.value, (two.sigma or 0.0) / two.value)
        out[f"focus.pair.{region}_ratio"] = Estimate(
            value=ratio, sigma=float(ratio * share), n=min(one.n, two.n)
        )
    return out
