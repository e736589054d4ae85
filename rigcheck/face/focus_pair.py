"""Skin seen by both cameras at one moment: spectra of the same patches, and how far they are from each camera."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.face.focus_regions import filled_mask, region_outlines
from rigcheck.face.focus_sharpness import noise_variance
from rigcheck.face.focus_spectra import patch_spectra
from rigcheck.geometry.pair import triangulate
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.model import FaceLandmarks, Frame, FrameRef, PatchMatches, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["FACE_DEPTHS", "FocusPair", "focus_pair"]

FACE_DEPTHS = ("eye", "cheek", "chin")
_EYE_POINTS = ("eye_outer_right", "eye_inner_right", "eye_inner_left", "eye_outer_left")
_LEAST_MATCHES = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class FocusPair:
    """What one moment says about focus.

    `power` (2, N, R) DN² and `noise` (2, N) DN² of the patch in either picture; `frequency`, `freedom` (R,) see
    `PatchSpectra`; `depth_mm` (2, N) along either camera's axis; `stretch` (N,) log of how much larger picture 2 shows
    the patch; `places_px` (N, 2) in picture 1; `contrast_dn` (N,). `face_mm` gives the depth of eye, cheek and chin
    along either axis, those that are known.
    """

    refs: tuple[FrameRef, FrameRef]
    power: FloatArray
    noise: FloatArray
    frequency: FloatArray
    freedom: FloatArray
    depth_mm: FloatArray
    stretch: FloatArray
    places_px: FloatArray
    contrast_dn: FloatArray
    face_mm: Mapping[str, tuple[float, float]]


def focus_pair(
    frames: Sequence[Frame], faces: Sequence[FaceLandmarks], matches: PatchMatches, rig: StereoRig
) -> FocusPair:
    """Read one moment.

    Parameters
    ----------
    frames, faces : of camera 1 and camera 2
    matches : PatchMatches
        Of these two pictures, within the face.
    rig : StereoRig

    Returns
    -------
    FocusPair
        Without patches when nothing matched.
    """
    parts = _face_points(faces)
    seen = [[matches.points1_px, *(both[0] for both in parts.values())]]
    seen.append([matches.points2_px, *(both[1] for both in parts.values())])
    # All at once: the time is in the calls.
    placed = _placed(np.concatenate(seen[0]), np.concatenate(seen[1]), rig)
    points, *others = np.split(placed, np.cumsum([len(each) for each in seen[0]])[:-1])
    spectra = [
        patch_spectra(frame.grey8(), places)
        for frame, places in zip(frames, (matches.points1_px, matches.points2_px), strict=True)
    ]
    kept = spectra[0].kept & spectra[1].kept & np.isfinite(points).all(axis=1)
    own = [kept[each.kept] for each in spectra]
    shape = (0, len(spectra[0].frequency))
    power = [
        each.power[used] if used.any() else np.zeros(shape) for each, used in zip(spectra, own, strict=True)
    ]
    noise = [
        noise_variance(each)[used] if used.any() else np.zeros(0)
        for each, used in zip(spectra, own, strict=True)
    ]
    return FocusPair(
        refs=(frames[0].ref, frames[1].ref),
        power=np.array(power),
        noise=np.array(noise),
        frequency=spectra[0].frequency,
        freedom=spectra[0].freedom,
        depth_mm=_depths(points[kept], rig),
        stretch=0.5 * np.log(np.maximum(np.abs(np.linalg.det(matches.slope[kept])), 1e-3)),
        places_px=matches.points1_px[kept],
        contrast_dn=matches.contrast_dn[kept],
        face_mm=_face_depths(
            dict(zip(parts, others, strict=True)),
            _cheek(faces[0], matches.points1_px[kept], points[kept]),
            rig,
        ),
    )


def _placed(pixels1: FloatArray, pixels2: FloatArray, rig: StereoRig) -> FloatArray:
    """Points in the camera-1 frame, (N, 3) mm."""
    if len(pixels1) == 0:
        return np.zeros((0, 3))
    cameras = (rig.camera1, rig.camera2)
    turn = rig.camera2_from_camera1
    return triangulate(
        pixels1,
        pixels2,
        (intrinsics_vector(cameras[0]), intrinsics_vector(cameras[1])),
        (cameras[0].model, cameras[1].model),
        rotation=turn.rotation,
        translation=turn.translation_mm,
    )


def _depths(points: FloatArray, rig: StereoRig) -> FloatArray:
    return np.stack([points[:, 2], rig.camera2_from_camera1.apply(points)[:, 2]])


def _face_points(faces: Sequence[FaceLandmarks]) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Points of eye and chin in either picture, those that both know."""
    found = {}
    for part, names in (("eye", _EYE_POINTS), ("chin", ("chin",))):
        if faces[0].has(*names) and faces[1].has(*names):
            first, second = (np.array([face.point(name) for name in names]) for face in faces)
            found[part] = (first, second)
    return found


def _cheek(face: FaceLandmarks, places_px: FloatArray, points: FloatArray) -> FloatArray:
    """Matched points that lie on the cheeks, (N, 3) mm; none where they are too few."""
    outlines = region_outlines(face).get("cheeks", ())
    at = np.rint(places_px).astype(np.int64)
    inside = filled_mask(outlines, face.image_size_px)[at[:, 1], at[:, 0]]
    return points[inside if inside.sum() >= _LEAST_MATCHES else np.zeros(len(points), dtype=bool)]


def _face_depths(
    parts: Mapping[str, FloatArray], cheek: FloatArray, rig: StereoRig
) -> dict[str, tuple[float, float]]:
    depths = {
        part: np.median(_depths(each, rig), axis=1)
        for part, each in {**parts, "cheek": cheek}.items()
        if len(each)
    }
    return {part: (float(d[0]), float(d[1])) for part, d in depths.items() if np.isfinite(d).all()}
