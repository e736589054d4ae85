"""What noise alone does not say of a match: highlights that wander, and the skin's relief within a patch."""

import numpy as np

from rigcheck.geometry.pair import sampson_distance_px, triangulate
from rigcheck.geometry.projection import intrinsics_vector, project
from rigcheck.model import StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["RELIEF_MM", "pair_distance_px", "scatter_scale", "with_relief"]

# Spread in depth that the skin's curvature and relief within a patch leave in a match: measured on rendered heads
# (eight, over skins and poses), where matches scatter by 0.12 px more along epipolar lines than across, at 2.7 px a mm.
RELIEF_MM = 0.045
_MAD = 1.4826
_LARGEST_SCALE = 3.0


def pair_distance_px(points1: FloatArray, points2: FloatArray, rig: StereoRig) -> FloatArray:
    """Signed Sampson distance of matches (N, 2), (N,) px."""
    return sampson_distance_px(
        points1,
        points2,
        (intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
        (rig.camera1.model, rig.camera2.model),
        rotation=rig.camera2_from_camera1.rotation,
        translation=rig.camera2_from_camera1.translation_mm,
    )


def scatter_scale(off: FloatArray, sigma: FloatArray) -> float:
    """By how much matches scatter about a smooth field more than their noise says; never below 1.

    Parameters
    ----------
    off : (N,) float64, px
        Sampson distances with a smooth field taken out.
    sigma : (N,) float64, px
        Of a match in picture 2.

    Notes
    -----
    An error in one picture only shows by 1 / √2 in the Sampson distance when both pictures are alike in scale.
    """
    if len(off) < 20:
        return 1.0
    spread = _MAD * float(np.median(np.abs(off - np.median(off)) / (sigma / np.sqrt(2))))
    return float(np.clip(spread, 1.0, _LARGEST_SCALE))


def with_relief(
    points1: FloatArray, points2: FloatArray, covariance: FloatArray, rig: StereoRig
) -> FloatArray:
    """Widen covariances (N, 2, 2) along the epipolar lines by what relief does there.

    Notes
    -----
    Where the two rays do not meet before the cameras nothing is added.
    """
    intrinsics = (intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2))
    pose = rig.camera2_from_camera1
    places = triangulate(
        points1,
        points2,
        intrinsics,
        (rig.camera1.model, rig.camera2.model),
        rotation=pose.rotation,
        translation=pose.translation_mm,
    )
    known = np.isfinite(places).all(axis=1)
    here = places[known]
    farther = here * (1 + 1 / np.linalg.norm(here, axis=1, keepdims=True))
    moved = project(pose.apply(farther), intrinsics[1], rig.camera2.model) - project(
        pose.apply(here), intrinsics[1], rig.camera2.model
    )
    wider = covariance.copy()
    wider[known] += RELIEF_MM**2 * moved[:, :, None] * moved[:, None, :]
    return wider
