"""Pictures and readings to one page over one answer that never ends, newest first and none twice.

A message is two lengths (big-endian, four bytes each), a header in JSON and a body: ``hello``, ``reading`` (again each
second, so that silence means a broken line) and ``picture``, whose body is a JPEG. One connection a page, since
browsers open six at most to one host. What the network cannot carry is left out and not queued: a picture is fetched
when it can be sent.
"""

import json
import struct
import time
from collections.abc import Callable, Mapping
from functools import partial
from typing import Protocol

import anyio
import anyio.to_thread
from starlette.types import Receive, Scope, Send

from rigcheck.live.state import LiveReading, Mode, Picture

__all__ = ["Engine", "ReadingStream", "packed"]

_WAIT_S = 0.5
_READING_EVERY_S = 0.04
_BEAT_S = 1.0


class Engine(Protocol):
    """What the page needs of a live engine; every method may be called from any thread."""

    def wait_picture(self, camera_idx: int, after: int, timeout_s: float) -> Picture | None:
        """The newest picture after a running number, waited for; None when none came in time."""

    def picture(self, camera_idx: int, after: int) -> Picture | None:
        """The newest picture after a running number, or None."""

    def reading(self) -> LiveReading:
        """All that is known now."""

    def map_png(self, kind: str, camera_idx: int) -> bytes | None:
        """A see-through map over a camera's upright picture, or None while there is none."""

    def keep(self) -> str:
        """Start keeping the moment; says so."""

    def set_mode(self, mode: Mode) -> None:
        """Watch the face or a board."""

    def calibrate(self) -> object:
        """Start calibrating from the views kept."""


def packed(kind: str, header: Mapping[str, object], body: bytes = b"") -> bytes:
    """One message as it goes over the wire."""
    head = json.dumps({**header, "kind": kind}, allow_nan=False).encode()
    return struct.pack(">II", len(head), len(body)) + head + body


class ReadingStream:
    """An ASGI answer that carries pictures and readings until the page leaves or `stopping` says so.

    Parameters
    ----------
    engine : Engine
    hello : mapping
        Header of the first message.
    stopping : callable
        True when the server is about to end.
    """

    def __init__(self, engine: Engine, hello: Mapping[str, object], stopping: Callable[[], bool]) -> None:
        self._engine = engine
        self._hello = hello
        self._stopping = stopping

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        headers = [(b"content-type", b"application/octet-stream")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        wire = _Wire(send)
        async with wire.free:
            await wire.put(packed("hello", self._hello))
        async with anyio.create_task_group() as tasks:
            for source in self._engine.reading().sources:
                tasks.start_soon(self._pictures, source.camera_idx, wire)
            tasks.start_soon(_gone, receive, tasks.cancel_scope)
            await self._readings(wire)
            tasks.cancel_scope.cancel()
        await send({"type": "http.response.body", "body": b"", "more_body": False})

    async def _pictures(self, camera_idx: int, wire: "_Wire") -> None:
        # A limiter of its own: waiting takes a thread each, and must not use up those of buttons and maps.
        limiter = anyio.CapacityLimiter(1)
        seq = -1
        while not self._stopping():
            wait = partial(self._engine.wait_picture, camera_idx, seq, _WAIT_S)
            waited = await anyio.to_thread.run_sync(wait, abandon_on_cancel=True, limiter=limiter)
            if waited is None:
                continue
            async with wire.free:
                # While the wire was busy a newer one may have come.
                picture = self._engine.picture(camera_idx, waited.seq) or waited
                seq = picture.seq
                head = {
                    "camera": camera_idx,
                    "sent_s": time.monotonic(),
                    "size": picture.size_px,
                    "taken_s": picture.captured_at_s,
                }
                await wire.put(packed("picture", head, picture.jpeg))

    async def _readings(self, wire: "_Wire") -> None:
        number, said_s = None, time.monotonic()
        while not self._stopping():
            reading = self._engine.reading()
            if reading.number != number or time.monotonic() - said_s >= _BEAT_S:
                number, said_s = reading.number, time.monotonic()
                async with wire.free:
                    await wire.put(packed("reading", reading.as_json()))
            await anyio.sleep(_READING_EVERY_S)


class _Wire:
    """One page's connection: `put` returns once the system has taken the message, and only one may put at a time."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.free = anyio.Lock()

    async def put(self, message: bytes) -> None:
        await self._send({"type": "http.response.body", "body": message, "more_body": True})


async def _gone(receive: Receive, scope: anyio.CancelScope) -> None:
    """End everything once the page has left."""
    while (await receive())["type"] != "http.disconnect":
        pass
    scope.cancel()
