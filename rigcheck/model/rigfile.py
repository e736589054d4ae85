"""What the technician knows of a rig beforehand. Everything but the names is optional."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

__all__ = ["CameraDescription", "Proxy", "RigDescription"]


@dataclass(frozen=True, kw_only=True)
class CameraDescription:
    """One camera of the rig file; None means not known."""

    name: str
    serial: str | None = None
    mount_rotation_deg: Literal[0, 90, 180, 270] = 0
    pixel_pitch_um: float | None = None
    focal_length_mm: float | None = None
    f_number: float | None = None
    focused_at_mm: float | None = None
    transfer: str | None = None
    value_range: Literal["full", "video"] | None = None
    black_level: float | None = None
    shutter_s: float | None = None
    wavelength: Literal["visible", "near_infrared"] | None = None


@dataclass(frozen=True, kw_only=True)
class Proxy:
    """Marks footage that is not the camera original: scale and crop against it."""

    scale: float
    crop: tuple[int, int, int, int] | None = None


@dataclass(frozen=True, kw_only=True)
class RigDescription:
    """A rig file."""

    name: str
    cameras: tuple[CameraDescription, ...]
    frame_rate: float | None = None
    working_distance_mm: float | None = None
    synchronised: bool | None = None
    proxy: Proxy | None = None
    limits: Mapping[str, float] = field(default_factory=dict)
