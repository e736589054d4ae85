"""Pictures as recorded, and where each came from."""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rigcheck.model._arrays import ImageArray

__all__ = ["ClipInfo", "Finding", "Frame", "FrameRef"]


@dataclass(frozen=True, kw_only=True)
class FrameRef:
    """Which picture: camera, position in the clip, time and file.

    `frame_idx` counts from 0 at the first frame of the file (or list), not from the in point.
    `time_s` is the presentation time from the file's start; None for pictures without time.
    """

    camera: str
    frame_idx: int
    origin: str
    time_s: float | None = None
    timecode: str | None = None

    @property
    def label(self) -> str:
        """Short name for a person: file, and frame or timecode."""
        return f"{self.origin} {self.timecode or f'frame {self.frame_idx}'}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Frame:
    """One picture as recorded (no display rotation applied).

    `image` is (H, W) code values of luma or grey, or (H, W, 3) RGB; uint8 up to 8 bit, else
    uint16 with the code values in the low `bit_depth` bits.
    """

    ref: FrameRef
    image: ImageArray
    bit_depth: int = 8

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height)."""
        return int(self.image.shape[1]), int(self.image.shape[0])

    def grey8(self) -> NDArray[np.uint8]:
        """Return an (H, W) uint8 picture for detection: the top 8 bits of luma or grey."""
        image = self.image
        if image.ndim == 3:
            weights = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709
            image = np.rint(image @ weights).astype(image.dtype)
        if image.dtype == np.uint8:
            return np.asarray(image, dtype=np.uint8)
        return (image >> max(self.bit_depth - 8, 0)).clip(0, 255).astype(np.uint8)


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something a person must know about an input: a code, and a sentence."""

    code: str
    sentence: str


@dataclass(frozen=True, kw_only=True)
class ClipInfo:
    """What is known of a clip, a folder of pictures or one picture.

    `frame_rate` is None for pictures. `display_rotation_deg` is what the container asks for;
    it is reported, never applied. `value_range` is None when the file does not say,
    and so is `pixel_aspect`, a pixel's width over its height. `devices` are the serial numbers and reel or device
    names that the files themselves state.
    `sha256` maps each file read to its hash.
    """

    camera: str
    origin: str
    kind: Literal["video", "pictures"]
    size_px: tuple[int, int]
    n_frames: int
    bit_depth: int
    colour: bool
    frame_rate: Fraction | None = None
    codec: str | None = None
    pixel_format: str | None = None
    value_range: Literal["full", "video"] | None = None
    pixel_aspect: Fraction | None = None
    display_rotation_deg: int = 0
    start_timecode: str | None = None
    findings: tuple[Finding, ...] = ()
    sha256: dict[str, str] = field(default_factory=dict)
    devices: tuple[str, ...] = ()
