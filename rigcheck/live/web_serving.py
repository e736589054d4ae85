"""Serving the live page: the port, the addresses to open, a clean end."""

import logging
import os
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

import uvicorn

from rigcheck.errors import ConfigError
from rigcheck.live.guard import Guard
from rigcheck.live.web import make_app
from rigcheck.live.web_stream import Engine

__all__ = ["LiveServer"]

_START_S = 10.0
_END_S = 3
# What may lie in the system's hands unsent: about two pictures. More would be seen late, not sooner.
_UNSENT_BYTES = 128 * 1024
# After so long without an answer a page is taken for gone.
_SILENT_MS = 10_000


class LiveServer:
    """Serves an engine's page from a thread of its own while used as a context.

    Parameters
    ----------
    engine : Engine
        Started by the caller.
    port : int
        0 for any free one.
    out : Path
        Folder that the engine keeps things in.
    lan : bool
        Reachable from the local network, with a code; otherwise from this machine alone.
    say : callable
        Takes lines for the terminal.

    Raises
    ------
    ConfigError
        The port is taken or not allowed.
    """

    def __init__(
        self,
        engine: Engine,
        *,
        port: int,
        out: Path,
        lan: bool = False,
        say: Callable[[str], None] = print,
    ) -> None:
        self._lan, self._say = lan, say
        self._socket = _listening("0.0.0.0" if lan else "127.0.0.1", port)
        self.port: int = self._socket.getsockname()[1]
        self._stopping = threading.Event()
        self.guard = Guard(port=self.port, lan=lan, say=say)
        app = make_app(engine, self.guard, out=out, stopping=self._stopping.is_set)
        config = uvicorn.Config(
            app,
            log_config=None,
            log_level=logging.WARNING,
            access_log=False,
            server_header=False,
            lifespan="off",
            ws="none",
            timeout_graceful_shutdown=_END_S,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, args=([self._socket],), name="live page")

    @property
    def running(self) -> bool:
        """Whether the page is still served."""
        return self._thread.is_alive()

    @property
    def addresses(self) -> tuple[str, ...]:
        """What to type into a browser: this machine's own first, then its address on the network."""
        here = f"http://127.0.0.1:{self.port}/"
        there = _network_address() if self._lan else None
        return (here,) if there is None else (here, f"http://{there}:{self.port}/")

    def __enter__(self) -> Self:
        self._thread.start()
        waited = threading.Event()
        for _ in range(int(_START_S / 0.02)):
            if self._server.started or not self._thread.is_alive():
                break
            waited.wait(0.02)
        if not self._server.started:
            raise RuntimeError("the live page's server did not start")
        self._announce()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # Streams first: the server waits for answers that have no end.
        self._stopping.set()
        self._server.should_exit = True
        self._thread.join()
        self._socket.close()

    def _announce(self) -> None:
        here, *there = self.addresses
        self._say(f"The page is at {here} on this machine.")
        if not self._lan:
            return
        self._say(
            f"From the network: {there[0]}" if there else "From the network: by this machine's address there."
        )
        self._say("Pictures go over the network unencrypted: use a cable or a network that is yours alone.")
        self.guard.announce()


def _listening(address: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    # Accepted connections inherit all of these.
    if os.name == "posix":
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _UNSENT_BYTES)
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _SILENT_MS)
    try:
        listening.bind((address, port))
    except OSError as error:
        listening.close()
        raise ConfigError(
            f"--port {port}: cannot be used ({error.strerror or error}), a free port is needed.",
            hint="end the other program or the other rigcheck live, or give another --port; 0 takes any free one.",
        ) from error
    return listening


def _network_address() -> str | None:
    """Find this machine's address on the local network, without sending anything."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            # An address for documentation (RFC 5737): connecting a datagram socket only chooses a route.
            asked.connect(("192.0.2.1", 9))
        except OSError:
            return None
        return str(asked.getsockname()[0])
