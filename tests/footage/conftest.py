"""Small clips and pictures made on the spot; each picture carries its own number, so that it can be told."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

_BITS = 8  # blocks that carry the number, lowest first
_DARK, _BRIGHT = 60, 190  # code values (of 8 bit) far enough apart to survive any codec at any setting


def numbered(number: int, size: tuple[int, int] = (160, 120), *, bit_depth: int = 8) -> np.ndarray:
    """Picture whose upper and lower half each hold the number as eight bright or dark blocks."""
    width, height = size
    image = np.full((height, width), 110, dtype=np.uint16 if bit_depth > 8 else np.uint8)
    block = width // _BITS
    for bit in range(_BITS):
        value = _BRIGHT if number >> bit & 1 else _DARK
        image[:, bit * block : (bit + 1) * block] = value
    return image << (bit_depth - 8)


def number_of(image: np.ndarray, *, bit_depth: int = 8) -> int:
    """Read the number back from the middles of the blocks."""
    height, width = image.shape[:2]
    block = width // _BITS
    middles = image[height // 4 : height // 2, :].astype(float)
    if middles.ndim == 3:
        middles = middles.mean(axis=2)
    number = 0
    for bit in range(_BITS):
        level = middles[:, bit * block + block // 4 : (bit + 1) * block - block // 4].mean()
        number |= int(level > (_DARK + _BRIGHT) / 2 * 2 ** (bit_depth - 8)) << bit
    return number


@dataclass(frozen=True, kw_only=True)
class ClipSpec:
    """How a test clip is written. `ticks` are presentation times in frame periods times `per_frame`."""

    codec: str = "libx264"
    pixel_format: str = "yuv420p"
    rate: Fraction = Fraction(30)
    size: tuple[int, int] = (160, 120)
    numbers: Sequence[int] = tuple(range(24))
    ticks: Sequence[int] | None = None
    per_frame: int = 1
    options: dict[str, str] | None = None
    gop: int | None = None
    b_frames: int | None = None
    timecode: str | None = None
    full_range: bool = False
    interlaced: bool = False
    rotation: float | None = None
    mirrored: bool = False
    aspect: Fraction | None = None


def _frame(image: np.ndarray, spec: ClipSpec) -> av.VideoFrame:
    """Video picture with this luma and neutral colour."""
    frame = av.VideoFrame(spec.size[0], spec.size[1], spec.pixel_format)
    depth = frame.format.components[0].bits
    for k, plane in enumerate(frame.planes):
        step = 2 if depth > 8 else 1
        rows = np.full((plane.buffer_size // plane.line_size, plane.line_size // step), 128 << (depth - 8))
        rows = rows.astype(np.uint16 if depth > 8 else np.uint8)
        if k == 0:
            rows[: image.shape[0], : image.shape[1]] = image
        plane.update(rows.tobytes())
    if spec.full_range:
        frame.color_range = 2
    return frame


def write_clip(path: Path, spec: ClipSpec) -> Path:
    """Write a clip; skips the test when this FFmpeg cannot encode it."""
    try:
        av.Codec(spec.codec, "w")
    except av.codec.codec.UnknownCodecError:
        pytest.skip(f"the installed FFmpeg has no encoder {spec.codec}")
    depth = av.VideoFormat(spec.pixel_format).components[0].bits
    with av.open(str(path), "w") as container:
        stream = container.add_stream(spec.codec, rate=spec.rate, options=dict(spec.options or {}))
        stream.width, stream.height = spec.size
        stream.pix_fmt = spec.pixel_format
        stream.codec_context.time_base = 1 / (spec.rate * spec.per_frame)
        if spec.gop is not None:
            stream.gop_size = spec.gop
        if spec.b_frames is not None:
            stream.max_b_frames = spec.b_frames
        if spec.timecode is not None:
            stream.metadata["timecode"] = spec.timecode
        if spec.full_range:
            stream.color_range = 2
        if spec.rotation is not None or spec.mirrored:
            stream.set_display_rotation(spec.rotation or 0.0, hflip=spec.mirrored)
        if spec.aspect is not None:
            stream.codec_context.sample_aspect_ratio = spec.aspect
        for k, number in enumerate(spec.numbers):
            frame = _frame(numbered(number, spec.size, bit_depth=depth), spec)
            frame.pts = k * spec.per_frame if spec.ticks is None else spec.ticks[k]
            frame.time_base = stream.codec_context.time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@pytest.fixture
def clip_file(tmp_path: Path) -> Callable[..., Path]:
    """Write a clip: ``clip_file("a.mp4", codec=..., numbers=...)``."""
    return lambda name, **spec: write_clip(tmp_path / name, ClipSpec(**spec))


@pytest.fixture
def picture() -> Callable[..., np.ndarray]:
    """Make a picture that carries a number."""
    return numbered


@pytest.fixture
def read_number() -> Callable[..., int]:
    """Read the number back from a picture."""
    return number_of
