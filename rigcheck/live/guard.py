"""Who may open the live page: browsers on this machine, or on the local network those that were given a code.

On the network a session starts with a code shown in the terminal. A code is taken once; a few wrong ones close the
door for a while and make a new one. What this does not do: encrypt. Pictures on the network travel as they are.
"""

import hmac
import secrets
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

__all__ = ["SECURITY_HEADERS", "Guard", "Joined", "Refusal", "Request", "ShutOut", "WrongCode"]

# Without vowels no words appear, without 0 O 1 I L 5 S 8 B nothing is misread from a terminal.
_LETTERS = "234679CDFGHJKMNPQRTVWXYZ"
_CODE_LENGTH = 8
_MOST_TRIES = 5
_SHUT_S = 60.0
_MOST_SESSIONS = 6
_LOOPBACK = ("127.0.0.1", "localhost", "[::1]")

SECURITY_HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'",
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    # Not "no-referrer": browsers then call the origin of the code's own form null.
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """Why a request is refused: HTTP status and a sentence."""

    status: int
    sentence: str


@dataclass(frozen=True, kw_only=True)
class Joined:
    """A right code: the new session's secret."""

    session: str


@dataclass(frozen=True, kw_only=True)
class WrongCode:
    """A wrong code, and how many tries are left."""

    tries_left: int


@dataclass(frozen=True, kw_only=True)
class ShutOut:
    """No code is taken for so long."""

    seconds: float


@dataclass(frozen=True, kw_only=True)
class Request:
    """What of a request is judged; texts are empty where the browser sent none.

    `arrived_at` is the address of this machine that the connection came in at.
    """

    method: str
    path: str
    host: str
    arrived_at: str
    origin: str = ""
    fetch_site: str = ""
    fetch_mode: str = ""
    session: str = ""


@dataclass(kw_only=True)
class Guard:
    """Judges requests, and hands out sessions for codes. Used from one thread, the server's.

    Parameters
    ----------
    port : int
    lan : bool
        On the local network as well: every request then needs a session.
    say : callable
        Takes each line for the terminal: the code, and who got it wrong.
    clock : callable
        Seconds, never going back.
    """

    port: int
    lan: bool = False
    say: Callable[[str], None] = print
    clock: Callable[[], float] = time.monotonic
    code: str = field(init=False, default="")
    _wrong: int = field(init=False, default=0)
    _shut_until_s: float = field(init=False, default=float("-inf"))
    _sessions: list[str] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        self._renew()

    def announce(self) -> None:
        """Say the code for the next page in the terminal."""
        half = _CODE_LENGTH // 2
        self.say(f"Code for the next page: {self.code[:half]}-{self.code[half:]}")

    @property
    def cookie(self) -> str:
        """Name of the session's cookie; with the port, since cookies do not keep ports apart."""
        return f"rigcheck_live_{self.port}"

    def refusal(self, request: Request) -> Refusal | None:
        """Why a request must not be answered, whoever asks; None where it may be.

        A foreign name for this machine in the Host header is how another site reaches a local page through name
        service; a foreign origin is how it makes the browser press a button here.
        """
        if not self._knows(request.host, request.arrived_at):
            return Refusal(status=403, sentence=f"This page is not known as {request.host or 'nothing'}.")
        opened = request.fetch_mode == "navigate" and request.method == "GET" and request.path == "/"
        if request.fetch_site not in ("", "same-origin", "none") and not opened:
            return Refusal(status=403, sentence="Another site asked for this.")
        if request.method not in ("GET", "HEAD") and request.origin != f"http://{request.host}":
            return Refusal(status=403, sentence="Only this page itself may ask for this.")
        return None

    def admitted(self, session: str) -> bool:
        """Whether a session's secret is one of ours; on this machine alone none is needed."""
        return not self.lan or _same_as_one(session, self._sessions)

    def attempt(self, code: str, *, who: str) -> Joined | WrongCode | ShutOut:
        """Try a code. A right one is spent, and the next is said in the terminal.

        Parameters
        ----------
        code : str
            As typed; case, spaces and dashes do not matter.
        who : str
            Address it came from, for the terminal.
        """
        shut_s = self._shut_until_s - self.clock()
        if shut_s > 0:
            return ShutOut(seconds=shut_s)
        typed = "".join(code.split()).replace("-", "").upper()
        if self.lan and _same_as_one(typed, [self.code]):
            return self._join(who)
        self._wrong += 1
        if self._wrong < _MOST_TRIES:
            return WrongCode(tries_left=_MOST_TRIES - self._wrong)
        self._shut_until_s = self.clock() + _SHUT_S
        self.say(f"{_MOST_TRIES} wrong codes, the last from {who}: none is taken for {_SHUT_S:.0f} s.")
        self._renew()
        self.announce()
        return ShutOut(seconds=_SHUT_S)

    def _join(self, who: str) -> Joined:
        session = secrets.token_urlsafe(32)
        self._sessions = [*self._sessions[-(_MOST_SESSIONS - 1) :], session]
        self.say(f"A page was opened from {who}.")
        self._renew()
        self.announce()
        return Joined(session=session)

    def _renew(self) -> None:
        self.code = "".join(secrets.choice(_LETTERS) for _ in range(_CODE_LENGTH))
        self._wrong = 0

    def _knows(self, host: str, arrived_at: str) -> bool:
        here = f"[{arrived_at}]" if ":" in arrived_at else arrived_at
        names = {*_LOOPBACK, here} - {""}
        # Browsers leave out the port of plain HTTP.
        ports = ("", ":80") if self.port == 80 else (f":{self.port}",)
        return host.lower() in {name + port for name in names for port in ports}


def _same_as_one(given: str, secrets_known: Iterable[str]) -> bool:
    """Whether a text is one of several secrets, in a time that does not tell how much of it is right."""
    found = [hmac.compare_digest(given.encode(), each.encode()) for each in secrets_known]
    return any(found)
