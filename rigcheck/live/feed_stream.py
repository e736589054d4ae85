"""A network stream from the one address that the user gave."""

import time
from collections.abc import Iterator

import av
from av.container import InputContainer

from rigcheck.footage.containers import picture_streams
from rigcheck.live.decoded import DecodedShots
from rigcheck.live.feeds import SourceLost
from rigcheck.live.rtsp import sends_elsewhere
from rigcheck.live.shots import Shot

__all__ = ["StreamFeed"]

_OPEN_S, _READ_S = 5.0, 2.0
# What carries pictures itself; play lists, which would lead to other addresses, are shut out, and so are redirections.
_OPTIONS = {
    "format_whitelist": "rtsp,rtp,sdp,mpegts,mpjpeg,mjpeg,jpeg_pipe,h264,hevc,flv,matroska,webm,mov,mp4,nut,ivf",
    "protocol_whitelist": "rtsp,rtsps,rtp,srtp,udp,tcp,tls,srt,http,https",
    "max_redirects": "0",
    "rtsp_transport": "tcp",
    "fflags": "nobuffer",
    "flags": "low_delay",
    "probesize": "500000",
    "analyzeduration": "1000000",
}


class StreamFeed:
    """A network stream.

    Parameters
    ----------
    address : str
    shown : str
        The address as it may be shown, without a password.

    Notes
    -----
    A picture's time is when it was decoded: what encoder and network add cannot be known here.
    """

    stalled_after_s: float = 1.0
    lost_after_s: float | None = 6.0
    stalled_remedy = "check camera, encoder and network"

    def __init__(self, address: str, *, shown: str | None = None) -> None:
        self.name = shown or address
        self._address = address
        self._shots = DecodedShots(self.name)
        self._container: InputContainer | None = None
        self._pictures: Iterator[av.VideoFrame] = iter(())

    def open(self) -> None:
        """Connect."""
        self.close()
        if sends_elsewhere(self._address, _OPEN_S):
            raise SourceLost(
                f"{self.name} sends to another address, which is not followed",
                "give the address where the pictures are",
            )
        try:
            container = av.open(
                self._address, options=dict(_OPTIONS), timeout=(_OPEN_S, _READ_S), metadata_errors="replace"
            )
        except av.error.ProtocolNotFoundError as error:
            scheme = self._address.partition(":")[0].lower()
            raise SourceLost(
                f"{self.name} cannot be read: the FFmpeg of this installation does not know {scheme}",
                f"let the encoder send RTSP, or MPEG-TS over UDP, or install PyAV on an FFmpeg built with {scheme}",
            ) from error
        except (av.error.FFmpegError, OSError) as error:
            raise self._lost("cannot be reached", error) from error
        self._container = container
        streams = picture_streams(container)
        if not streams:
            raise SourceLost(f"{self.name} carries no pictures", "check which stream the address names")
        streams[0].codec_context.thread_type = "SLICE"  # threads over pictures would hold pictures back
        self._pictures = container.decode(streams[0])

    def read(self) -> Shot | None:
        """The next picture."""
        try:
            frame = next(self._pictures, None)
        except (av.error.FFmpegError, OSError) as error:
            raise self._lost("gives no more pictures", error) from error
        if frame is None:
            raise SourceLost(f"{self.name} has ended", self.stalled_remedy)
        return self._shots.shot(frame, time.monotonic())

    def close(self) -> None:
        """Let the connection go."""
        self._pictures = iter(())
        if self._container is not None:
            self._container.close()
            self._container = None

    def _lost(self, what: str, error: Exception) -> SourceLost:
        why = getattr(error, "strerror", None) or type(error).__name__
        return SourceLost(f"{self.name} {what} ({why})", self.stalled_remedy)
