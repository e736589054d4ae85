"""Cameras and how two of them stand to each other."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rigcheck.model._arrays import FloatArray, frozen_array

__all__ = ["DISTORTION_LENGTHS", "CameraModel", "LensModel", "RigidTransform", "StereoRig"]

LensModel = Literal["brown", "fisheye"]
DISTORTION_LENGTHS: dict[str, tuple[int, ...]] = {"brown": (0, 2, 4, 5, 8), "fisheye": (0, 4)}


@dataclass(frozen=True, kw_only=True)
class CameraModel:
    """A camera's intrinsics.

    `distortion` is in OpenCV's order: brown (k1 k2 p1 p2 k3 k4 k5 k6), cut after 2, 4, 5 or 8;
    fisheye (k1 k2 k3 k4), equidistant. Pixel (0, 0) is the centre of the top-left pixel.
    """

    name: str
    image_size_px: tuple[int, int]
    model: LensModel
    focal_px: tuple[float, float]
    principal_point_px: tuple[float, float]
    distortion: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Check the number of coefficients and that every value is a usable number."""
        if len(self.distortion) not in DISTORTION_LENGTHS[self.model]:
            raise ValueError(
                f"distortion: {len(self.distortion)} coefficients found, "
                f"{DISTORTION_LENGTHS[self.model]} needed for {self.model}"
            )
        values = (*self.focal_px, *self.principal_point_px, *self.distortion)
        if not np.isfinite(values).all() or min(self.focal_px) <= 0 or min(self.image_size_px) <= 0:
            raise ValueError(f"{self.name}: intrinsics must be finite, focal length and size positive")

    @property
    def K(self) -> FloatArray:
        """Camera matrix, (3, 3) float64, px."""
        (fx, fy), (cx, cy) = self.focal_px, self.principal_point_px
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, kw_only=True, eq=False)
class RigidTransform:
    """`b_from_a`: maps coordinates in a to coordinates in b, X_b = R X_a + t.

    `rotation` is (3, 3), `translation_mm` is (3,).
    """

    rotation: FloatArray
    translation_mm: FloatArray

    def __post_init__(self) -> None:
        """Check shapes, and that the rotation is one."""
        rotation = frozen_array(self.rotation, (3, 3), "rotation")
        if np.abs(rotation @ rotation.T - np.eye(3)).max() > 1e-6 or np.linalg.det(rotation) < 0:
            raise ValueError("rotation: not a rotation matrix")
        object.__setattr__(self, "rotation", rotation)
        object.__setattr__(self, "translation_mm", frozen_array(self.translation_mm, (3,), "translation_mm"))

    def apply(self, points_mm: FloatArray) -> FloatArray:
        """Map points (..., 3) from frame a to frame b."""
        return points_mm @ self.rotation.T + self.translation_mm

    def inverse(self) -> "RigidTransform":
        """`a_from_b`."""
        return RigidTransform(rotation=self.rotation.T, translation_mm=-self.rotation.T @ self.translation_mm)


@dataclass(frozen=True, kw_only=True, eq=False)
class StereoRig:
    """Two cameras; camera 1 is the reference frame."""

    camera1: CameraModel
    camera2: CameraModel
    camera2_from_camera1: RigidTransform

    @property
    def baseline_mm(self) -> float:
        """Distance between the two projection centres, mm."""
        return float(np.linalg.norm(self.camera2_from_camera1.translation_mm))
