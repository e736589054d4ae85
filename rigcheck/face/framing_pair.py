"""Two cameras on one face: lengths of the face, where it is, and whether the cameras agree about it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigcheck.face.framing import CameraFraming
from rigcheck.face.framing_points import UprightFace
from rigcheck.face.framing_pose import Optics
from rigcheck.face.head_model import MESH_PLACES
from rigcheck.geometry.pair import sampson_distance_px, triangulate
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.geometry.upright import recorded_points, upright_size
from rigcheck.model import Estimate, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["face_lengths", "looks_exchanged", "nostril_base_mm", "pair_agreement"]

# Exchanged cameras' points must agree so much better than those as named: right takes show 1.5 and more.
_CLEARLY_BETTER = 0.6
# Held against the epipolar geometry: what both cameras see well.
_MATCHED = (
    "eye_outer_right",
    "eye_inner_right",
    "eye_inner_left",
    "eye_outer_left",
    "alar_base_right",
    "alar_base_left",
    "mouth_corner_right",
    "mouth_corner_left",
)
_FEWEST_MATCHED = 4
_NOT_SEEN = "not seen by both cameras"


@dataclass(frozen=True, kw_only=True, eq=False)
class _Matched:
    """Named points of one moment in both pictures as recorded, and the pair that sees them."""

    pixels: tuple[FloatArray, FloatArray]
    sigmas: tuple[FloatArray, FloatArray]
    rig: StereoRig

    def in_space(self) -> FloatArray:
        """Points in camera 1's frame, (N, 3) mm."""
        cameras = (self.rig.camera1, self.rig.camera2)
        pose = self.rig.camera2_from_camera1
        return triangulate(
            *self.pixels,
            (intrinsics_vector(cameras[0]), intrinsics_vector(cameras[1])),
            (cameras[0].model, cameras[1].model),
            rotation=pose.rotation,
            translation=pose.translation_mm,
        )

    def distances(self) -> FloatArray:
        """Sampson distances (N,) px."""
        cameras = (self.rig.camera1, self.rig.camera2)
        pose = self.rig.camera2_from_camera1
        return sampson_distance_px(
            self.pixels[0],
            self.pixels[1],
            (intrinsics_vector(cameras[0]), intrinsics_vector(cameras[1])),
            (cameras[0].model, cameras[1].model),
            rotation=pose.rotation,
            translation=pose.translation_mm,
        )


def looks_exchanged(numbers: Mapping[str, Estimate]) -> bool:
    """Whether a take's face fits clearly better with the files of its two cameras exchanged.

    Parameters
    ----------
    numbers : mapping
        With ``pair.epipolar_share`` and, where it was tried, ``pair.exchanged_share``.
    """
    share, other = numbers.get("pair.epipolar_share"), numbers.get("pair.exchanged_share")
    if share is None or other is None or share.value is None or other.value is None:
        return False
    return other.value <= _CLEARLY_BETTER * share.value


def pair_agreement(
    first: CameraFraming, second: CameraFraming, rig: StereoRig | None = None
) -> dict[str, Estimate]:
    """Say whether two cameras agree about one face.

    Parameters
    ----------
    first, second : CameraFraming
    rig : StereoRig, optional

    Returns
    -------
    dict
        ``roll_difference_deg`` and ``size_ratio`` (outer-eye distances, less one) in any case. With a calibration
        also the RMS Sampson distance of the matched points: ``epipolar_px``, ``epipolar_share`` in outer-eye
        distances, and ``epipolar_sigmas`` in the points' own sigmas.

    Notes
    -----
    Swapped cameras, a mirrored picture, another rig's calibration and unpaired pictures all raise the last three.
    """
    roll = _difference(first.numbers["roll_deg"], second.numbers["roll_deg"])
    sizes = [framing.numbers["eye_distance_px"] for framing in (first, second)]
    out = {"roll_difference_deg": roll, "size_ratio": _ratio(sizes[0], sizes[1])}
    if rig is None:
        return out
    names = tuple(name for name in _MATCHED if first.face.has(name) and second.face.has(name))
    if len(names) < _FEWEST_MATCHED:
        missing = Estimate(value=None, unit="px", reason=f"fewer than {_FEWEST_MATCHED} points {_NOT_SEEN}")
        return out | dict.fromkeys(("epipolar_px", "epipolar_share", "epipolar_sigmas"), missing)
    matched = _matched((first.face, second.face), (first.optics, second.optics), rig, names)
    distances = matched.distances()
    sigma = np.sqrt((matched.sigmas[0] ** 2 + matched.sigmas[1] ** 2) / 2.0)
    known = np.isfinite(distances)
    if not known.any():
        missing = Estimate(value=None, unit="px", reason="the points lie outside what the lens model reaches")
        return out | dict.fromkeys(("epipolar_px", "epipolar_share", "epipolar_sigmas"), missing)
    rms = float(np.sqrt(np.mean(distances[known] ** 2)))
    in_sigmas = float(np.sqrt(np.mean((distances[known] / sigma[known]) ** 2)))
    n = int(known.sum())
    return out | {
        "epipolar_px": Estimate(value=rms, unit="px", n=n),
        "epipolar_share": Estimate(value=rms / (first.face.eye_distance_px or 1.0), n=n),
        "epipolar_sigmas": Estimate(value=in_sigmas, n=n),
    }


def face_lengths(first: CameraFraming, second: CameraFraming, rig: StereoRig) -> dict[str, Estimate]:
    """Interpupillary distance and face length (sellion to chin), mm, triangulated.

    Returns
    -------
    dict
        ``interpupillary_mm`` and ``face_length_mm``. Eyes that look at something 200 mm away stand about 3 mm
        closer together than those that look far.
    """
    pairs = {
        "interpupillary_mm": ("iris_right", "iris_left"),
        "face_length_mm": ("sellion", "chin"),
    }
    return {name: _length(first, second, rig, ends) for name, ends in pairs.items()}


def nostril_base_mm(
    faces: Sequence[UprightFace], optics: Sequence[Optics], rig: StereoRig
) -> FloatArray | None:
    """Nostril base in camera 1's frame as recorded, (3,) mm; None when it is not seen by both cameras.

    Parameters
    ----------
    faces : sequence of UprightFace
        At rest, one a camera.
    optics : sequence of Optics
        The cameras'.
    rig : StereoRig
    """
    names = ("alar_base_right", "alar_base_left")
    if not all(face.has(*names) for face in faces):
        return None
    middle = _matched(faces, optics, rig, names).in_space().mean(axis=0)
    return np.asarray(middle) if np.isfinite(middle).all() else None


def _length(first: CameraFraming, second: CameraFraming, rig: StereoRig, ends: tuple[str, str]) -> Estimate:
    if not (first.face.has(*ends) and second.face.has(*ends)):
        return Estimate(value=None, unit="mm", reason=f"{' or '.join(ends)} {_NOT_SEEN}")
    matched = _matched((first.face, second.face), (first.optics, second.optics), rig, ends)

    # As it is, and with each coordinate of each end in each picture moved by its sigma: all placed at once.
    moves = np.zeros((9, 2, 2, 2))
    for number, place in enumerate(np.ndindex(2, 2, 2), start=1):
        moves[(number, *place)] = matched.sigmas[place[0]][place[1]]
    tried = [(matched.pixels[k] + moves[:, k]).reshape(-1, 2) for k in (0, 1)]
    points = replace(matched, pixels=(tried[0], tried[1])).in_space().reshape(-1, 2, 3)
    lengths = np.linalg.norm(points[:, 1] - points[:, 0], axis=1)
    value = float(lengths[0])
    if not np.isfinite(value):
        return Estimate(value=None, unit="mm", reason="the lines of sight do not meet before the cameras")
    return Estimate(
        value=value,
        sigma=float(np.linalg.norm(lengths[1:] - value)),
        unit="mm",
        n=min(len(first.faces), len(second.faces)),
    )


def _matched(
    faces: Sequence[UprightFace], optics: Sequence[Optics], rig: StereoRig, names: tuple[str, ...]
) -> _Matched:
    places = [MESH_PLACES[name] for name in names]
    pixels = [_recorded(face, each, places) for face, each in zip(faces, optics, strict=True)]
    sigmas = [face.sigma_px[places] for face in faces]
    return _Matched(pixels=(pixels[0], pixels[1]), sigmas=(sigmas[0], sigmas[1]), rig=rig)


def _recorded(face: UprightFace, optics: Optics, places: list[int]) -> FloatArray:
    if upright_size(optics.image_size_px, optics.mount_rotation_deg) != face.size_px:
        raise ValueError("the face's picture and the optics disagree about its size")
    return recorded_points(face.points_px[places], optics.image_size_px, optics.mount_rotation_deg)


def _difference(first: Estimate, second: Estimate) -> Estimate:
    if first.value is None or second.value is None:
        return Estimate(value=None, unit=first.unit, reason=first.reason or second.reason)
    sigma = float(np.hypot(first.sigma or 0.0, second.sigma or 0.0))
    return Estimate(value=second.value - first.value, sigma=sigma, unit=first.unit, n=min(first.n, second.n))


def _ratio(first: Estimate, second: Estimate) -> Estimate:
    if not first.value or not second.value:
        return Estimate(value=None, reason=first.reason or second.reason or "no eye distance")
    sigma = (
        second.value
        / first.value
        * np.hypot((first.sigma or 0.0) / first.value, (second.sigma or 0.0) / second.value)
    )
    return Estimate(value=second.value / first.value - 1.0, sigma=float(sigma), n=min(first.n, second.n))
