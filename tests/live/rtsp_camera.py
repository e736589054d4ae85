"""A camera on the network as RTSP knows it (RFC 2326), on loopback: FFmpeg makes the RTP packets, this hands them on.

The dialogue is OPTIONS, DESCRIBE, SETUP, PLAY; packets go interleaved over the same connection (section 10.12).
"""

import socket
import struct
import threading
from contextlib import suppress
from fractions import Fraction

import av
import numpy as np

SDP = (
    "v=0\r\no=- 1 1 IN IP4 127.0.0.1\r\ns=camera\r\nc=IN IP4 0.0.0.0\r\nt=0 0\r\n"
    "m=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=fmtp:96 packetization-mode=1\r\na=control:track1\r\n"
)


class RtspCamera:
    """Sends `picture(k)`, (H, W) uint8, as H.264 to whoever plays; `silent` holds the pictures back.

    Asked for /away it sends to another address, as RFC 2326 section 11.3 allows.
    """

    def __init__(self, picture, *, rate=25) -> None:
        self.asked: list[str] = []
        self.silent, self._ending = threading.Event(), threading.Event()
        self._picture, self._rate = picture, rate
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._threads = [threading.Thread(target=self._accept)]

    def __enter__(self) -> "RtspCamera":
        self._threads[0].start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        for thread in self._threads:
            thread.join()

    def _accept(self) -> None:
        with suppress(OSError):
            while not self._ending.is_set():
                line, _ = self._listening.accept()
                self._threads.append(threading.Thread(target=self._talk, args=(line,)))
                self._threads[-1].start()

    def _talk(self, line: socket.socket) -> None:
        line.settimeout(5.0)
        with line, suppress(OSError):
            text = b""
            while not self._ending.is_set():
                while b"\r\n\r\n" not in text:
                    more = line.recv(4096)
                    if not more:
                        return
                    text += more
                request, _, text = text.partition(b"\r\n\r\n")
                first, *fields = request.decode().split("\r\n")
                method, address, _ = first.split(" ")
                self.asked.append(f"{method} {address}")
                number = next(
                    each.split(":")[1].strip() for each in fields if each.lower().startswith("cseq")
                )
                line.sendall(self._answer(method, address, number))
                if method == "PLAY":
                    self._play(line)
                    return

    def _answer(self, method: str, address: str, number: str) -> bytes:
        status, more, body = "200 OK", "", ""
        if method == "DESCRIBE" and address.endswith("/away"):
            status, more = "302 Moved", f"Location: rtsp://127.0.0.1:{self.port}/elsewhere\r\n"
        elif method == "DESCRIBE":
            body = SDP
            more = f"Content-Base: {address}/\r\nContent-Type: application/sdp\r\n"
        elif method == "SETUP":
            more = "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\nSession: 7\r\n"
        elif method == "PLAY":
            more = "Session: 7\r\n"
        elif method == "OPTIONS":
            more = "Public: OPTIONS, DESCRIBE, SETUP, PLAY\r\n"
        length = f"Content-Length: {len(body)}\r\n" if body else ""
        return f"RTSP/1.0 {status}\r\nCSeq: {number}\r\n{more}{length}\r\n{body}".encode()

    def _play(self, line: socket.socket) -> None:
        """Hand on what FFmpeg's RTP muxer sends to a port of ours."""
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as packets:
            packets.bind(("127.0.0.1", 0))
            packets.setblocking(False)
            address = f"rtp://127.0.0.1:{packets.getsockname()[1]}?pkt_size=1200"
            with av.open(address, "w", format="rtp") as container:
                stream = container.add_stream("libx264", rate=self._rate)
                stream.height, stream.width = self._picture(0).shape
                stream.pix_fmt = "yuv420p"
                stream.options = {"g": "5", "preset": "ultrafast", "tune": "zerolatency"}
                k = 0
                while not self._ending.wait(1.0 / self._rate):
                    if self.silent.is_set():
                        continue
                    grey = np.ascontiguousarray(self._picture(k))
                    frame = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")
                    frame.pts, frame.time_base = k, Fraction(1, self._rate)
                    container.mux(stream.encode(frame))
                    k += 1
                    with suppress(BlockingIOError):
                        while True:
                            packet = packets.recv(2048)
                            line.sendall(struct.pack(">cBH", b"$", 0, len(packet)) + packet)
