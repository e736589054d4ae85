"""Whether a camera that speaks RTSP sends to another address: FFmpeg would follow it."""

import socket
import ssl
from urllib.parse import SplitResult, urlsplit

__all__ = ["sends_elsewhere"]

_PORTS = {"rtsp": 554, "rtsps": 322}
_LONGEST_ANSWER = 65536


def sends_elsewhere(address: str, timeout_s: float) -> bool:
    """Ask the first two questions of RTSP and see whether an answer names another address.

    Parameters
    ----------
    address : str
        Any; one of another scheme asks nothing.
    timeout_s : float

    Returns
    -------
    bool
        False, too, where nobody answers: opening the stream then says so.

    Notes
    -----
    Redirections are answers of 300 to 399 (RFC 2326, section 11.3). One that comes only after a password was accepted,
    or to SETUP, is not seen.
    """
    try:
        parts = urlsplit(address)
        port = parts.port or _PORTS.get(parts.scheme.lower())
        if parts.scheme.lower() not in _PORTS or parts.hostname is None or port is None:
            return False
        with socket.create_connection((parts.hostname, port), timeout_s) as plain:
            plain.settimeout(timeout_s)
            with _secured(plain, parts) as line:
                return any(
                    300 <= _status(line, method, parts, number) < 400
                    for number, method in enumerate(("OPTIONS", "DESCRIBE"), start=1)
                )
    except (OSError, ValueError):
        return False


def _secured(plain: socket.socket, parts: SplitResult) -> socket.socket:
    """As FFmpeg does it: encrypted, whoever the camera says it is, since cameras sign for themselves."""
    if parts.scheme.lower() == "rtsp":
        return plain
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context.wrap_socket(plain, server_hostname=parts.hostname)


def _status(line: socket.socket, method: str, parts: SplitResult, number: int) -> int:
    """Status of the answer, read to the end of its head; 0 when there is none."""
    bare = parts._replace(netloc=parts.netloc.rpartition("@")[2]).geturl()
    accept = "Accept: application/sdp\r\n" if method == "DESCRIBE" else ""
    line.sendall(f"{method} {bare} RTSP/1.0\r\nCSeq: {number}\r\n{accept}\r\n".encode())
    text = b""
    while b"\r\n\r\n" not in text and len(text) < _LONGEST_ANSWER:
        more = line.recv(4096)
        if not more:
            break
        text += more
    words = text.split(maxsplit=2)
    return int(words[1]) if len(words) > 1 and words[0].startswith(b"RTSP/") else 0
