"""The packets of a picture stream: read once, without decoding, for the times they carry."""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.container import InputContainer
from av.video.stream import VideoStream

from rigcheck.errors import InputError
from rigcheck.footage.timing import FrameTable, count_table, timed_table
from rigcheck.model._arrays import BoolArray, IntArray

__all__ = ["Packets", "read_packets"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Packets:
    """What the packets that become pictures say, in decoding order.

    Parameters
    ----------
    ticks : (N,) int64
        Presentation times, in ticks of `tick_s`.
    keys : (N,) bool
        True where decoding can start.
    usable_times : bool
        False where a time is missing, or the times start anew within the file.
    tick_s : Fraction
    damaged : bool
        True when reading met damage.
    maybe_guessed : bool
        True when times follow the order of storage although the decoder may reorder: the container
        may hold none (AVI), and the times may be made up.
    repeats : (K,) int64
        Where a packet holds the very bytes of the one before; known only of pictures that stand on their own.
    """

    ticks: IntArray
    keys: BoolArray
    usable_times: bool
    tick_s: Fraction
    damaged: bool
    maybe_guessed: bool
    repeats: IntArray

    def table(self, path: Path, stated: list[Fraction | None]) -> FrameTable:
        """Order the packets by time; where the times are of no use, count them instead.

        Raises
        ------
        InputError
            When there is none.
        """
        if not len(self.ticks):
            raise InputError(
                f"{path}: the picture stream is empty; at least one picture is needed.",
                hint="check the recording; the camera may have been stopped before its first picture",
            )
        if not self.usable_times:
            rate = next((rate for rate in stated if rate), None)
            return count_table(len(self.ticks), self.keys, rate=rate)
        return timed_table(self.ticks, self.keys, tick_s=self.tick_s, stated=stated)


def read_packets(container: InputContainer, stream: VideoStream) -> Packets:
    """Read all packets of a stream, leaving out those that an edit list cuts away."""
    ticks: list[int | None] = []
    decoding: list[int | None] = []
    keys: list[bool] = []
    repeats: list[int] = []
    before: bytes | None = None
    damaged = False
    try:
        for packet in container.demux(stream):
            if packet.size == 0 or packet.is_discard:
                continue
            damaged = damaged or packet.is_corrupt
            ticks.append(packet.pts)
            decoding.append(packet.dts)
            keys.append(packet.is_keyframe)
            data = bytes(packet) if packet.is_keyframe else None
            if data is not None and data == before:
                repeats.append(len(keys) - 1)
            before = data
    except av.error.FFmpegError:
        damaged = True
    return Packets(
        ticks=np.array([tick or 0 for tick in ticks], dtype=np.int64),
        keys=np.array(keys, dtype=bool),
        usable_times=bool(stream.time_base) and None not in ticks and _in_order(ticks, decoding),
        tick_s=stream.time_base or Fraction(0),
        damaged=damaged,
        repeats=np.array(repeats, dtype=np.int64),
        maybe_guessed=bool(stream.codec_context.has_b_frames)
        and ticks == sorted(tick or 0 for tick in ticks),
    )


def _in_order(ticks: list[int | None], decoding: list[int | None]) -> bool:
    """Tell whether presentation times can be trusted to give the order of the pictures.

    They run up and down where pictures are stored in another order than shown, but then the decoding times,
    which must ascend, differ from them.
    """
    shown = np.array([tick for tick in ticks if tick is not None], dtype=np.int64)
    decoded = np.array([tick for tick in decoding if tick is not None], dtype=np.int64)
    if (np.diff(decoded) < 0).any():
        return False
    return bool((np.diff(shown) >= 0).all()) or list(ticks) != list(decoding)
