"""How a face sits in the upright picture of one camera: offsets, margins, fill, roll, and from where it is seen."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from rigcheck.face.framing_chin import FollowedChin, Opening
from rigcheck.face.framing_jaw import chin_drop_px, opening_by_turn_mm
from rigcheck.face.framing_points import UprightFace, combined, hull_share
from rigcheck.face.framing_pose import HeadFit, Optics, camera_place, fit_head, picture_points
from rigcheck.face.head_model import OUTLINE, OWN_LEVEL_DEG, head_points
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray

__all__ = ["CameraFraming", "camera_framing", "face_at_rest", "median_face", "resting", "trusted"]

# Height of the inner lips' opening over the outer-eye distance, above the clip's smallest tenth: still at rest. The
# mesh sees sealed lips open by up to 0.17 from below.
_AT_REST = 0.04
# A picture is left out when the mesh is much less sure of it than of the clip: a wide-open mouth can lead it astray.
_LESS_SURE, _LEAST_LESS = 0.2, 3.0
# The widest picture counts as the open jaw when the chin, followed there, shows the jaw turned for this opening:
# published openings of adults lie within 35 to 65 mm, and the turn tells them to 8 mm; or, by points alone, when the
# chin drops by this much of what full opening is predicted to give.
_FULL_MM, _FULL_ENOUGH = 30.0, 0.7
# The mesh's errors at the two eyes are nearly the same: the roll's measured sd is 0.4 to 0.55 deg on rendered
# pictures; not less than that.
_SHARED_LEVEL, _LEAST_LEVEL = 0.25, 0.0095
_NEAR_WIDEST = 0.9
# How far the fitted outline of a face lies off its own, as a fraction of the outer-eye distance.
_OUTLINE_SIGMA = 0.04
_NO_POSE = "too few named points are known to tell how the face stands to the camera"
_NO_POINT = "the points it is measured from are not known"


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraFraming:
    """What one camera's pictures say.

    `numbers` maps a quantity, such as ``nostril_offset_x_px``, to its Estimate. `face` is the median face at rest in
    the upright picture, `widest` the mesh's points of the widest mouth where they were taken for the open jaw. `fit` is
    the average head fitted to `face`. `opening` is the widest opening of the clip, as given, and `opened_mm` how far
    the incisors are apart in it, by the jaw's turn; None where the chin was not followed.
    """

    name: str
    optics: Optics
    faces: tuple[UprightFace, ...]
    face: UprightFace
    numbers: dict[str, Estimate]
    fit: HeadFit | None
    jaw_from: Literal["own", "predicted", "unknown"]
    widest: UprightFace | None = None
    opening: Opening | None = None
    opened_mm: float | None = None

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) of the upright picture."""
        return self.face.size_px


def camera_framing(
    name: str, faces: Sequence[UprightFace], optics: Optics, opening: Opening | None = None
) -> CameraFraming:
    """Measure how the face sits in one camera's pictures.

    Parameters
    ----------
    name : str
        The camera's.
    faces : sequence of UprightFace
        At least one, in the order of time.
    optics : Optics
    opening : Opening, optional
        The clip's widest opening, the chin followed through it.

    Returns
    -------
    CameraFraming

    Notes
    -----
    Offsets count from the picture's centre, right and down positive, in the upright picture; margins to the
    picture's edge, negative beyond it. Roll is positive when the face leans clockwise in the picture. Angles "from
    below" are between the line of sight and the face's level plane: positive where the camera looks up.
    """
    faces = trusted(faces)
    at_rest = resting(faces)
    face = median_face(at_rest)
    fit = fit_head(face, optics)
    jaw = _jaw_open(faces, at_rest, face, fit, optics, None if opening is None else opening.chin)
    numbers = _offsets(faces) | _margins(at_rest, face, fit, optics) | _angles(faces, face, fit)
    numbers["jaw_open_margin_px"] = jaw.margin
    return CameraFraming(
        name=name,
        optics=optics,
        faces=tuple(faces),
        face=face,
        numbers=numbers,
        fit=fit,
        jaw_from=jaw.known_from,
        widest=jaw.widest,
        opening=opening,
        opened_mm=jaw.opened_mm,
    )


def face_at_rest(faces: Sequence[UprightFace]) -> UprightFace:
    """The median face at rest alone, as :func:`camera_framing` finds it: a fraction of its cost."""
    return median_face(resting(trusted(faces)))


def trusted(faces: Sequence[UprightFace]) -> list[UprightFace]:
    """Pictures of which the mesh is not much less sure than of the clip; marked points all count."""
    scores = [face.score for face in faces if face.score is not None]
    if len(scores) < len(faces):
        return list(faces)
    middle = float(np.median(scores))
    least = middle - max(_LESS_SURE * abs(middle), _LEAST_LESS)
    return [face for face in faces if face.score is not None and face.score >= least]


def resting(faces: Sequence[UprightFace]) -> list[UprightFace]:
    """Pictures with the mouth as little open as in the clip's tenth with the smallest opening, or nearly so."""
    gaps = np.array([face.mouth_gap for face in faces])
    known = np.isfinite(gaps)
    if not known.any():
        return list(faces)
    most = float(np.quantile(gaps[known], 0.1)) + _AT_REST
    return [face for face, gap in zip(faces, gaps, strict=True) if gap <= most]


def median_face(faces: Sequence[UprightFace]) -> UprightFace:
    """Median of each point over pictures of one size; its sigma the median of theirs."""
    if len(faces) == 1:
        known = np.isfinite(faces[0].points_px[:, 0])
        return replace(
            faces[0],
            points_px=np.where(known[:, None], faces[0].points_px, np.nan),
            sigma_px=np.where(known, faces[0].sigma_px, np.inf),
            score=None,
        )
    points = np.array([face.points_px for face in faces])
    known = np.isfinite(points[..., 0]).any(axis=0)
    middle = np.full(points.shape[1:], np.nan)
    sigma = np.full(points.shape[1], np.inf)
    middle[known] = np.nanmedian(points[:, known], axis=0)
    sigma[known] = np.median(np.array([face.sigma_px for face in faces])[:, known], axis=0)
    return UprightFace(
        ref=faces[len(faces) // 2].ref,
        size_px=faces[0].size_px,
        points_px=middle,
        sigma_px=sigma,
        turned_deg=faces[0].turned_deg,
        from_mesh=all(face.from_mesh for face in faces),
    )


def _offsets(faces: Sequence[UprightFace]) -> dict[str, Estimate]:
    off = np.array([face.nostril_base_px - face.centre_px for face in faces])
    sigma = np.array([face.nostril_base_sigma_px for face in faces])
    eyes_off = np.array([face.eyes_px - face.centre_px for face in faces])
    eyes_sigma = [face.eyes_sigma_px for face in faces]
    eyes = [face.eye_distance_px for face in faces]
    eye_sigma = [
        float(np.hypot(face.sigma("eye_outer_right"), face.sigma("eye_outer_left"))) for face in faces
    ]
    level = [
        max(_SHARED_LEVEL * own, _LEAST_LEVEL * eye) if face.from_mesh else own
        for face, own, eye in zip(faces, eye_sigma, eyes, strict=True)
    ]
    return {
        "nostril_offset_x_px": combined(
            off[:, 0].tolist(), sigma[:, 0].tolist(), unit="px", reason=_NO_POINT
        ),
        "nostril_offset_y_px": combined(
            off[:, 1].tolist(), sigma[:, 1].tolist(), unit="px", reason=_NO_POINT
        ),
        "eyes_offset_x_px": combined(eyes_off[:, 0].tolist(), eyes_sigma, unit="px", reason=_NO_POINT),
        "eyes_offset_y_px": combined(eyes_off[:, 1].tolist(), eyes_sigma, unit="px", reason=_NO_POINT),
        "eye_distance_px": combined(eyes, eye_sigma, unit="px", reason=_NO_POINT),
        "roll_deg": combined(
            [_roll_deg(face) for face in faces],
            np.degrees(np.divide(level, eyes)).tolist(),
            unit="deg",
            reason=_NO_POINT,
        ),
        "lid_gap": combined([face.lid_gap for face in faces], [0.0] * len(faces), unit="", reason=_NO_POINT),
        "mouth_gap": combined(
            [face.mouth_gap for face in faces], [0.0] * len(faces), unit="", reason=_NO_POINT
        ),
    }


def _roll_deg(face: UprightFace) -> float:
    """Lean of the line through the eyes' corners, clockwise positive."""
    right = (face.point("eye_outer_right") + face.point("eye_inner_right")) / 2.0
    left = (face.point("eye_outer_left") + face.point("eye_inner_left")) / 2.0
    return float(np.degrees(np.arctan2(left[1] - right[1], left[0] - right[0])))


def _margins(
    at_rest: Sequence[UprightFace], face: UprightFace, fit: HeadFit | None, optics: Optics
) -> dict[str, Estimate]:
    width = face.size_px[0]
    outlines = [one.points_px if one.is_whole_mesh else None for one in at_rest]
    if any(outline is None for outline in outlines):
        modelled = None if fit is None else _modelled_outline(face, fit, optics)
        outlines = [modelled] * len(at_rest)
    known = [outline for outline in outlines if outline is not None]
    reach = [_OUTLINE_SIGMA * one.eye_distance_px for one in at_rest[: len(known)]]
    low = np.array([np.nanmin(outline, axis=0) for outline in known]).reshape(-1, 2)
    high = np.array([np.nanmax(outline, axis=0) for outline in known]).reshape(-1, 2)
    right, left = (low[:, 0] + 0.5).tolist(), (width - 0.5 - high[:, 0]).tolist()
    fill = [hull_share(outline, face.size_px) for outline in known]
    fill_sigma = [1.5 * _OUTLINE_SIGMA * share for share in fill]
    return {
        "chin_margin_px": _chin_margin(at_rest),
        "forehead_margin_px": combined((low[:, 1] + 0.5).tolist(), reach, unit="px", reason=_NO_POSE),
        "side_margin_right_px": combined(right, reach, unit="px", reason=_NO_POSE),
        "side_margin_left_px": combined(left, reach, unit="px", reason=_NO_POSE),
        "face_fill": combined(fill, fill_sigma, unit="", reason=_NO_POSE),
    }


def _modelled_outline(face: UprightFace, fit: HeadFit, optics: Optics) -> FloatArray:
    """Outline of the fitted head in the upright picture, laid on by the nostril base, where few points are known."""
    model = np.array([head_points()[name] for name in OUTLINE])
    seen = picture_points(fit.pixels_at(fit.parameters, np.vstack([np.zeros(3), model])), optics)
    anchor = face.nostril_base_px
    if not np.isfinite(anchor).all():
        anchor = seen[0]
    return np.asarray(seen[1:] - seen[0] + anchor)


def _angles(faces: Sequence[UprightFace], face: UprightFace, fit: HeadFit | None) -> dict[str, Estimate]:
    names = {
        "look_up_deg": np.zeros(3),
        "lids_from_below_deg": (head_points()["eye_outer_right"] + head_points()["eye_outer_left"]) / 2.0,
        "lips_from_below_deg": head_points()["upper_lip_inner"],
    }
    if fit is None:
        missing = Estimate(value=None, unit="deg", reason=_NO_POSE)
        bare = {"px_per_mm": Estimate(value=None, unit="px/mm", reason=_NO_POSE)}
        return {name: missing for name in (*names, "from_side_deg")} | bare
    points = np.array(list(names.values()))

    def all_at(parameters: FloatArray) -> FloatArray:
        """Elevation from each point and angle aside, degrees, and the scale, (..., 5)."""
        place = camera_place(fit, parameters)
        to_camera = place[..., None, :] - points
        level = np.arcsin(to_camera[..., 1] / np.linalg.norm(to_camera, axis=-1))
        aside = np.arctan2(place[..., 0], -place[..., 2])[..., None]
        scale = np.exp(parameters[..., 11:] - parameters[..., 10:11])
        return np.concatenate([np.degrees(level), np.degrees(aside), scale], axis=-1)

    value, sigma = all_at(fit.parameters), fit.sigmas_of(all_at)
    sigma[: len(points)] = np.hypot(sigma[: len(points)], OWN_LEVEL_DEG)
    units = {name: "deg" for name in (*names, "from_side_deg")} | {"px_per_mm": "px/mm"}
    return {
        name: Estimate(value=float(value[k]), sigma=float(sigma[k]), unit=unit, n=len(faces))
        for k, (name, unit) in enumerate(units.items())
    }


@dataclass(frozen=True, kw_only=True, eq=False)
class _Jaw:
    """Margin below the chin with the jaw fully open, and where that is from; the rest as in CameraFraming."""

    margin: Estimate
    known_from: Literal["own", "predicted", "unknown"] = "unknown"
    widest: UprightFace | None = None
    opened_mm: float | None = None


def _jaw_open(
    faces: Sequence[UprightFace],
    at_rest: Sequence[UprightFace],
    face: UprightFace,
    fit: HeadFit | None,
    optics: Optics,
    chin: FollowedChin | None,
) -> _Jaw:
    """Margin below the chin with the jaw fully open: followed there, seen, or predicted from the chin now."""
    now = _chin_margin(at_rest)
    if now.value is None or now.sigma is None:
        return _Jaw(margin=now)
    if fit is None:
        return _Jaw(margin=Estimate(value=None, unit="px", reason=_NO_POSE))
    gap_px = face.mouth_gap * face.eye_distance_px if np.isfinite(face.mouth_gap) else 0.0
    drop, sigma = chin_drop_px(fit, optics, gap_px=gap_px, eye_distance_px=face.eye_distance_px)
    opened_mm = None if chin is None else opening_by_turn_mm(fit, chin.shrink)
    if chin is not None and opened_mm is not None and opened_mm >= _FULL_MM:
        margin = _lower(now, chin.drop_px, chin.sigma_px, chin.shrink)
        return _Jaw(margin=margin, known_from="own", opened_mm=opened_mm)
    # Against the nose, so that a helmet that slides does not open the jaw.
    below = np.array([float((one.chin_px - one.nostril_base_px)[1]) for one in faces])
    rest = float(np.median([(one.chin_px - one.nostril_base_px)[1] for one in at_rest]))
    drops = np.nan_to_num(below - rest, nan=-np.inf)
    widest = float(drops.max())
    if drop > 0 and widest >= _FULL_ENOUGH * drop:
        wide = [one for one, each in zip(faces, drops, strict=True) if each >= _NEAR_WIDEST * widest]
        seen = faces[int(drops.argmax())]
        return _Jaw(margin=_chin_margin(wide), known_from="own", widest=seen, opened_mm=opened_mm)
    return _Jaw(margin=_lower(now, drop, sigma), known_from="predicted", opened_mm=opened_mm)


def _lower(now: Estimate, drop_px: float, sigma_px: float, shrink: float = 1.0) -> Estimate:
    """A margin less a drop; `shrink` is what is left of the margin's own error."""
    value, own = now.value or 0.0, shrink * (now.sigma or 0.0)
    return Estimate(value=value - drop_px, sigma=float(np.hypot(own, sigma_px)), unit="px", n=now.n)


def _chin_margin(faces: Sequence[UprightFace]) -> Estimate:
    margins = [one.size_px[1] - 0.5 - float(one.chin_px[1]) for one in faces]
    return combined(margins, [one.sigma("chin") for one in faces], unit="px", reason=_NO_POINT)
