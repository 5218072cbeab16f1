"""Serves the page and the API: who may come in is asked of `guard`, what is answered of `routes`."""

import asyncio
import contextlib
import logging
import os
import secrets
import socket
from collections.abc import Iterator
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from lapsed import clock
from lapsed.errors import UserError
from lapsed.settings import Web
from lapsed.web import guard
from lapsed.web.description import described
from lapsed.web.desk import Desk
from lapsed.web.door import MOST_CONNECTIONS, Door
from lapsed.web.routes import OPERATIONS, Operation, Routes, carry_out, problem

log = logging.getLogger(__name__)

# What its library has to say of its own comings and goings is nobody's news.
logging.getLogger("uvicorn").setLevel(logging.ERROR)

MEDIA = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}

RATE = (240, 60.0)
"""Requests at once from one address, and how many a second after those."""

MOST_ADDRESSES = 512


class Server:
    """The page of one daemon. `port` is known once `listen` has returned."""

    def __init__(self, part: Web, desk: Desk, token_file: Path) -> None:
        self._part = part
        self._desk = desk
        self._token_file = token_file
        self._socket: socket.socket | None = None
        self.port = part.port

    def listen(self) -> None:
        """Take the port. Raises UserError if it can't be had, or the token can't be kept."""
        self._token = None if guard.is_loopback(self._part.address) else token_in(self._token_file)
        family = socket.AF_INET6 if ":" in self._part.address else socket.AF_INET
        # Named in full: asyncio turns off the delay of small answers (40 ms) only where it sees that this is TCP.
        listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind((self._part.address, self._part.port))
            listening.listen(MOST_CONNECTIONS)
        except OSError as error:
            listening.close()
            where = f"{self._part.address} port {self._part.port}"
            raise UserError(
                f"the page can't be served at {where}: {error.strerror}; choose another in [web]"
            ) from error
        self._socket = listening
        self.port = listening.getsockname()[1]
        log.info("the page is at http://%s:%d/", self._part.address, self.port)

    async def run(self) -> None:
        """Serve until cancelled."""
        assert self._socket is not None  # noqa: S101 - `listen` comes first
        routes = Routes(self._desk, self._token, https=self._part.proxied_https)
        rules = guard.Rules(guard.hosts(self._part.address, self.port, self._part.names), self._token)
        config = uvicorn.Config(
            Gate(rules, application(routes)),
            http=Door,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            date_header=False,
            proxy_headers=False,
            timeout_keep_alive=20,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=guard.MOST_HEADER_BYTES,
        )
        quiet = _Quiet(config)
        serving = asyncio.get_running_loop().create_task(quiet.serve(sockets=[self._socket]), name="page")
        try:
            await asyncio.shield(serving)
        finally:
            await routes.end()
            quiet.leave()
            await serving


class _Quiet(uvicorn.Server):
    """A server that leaves signals to the daemon and does not wake up ten times a second to look for its end."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._left = asyncio.Event()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def main_loop(self) -> None:
        await self._left.wait()

    def leave(self) -> None:
        self._left.set()


class Gate:
    """Turns away what the guard refuses, before anything of it is read, and adds the headers that guard browsers."""

    def __init__(self, rules: guard.Rules, inside: ASGIApp) -> None:
        self._rules = rules
        self._inside = inside
        self._buckets: dict[str, guard.Bucket] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI."""
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        refused = guard.refusal(
            self._rules, scope["method"], scope["path"], headers, clock.utc_now().timestamp()
        ) or self._too_many((scope.get("client") or ("",))[0])

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                sent = {name for name, _ in message["headers"]}
                ours = [(name.lower().encode(), value.encode()) for name, value in guard.HEADERS.items()]
                if b"cache-control" not in sent:
                    ours.append((b"cache-control", b"no-store"))
                message["headers"] = [*message["headers"], *ours]
            await send(message)

        if refused is not None:
            await problem(refused.status, refused.text)(scope, receive, guarded)
        else:
            await self._inside(scope, _bounded(receive), guarded)

    def _too_many(self, address: str) -> guard.Refused | None:
        now_s = clock.monotonic()
        if address not in self._buckets and len(self._buckets) >= MOST_ADDRESSES:
            self._buckets.clear()
        bucket = self._buckets.get(address) or guard.full(*RATE, now_s)
        self._buckets[address], allowed = bucket.take(now_s)
        return None if allowed else guard.Refused(429, "too many requests; wait a moment")


def _bounded(receive: Receive) -> Receive:
    """Whatever its headers say, no body is taken in beyond what a request may have."""
    had = 0

    async def bounded() -> Message:
        nonlocal had
        message = await receive()
        had += len(message.get("body", b""))
        return message if had <= guard.MOST_BODY_BYTES else {"type": "http.disconnect"}

    return bounded


def application(routes: Routes) -> Starlette:
    """The routes of all operations, the description, and the files of the page."""
    description = described(OPERATIONS)

    async def describe(_: Request) -> Response:
        return JSONResponse(description)

    listed = [Route("/openapi.json", describe)]
    listed += [Route(path, partial(_asset, path)) for path in guard.PAGE_FILES]
    listed += [Route(at.path, partial(_carried_out, at, routes), methods=[at.method]) for at in OPERATIONS]
    return Starlette(routes=listed, exception_handlers={404: _not_here, 405: _not_here, Exception: _fault})


async def _carried_out(operation: Operation, routes: Routes, request: Request) -> Response:
    return await carry_out(operation, routes, request)


async def _asset(path: str, _: Request) -> Response:
    name = "page.html" if path == "/" else path[1:]
    data = resources.files("lapsed.web").joinpath("assets", name).read_bytes()
    return Response(data, media_type=MEDIA[Path(name).suffix], headers={"Cache-Control": "no-cache"})


async def _not_here(_: Request, error: Any) -> Response:
    answer = problem(error.status_code, "there is nothing here by this name and method; see /openapi.json")
    answer.headers.update(error.headers or {})  # which methods there are (RFC 9110, 15.5.6)
    return answer


async def _fault(request: Request, error: Exception) -> Response:
    log.error("a request for %s failed", request.url.path, exc_info=error)
    return problem(500, "a fault of lapsed; its log says more")


def token_in(path: Path) -> str:
    """The token kept in `path`, made anew, for its owner's eyes only, where there is none. Raises UserError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileExistsError):
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "w") as file:
                file.write(secrets.token_urlsafe(32) + "\n")
            log.info("the token for logging in is in %s", path)
        if path.stat().st_mode & 0o077:
            raise UserError(f"others may read the token in {path}: run chmod 600 on it, or delete it to have a new one")
        token = path.read_text().strip()
    except OSError as error:
        raise UserError(f"the token can't be kept in {path}: {error.strerror}; set token_file in [web]") from error
    if len(token) < 20:
        raise UserError(f"the token in {path} is shorter than 20 letters; delete the file to have a new one made")
    return token
