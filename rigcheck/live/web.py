"""The live page's web application: its files, the stream, maps, buttons, and the door before all of them."""

import hashlib
import html
import time
from collections.abc import Callable
from functools import partial
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import get_args
from urllib.parse import parse_qs

import anyio.to_thread
from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request, cookie_parser
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rigcheck.errors import RigcheckError
from rigcheck.live import guard as door
from rigcheck.live.state import Mode
from rigcheck.live.web_stream import Engine, ReadingStream

__all__ = ["make_app"]

_MOST_BODY = 1000
_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".html": "text/html"}
# What a page needs that has no session yet.
_OPEN = ("/", "/code", "/page.css", "/icon.svg")
# A report of ours carries its style and pictures within itself, and no script.
_REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox"
)


def make_app(
    engine: Engine,
    guard: door.Guard,
    *,
    out: Path,
    stopping: Callable[[], bool] = lambda: False,
) -> Starlette:
    """Build the application that serves the live page.

    Parameters
    ----------
    engine : Engine
        Started and stopped by the caller.
    guard : Guard
    out : Path
        Where the engine keeps what it is asked to keep; reports there are shown.
    stopping : callable
        True once streams are to end.

    Returns
    -------
    Starlette
    """
    page = _Page(engine, guard, out=out)
    routes = [
        Route("/", page.front),
        Route("/code", page.code, methods=["POST"]),
        Route("/clock", page.clock),
        Route("/stream", ReadingStream(engine, page.hello, stopping), methods=["GET"]),
        Route("/map/{kind}/{camera_idx:int}", page.map),
        Route("/kept/{link:path}", page.kept),
        Route("/keep", page.keep, methods=["POST"]),
        Route("/mode/{mode}", page.mode, methods=["POST"]),
        Route("/calibrate", page.calibrate, methods=["POST"]),
        Route("/{name}", page.file),
    ]
    return Starlette(
        routes=routes,
        middleware=[Middleware(_Gate, guard=guard)],
        exception_handlers={RigcheckError: _said},
    )


class _Page:
    """The answers to each address."""

    def __init__(self, engine: Engine, guard: door.Guard, *, out: Path) -> None:
        self._engine = engine
        self._guard = guard
        self._out = out
        folder = files("rigcheck.live") / "page"
        self._files = {
            each.name: each.read_bytes() for each in sorted(folder.iterdir(), key=lambda f: f.name)
        }
        version = hashlib.sha256(b"".join(self._files.values())).hexdigest()[:16]
        self.hello = {"version": version, "out": str(out.resolve()), "lan": guard.lan}

    async def front(self, request: Request) -> Response:
        """The page, or where a code is needed the page that asks for it."""
        if not self._guard.admitted(request.cookies.get(self._guard.cookie, "")):
            return self._ask("", status=200)
        return Response(self._files["live.html"], media_type="text/html")

    async def code(self, request: Request) -> Response:
        """Take a code; the cookie is for this browser, and ends with it."""
        (typed,) = parse_qs((await _small_body(request)).decode("ascii", "replace")).get("code", [""])[:1]
        who = request.client.host if request.client else "an unknown address"
        result = self._guard.attempt(typed, who=who)
        if isinstance(result, door.WrongCode):
            tries = "1 try is" if result.tries_left == 1 else f"{result.tries_left} tries are"
            return self._ask(f"That is not the code. {tries} left.", status=403)
        if isinstance(result, door.ShutOut):
            wait = f"No code is taken for {result.seconds:.0f} s. Then read the new one in the terminal."
            return self._ask(wait, status=429)
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(self._guard.cookie, result.session, httponly=True, samesite="strict", path="/")
        return answer

    def _ask(self, said: str, *, status: int) -> Response:
        text = Template(self._files["code.html"].decode()).substitute(said=html.escape(said))
        return Response(text, status_code=status, media_type="text/html")

    async def file(self, request: Request) -> Response:
        """One of the page's own files."""
        name = request.path_params["name"]
        if name not in self._files or name.endswith(".html"):
            raise HTTPException(404)
        return Response(self._files[name], media_type=_TYPES[Path(name).suffix])

    async def clock(self, request: Request) -> Response:
        """The clock that pictures are stamped with, so that a page can say how old they are."""
        return JSONResponse({"now_s": time.monotonic()})

    async def map(self, request: Request) -> Response:
        """A focus or light map over a camera's picture; 204 while there is none."""
        kind, camera_idx = request.path_params["kind"], request.path_params["camera_idx"]
        known = [each.camera_idx for each in self._engine.reading().sources]
        if kind not in ("focus", "light") or camera_idx not in known:
            raise HTTPException(404)
        png = await anyio.to_thread.run_sync(partial(self._engine.map_png, kind, camera_idx))
        return Response(status_code=204) if png is None else Response(png, media_type="image/png")

    async def kept(self, request: Request) -> Response:
        """A report that this session wrote, and nothing else in the folder."""
        link = request.path_params["link"]
        if link not in [each.link for each in self._engine.reading().kept]:
            raise HTTPException(404)
        path = (self._out / link).resolve()
        if not path.is_relative_to(self._out.resolve()) or not path.is_file():
            raise HTTPException(404)
        return FileResponse(path, headers={"content-security-policy": _REPORT_POLICY})

    async def keep(self, request: Request) -> Response:
        """Keep the moment."""
        return JSONResponse({"said": await anyio.to_thread.run_sync(self._engine.keep)})

    async def mode(self, request: Request) -> Response:
        """Watch the face or a board."""
        mode = request.path_params["mode"]
        if mode not in get_args(Mode):
            raise HTTPException(404)
        await anyio.to_thread.run_sync(self._engine.set_mode, mode)
        return JSONResponse({"said": ""})

    async def calibrate(self, request: Request) -> Response:
        """Calibrate from the views kept."""
        await anyio.to_thread.run_sync(self._engine.calibrate)
        return JSONResponse({"said": ""})


class _Gate:
    """Stands before every address: refuses what the guard refuses, and puts the headers on every answer."""

    def __init__(self, app: ASGIApp, *, guard: door.Guard) -> None:
        self._app = app
        self._guard = guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in door.SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        asked = self._asked(scope)
        refusal = self._guard.refusal(asked)
        if refusal is None and asked.path not in _OPEN and not self._guard.admitted(asked.session):
            refusal = door.Refusal(status=401, sentence="A code is needed first: open the page itself.")
        if refusal is None:
            await self._app(scope, receive, with_headers)
        else:
            await PlainTextResponse(refusal.sentence, refusal.status)(scope, receive, with_headers)

    def _asked(self, scope: Scope) -> door.Request:
        headers = Headers(scope=scope)
        server: tuple[str, int | None] | None = scope.get("server")
        return door.Request(
            method=scope["method"],
            path=scope["path"],
            host=headers.get("host", ""),
            arrived_at=server[0] if server else "",
            origin=headers.get("origin", ""),
            fetch_site=headers.get("sec-fetch-site", ""),
            fetch_mode=headers.get("sec-fetch-mode", ""),
            session=cookie_parser(headers.get("cookie", "")).get(self._guard.cookie, ""),
        )


async def _small_body(request: Request) -> bytes:
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > _MOST_BODY:
            raise HTTPException(413)
    return body


async def _said(request: Request, error: Exception) -> Response:
    """What the engine could not do, in its words."""
    if not isinstance(error, RigcheckError):
        raise error
    return JSONResponse({"message": error.message, "hint": error.hint}, status_code=409)
