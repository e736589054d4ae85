"""Grey pictures into an H.264 clip."""

from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.scenario import FIRST_TIMECODE

__all__ = ["ClipWriter"]

_FULL_RANGE = 2  # AVCOL_RANGE_JPEG
# By default the encoder rounds small differences from the last picture down to none: corners of a board that
# hardly moves then lag behind it, by 0.03 px at this rate (0.003 px with fair rounding).
_ROUND_FAIRLY = "no-dct-decimate=1:deadzone-inter=0:deadzone-intra=0"


class ClipWriter:
    """Writes 8-bit grey pictures (H, W) as an MP4 file: H.264, 4:2:0 with neutral colour, full range.

    Parameters
    ----------
    path : Path
        Its name is used as it is.
    size_px : (width, height)
        Both even, as 4:2:0 asks.
    frame_rate : Fraction
    quality : int
        Constant rate factor; smaller is better.
    """

    def __init__(
        self, path: Path, *, size_px: tuple[int, int], frame_rate: Fraction, quality: int = 23
    ) -> None:
        import av  # heavy: only where something is written

        if size_px[0] % 2 or size_px[1] % 2:
            raise ValueError(f"clip: size {size_px} found, even width and height needed")
        self._frame_type = av.VideoFrame
        self._container = av.open(str(path), "w", format="mp4")
        self._stream = self._container.add_stream("libx264", rate=frame_rate)
        self._stream.width, self._stream.height = size_px
        self._stream.pix_fmt = "yuv420p"
        self._stream.codec_context.color_range = _FULL_RANGE
        self._stream.metadata["timecode"] = FIRST_TIMECODE
        # One thread: the file then does not depend on the machine's number of cores.
        self._stream.options = {
            "crf": str(quality),
            "preset": "ultrafast",
            "g": str(round(frame_rate)),
            "threads": "1",
            "x264-params": _ROUND_FAIRLY,
        }
        self._colour = np.full((size_px[1] // 2, size_px[0]), 128, dtype=np.uint8)
        self._tick = 1 / frame_rate
        self._count = 0

    def add(self, picture: NDArray[np.uint8]) -> None:
        """Append a picture."""
        frame = self._frame_type.from_ndarray(np.concatenate([picture, self._colour]), format="yuv420p")
        frame.color_range = _FULL_RANGE
        frame.pts = self._count
        frame.time_base = self._tick
        self._count += 1
        self._container.mux(self._stream.encode(frame))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self._container.mux(self._stream.encode())
        self._container.close()
