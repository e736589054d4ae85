"""Damage to pictures and videos that an ordinary bit flip seldom makes: headers that lie, and hostile metadata."""

import io
import struct
import zlib
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from faults.damage import HOSTILE_TEXTS, Damage, changed_bytes, void

from rigcheck.opencv import cv2

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def png(
    width: int, height: int, *, bits: int = 8, colour: int = 0, rows: bytes = b"", more: bytes = b""
) -> bytes:
    """A PNG file as the standard lays it out, with a header that may promise anything."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0))
    return _SIGNATURE + head + more + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def tiff(entries: list[tuple[int, int, int, int]], *, next_offset: int = 0) -> bytes:
    """A little-endian TIFF of one directory: (tag, type, count, value)."""
    body = struct.pack("<2sHIH", b"II", 42, 8, len(entries))
    for entry in entries:
        body += struct.pack("<HHII", *entry)
    return body + struct.pack("<I", next_offset)


def jpeg(width: int, height: int) -> bytes:
    """A right small JPEG whose frame header then promises another size."""
    content = bytearray(cv2.imencode(".jpg", np.full((72, 96), 99, np.uint8))[1].tobytes())
    at = content.index(b"\xff\xc0") + 5
    content[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(content)


PICTURES: dict[str, bytes] = {
    "header of 2 giga pixels": png(46_000, 46_000),
    "header of a wide strip": png(2**31 - 1, 1),
    "header of no width": png(0, 10),
    "header of a huge size": png(0xFFFFFFFF, 0xFFFFFFFF),
    "one pixel": png(1, 1, rows=b"\0\x07"),
    "one bit": png(96, 72, bits=1, rows=bytes(13 * 72)),
    "palette without palette": png(96, 72, colour=3, rows=bytes(97 * 72)),
    "unknown colour type": png(96, 72, colour=9, rows=bytes(97 * 72)),
    "few rows": png(96, 72, rows=bytes(97)),
    "inflates to 100 MB": png(72, 96, rows=bytes(100_000_000)),
    "chunk longer than the file": _SIGNATURE + struct.pack(">I4s", 0xFFFFFFFF, b"tEXt"),
    "wrong check sum": png(72, 96, rows=bytes(73 * 96))[:-16] + b"\0" * 16,
    "hostile text in it": png(
        72, 96, rows=bytes(73 * 96), more=chunk(b"tEXt", b"Comment\0" + HOSTILE_TEXTS["script"].encode())
    ),
    "orientation of no meaning": png(
        72, 96, rows=bytes(73 * 96), more=chunk(b"eXIf", tiff([(274, 3, 1, 999)]))
    ),
    "orientation that points nowhere": png(
        72, 96, rows=bytes(73 * 96), more=chunk(b"eXIf", tiff([(274, 3, 2**31, 2**32 - 1)]))
    ),
    "TIFF whose directory is itself": tiff([(256, 4, 1, 72), (257, 4, 1, 96)], next_offset=8),
    "TIFF of a huge size": tiff([(256, 4, 1, 2**31), (257, 4, 1, 2**31), (258, 3, 1, 8)]),
    "TIFF without size": tiff([(258, 3, 1, 8)]),
    "TIFF of endless values": tiff([(256, 4, 2**32 - 1, 8), (257, 4, 1, 96)]),
    "JPEG header of another size": jpeg(72, 96),
    "JPEG header of a huge size": jpeg(65_500, 65_500),
    "JPEG of no segment": b"\xff\xd8" + b"\xff" * 4000,
}


def picture_damages() -> Iterator[Damage]:
    for name, content in PICTURES.items():
        yield Damage(
            kind="lying picture header", name=name, apply=lambda path, c=content: void(path.write_bytes(c))
        )


def box(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content) + 8) + name + content


def _patched(find: bytes, after: int, value: bytes) -> Callable[[bytes], bytes]:
    def change(content: bytes) -> bytes:
        at = content.find(find)
        if at < 0:
            return content
        place = at + len(find) + after
        return content[:place] + value + content[place + len(value) :]

    return change


BOXES: dict[str, Callable[[bytes], bytes]] = {
    "moov of length 0": lambda c: c.replace(struct.pack(">I", len(c)), b"\0\0\0\0", 1),
    "sample count of billions": _patched(b"stsz", 8, b"\xff\xff\xff\xff"),
    "sample sizes of giga bytes": _patched(b"stsz", 12, b"\x7f\xff\xff\xff"),
    "time scale of zero": _patched(b"mdhd", 12, b"\0\0\0\0"),
    "duration of ages": _patched(b"mdhd", 16, b"\xff\xff\xff\xff"),
    "offsets past the end": _patched(b"stco", 8, b"\xff\xff\xff\xf0"),
    "entries of billions": _patched(b"stts", 4, b"\xff\xff\xff\xff"),
    "picture of a huge size": _patched(b"avc1", 24, b"\xff\xff\xff\xff"),
    "unknown codec": lambda c: c.replace(b"avc1", b"zzzz"),
    "box longer than the file": lambda c: c + struct.pack(">I4s", 0x7FFFFFFF, b"free"),
    "box of length 1": lambda c: c + struct.pack(">I4sQ", 1, b"free", 3),
    "brand of none": _patched(b"ftyp", 0, b"\0\0\0\0"),
    "playlist": lambda c: b"#EXTM3U\n#EXTINF:1,\nhttp://invalid.invalid/a.ts\n",
    "concat script": lambda c: b"ffconcat version 1.0\nfile /etc/passwd\n",
    "session description": lambda c: b"v=0\no=- 0 0 IN IP4 127.0.0.1\nm=video 5004 RTP/AVP 96\n",
    "drawing": lambda c: b'<svg xmlns="http://www.w3.org/2000/svg"><image href="file:///etc/passwd"/></svg>',
    "sound only": lambda c: b"RIFF" + struct.pack("<I", 36) + b"WAVEfmt " + bytes(20) + b"data" + bytes(4),
}


def tagged(text: str, *, kind: str = "mp4", timecode: str | None = None) -> bytes:
    """A right video whose metadata say `text` wherever they can."""
    buffer = io.BytesIO()
    options = {"movflags": "use_metadata_tags"} if kind == "mp4" else {}
    names = ("title", "comment", "artist", "serial_number", "reel_name", "device")
    with av.open(buffer, "w", format={"mp4": "mp4", "mkv": "matroska"}[kind], options=options) as container:
        for name in names:
            container.metadata[name] = text
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 72, 96, "yuv420p"
        stream.options = {"g": "1", "threads": "1"}
        stream.metadata["handler_name"] = text
        if timecode is not None:
            stream.metadata["timecode"] = container.metadata["timecode"] = timecode
        rng = np.random.default_rng([92, 0])
        for number in range(2):
            frame = av.VideoFrame.from_ndarray(rng.integers(90, 120, (96, 72), dtype=np.uint8), format="gray")
            frame = frame.reformat(format="yuv420p")
            frame.pts, frame.time_base = number, Fraction(1, 30)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return buffer.getvalue()


def video_damages() -> Iterator[Damage]:
    for name, change in BOXES.items():
        yield Damage(kind="lying video header", name=name, apply=changed_bytes(change))
    for name, text in HOSTILE_TEXTS.items():
        if "\0" not in text:
            for kind in ("mp4", "mkv"):
                yield Damage(kind="hostile metadata", name=f"{name}, {kind}", apply=_tagging(text, kind))
    for name, timecode in {
        "script": HOSTILE_TEXTS["script"],
        "escape codes": HOSTILE_TEXTS["escape codes"],
        "99 hours": "99:99:99:99",
        "minus": "-01:00:00:00",
        "text": "noon",
    }.items():
        yield Damage(
            kind="hostile metadata", name=f"timecode, {name}", apply=_tagging("x", "mkv", timecode=timecode)
        )


def _tagging(text: str, kind: str, *, timecode: str | None = None) -> Callable[[Path], None]:
    return lambda path: void(path.write_bytes(tagged(text, kind=kind, timecode=timecode)))
