"""What the API offers: one table from which the routes and the OpenAPI description are made, and the handlers."""

import asyncio
import json
from collections import OrderedDict
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse

from lapsed import clock, refusal
from lapsed.errors import RetryError, UserError
from lapsed.now import Now, plain
from lapsed.web import guard, metrics, takes
from lapsed.web.desk import Desk
from lapsed.web.reducer import Reduced, Reducer
from lapsed.web.words import (
    Checks,
    Clips,
    DeleteWish,
    Done,
    Health,
    LogIn,
    Nothing,
    ShootWish,
    SignalWish,
    SkipWish,
    StitchWish,
    TakeDetail,
    Takes,
    Word,
)

JSON = "application/json"
LEAST_BETWEEN_S = 0.25
"""The page is told of changes no oftener than this."""

HEARTBEAT_S = 15.0
BODY_WITHIN_S = 10.0
MOST_STREAMS = 32
MOST_TREND = 120
SMALL = 512
"""Pictures narrower than this are one of many: they wait for those that are looked at."""
MOST_KEPT = 256
"""Reduced pictures and measures that are kept in memory, small ones each."""

FOREVER = {"Cache-Control": "private, max-age=31536000, immutable"}
"""A landed frame never changes."""

LOG_INS = (5, 1 / 12)
"""Five tries, then one each 12 s: 40 000 days for a million tokens."""

Body = Word | None
Handler = Callable[["Routes", Request, Any], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Operation:
    """One thing the API offers. `query` names query parameters with their JSON schemas."""

    method: str
    path: str
    summary: str
    handler: Handler
    body: type[Word] | None = None
    answer: type[Any] | None = None
    media: str = JSON
    query: tuple[tuple[str, dict[str, Any]], ...] = ()


class Routes:
    """The handlers; one for a daemon."""

    def __init__(self, desk: Desk, token: str | None, *, https: bool) -> None:
        self._desk = desk
        self._token = token
        self._https = https
        self._reducer = Reducer()
        self._kept: OrderedDict[tuple[object, ...], Reduced] = OrderedDict()
        self._streams = 0
        self._made = -1, 0.0, ""
        self._over = asyncio.Event()
        self._log_ins = guard.full(*LOG_INS, clock.monotonic())

    async def end(self) -> None:
        """Let go of all who listen."""
        self._over.set()
        self._desk.bell.ring()
        await self._reducer.end()

    # ---------------------------------------------------------------------------------------------------- now

    async def log_in(self, _: Request, wish: LogIn) -> Response:
        """Set the cookie for whoever knows the token."""
        self._log_ins, allowed = self._log_ins.take(clock.monotonic())
        if not allowed:
            return problem(429, "too many tries; wait a minute")
        if self._token is not None and not guard.same(self._token, wish.token.strip()):
            return problem(401, "that is not the token; it is in the token file beside the takes")
        answer = JSONResponse(Done(text="logged in").model_dump())
        if self._token is not None:
            answer.set_cookie(
                guard.COOKIE,
                guard.cookie_for(self._token, clock.utc_now().timestamp()),
                max_age=guard.COOKIE_LASTS_S,
                secure=self._https,
                httponly=True,
                samesite="strict",
            )
        return answer

    async def health(self, _: Request, __: Body) -> Response:
        """Answered at all, the loop turns."""
        now = self._desk.now()
        cameras = [camera.ready for printer in now.printers for camera in printer.cameras]
        heard = sum(printer.link for printer in now.printers)
        return _json(
            Health(
                version=now.version,
                hosts_heard=f"{heard} of {len(now.printers)}",
                cameras_ready=f"{sum(cameras)} of {len(cameras)}",
            )
        )

    async def metrics(self, _: Request, __: Body) -> Response:
        """For monitors."""
        return Response(metrics.exposition(self._desk.now()), media_type=metrics.MEDIA_TYPE)

    async def now(self, _: Request, __: Body) -> Response:
        """Everything at this moment."""
        return JSONResponse(plain(self._desk.now()))

    async def stream(self, _: Request, __: Body) -> Response:
        """Everything, again at each change."""
        if self._streams >= MOST_STREAMS:
            raise RetryError("too many pages are open; close one")
        return StreamingResponse(self._changes(), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})

    async def _changes(self) -> AsyncIterator[str]:
        self._streams += 1
        try:
            seen, told = -1, ""
            while not self._over.is_set():
                try:
                    async with asyncio.timeout(HEARTBEAT_S):
                        seen = await self._desk.bell.heard_after(seen)
                except TimeoutError:
                    yield ": still here\n\n"
                text = self._told()
                if text != told:
                    told = text
                    yield f"data: {text}\n\n"
                await asyncio.sleep(LEAST_BETWEEN_S)
        finally:
            self._streams -= 1

    def _told(self) -> str:
        """Everything at this moment as JSON, made once for all who listen."""
        count, now_s = self._desk.bell.count, clock.monotonic()
        made_at, made_s, _ = self._made
        if made_at != count or now_s - made_s > LEAST_BETWEEN_S:
            self._made = count, now_s, json.dumps(plain(self._desk.now()))
        return self._made[2]

    # ---------------------------------------------------------------------------------------------------- actions

    async def skip(self, request: Request, wish: SkipWish) -> Response:
        """Skip shots, or don't."""
        return _json(self._desk.skip(request.path_params["printer"], on=wish.on))

    async def shoot(self, request: Request, wish: ShootWish) -> Response:
        """One shot now."""
        return _json(await self._desk.shoot(request.path_params["printer"], wish.camera))

    async def signal(self, request: Request, wish: SignalWish) -> Response:
        """A signal of the host's."""
        return _json(await self._desk.signal(request.path_params["printer"], wish))

    async def called(self, request: Request, __: Body) -> Response:
        """The same for a host that can only call a URL: everything stands in the address."""
        query = {**request.query_params, "signal": request.path_params["signal"]}
        return await self.signal(request, SignalWish.model_validate(query))

    async def check(self, request: Request, __: Body) -> Response:
        """Everything looked over."""
        return _json(await self._desk.check(request.path_params["printer"]))

    async def end_take(self, request: Request, __: Body) -> Response:
        """End the open take."""
        return _json(self._desk.end_take(request.path_params["printer"]))

    # ------------------------------------------------------------------------------------------------------ takes

    async def clips(self, _: Request, __: Body) -> Response:
        """The clips of the configuration."""
        return _json(self._desk.clips())

    async def takes(self, _: Request, __: Body) -> Response:
        """All takes."""
        return _json(await asyncio.to_thread(takes.all_takes, self._desk.store))

    async def take(self, request: Request, __: Body) -> Response:
        """One take."""
        return _json(await asyncio.to_thread(takes.detail, self._desk.store, request.path_params["take"]))

    async def stitch(self, request: Request, wish: StitchWish) -> Response:
        """Stitch a take again."""
        folder = await asyncio.to_thread(takes.folder_of, self._desk.store, request.path_params["take"])
        return _json(self._desk.stitch(folder, wish))

    async def delete(self, request: Request, wish: DeleteWish) -> Response:
        """Delete a take."""
        name = request.path_params["take"]
        folder = await asyncio.to_thread(takes.folder_of, self._desk.store, name)
        if wish.confirm != name:
            raise UserError(f"to delete the take {name}, confirm with its whole name")
        return _json(await self._desk.delete(folder))

    async def clip_file(self, request: Request, __: Body) -> Response:
        """A clip's file, whole or in ranges (RFC 9110, 14)."""
        params = request.path_params
        path = await asyncio.to_thread(takes.clip, self._desk.store, params["take"], params["clip"])
        kept = "attachment" if "download" in request.query_params else "inline"
        return FileResponse(path, filename=f"{params['take']}_{path.name}", content_disposition_type=kept)

    async def frame(self, request: Request, __: Body) -> Response:
        """A frame, reduced, or a piece of it at full size."""
        params = request.path_params
        path = await asyncio.to_thread(
            takes.frame, self._desk.store, params["take"], params["camera"], _number(params["shot"], 1, 10**12)
        )
        order = _order(request)
        return _picture(await self._reduced(path, order, later=order.get("width", SMALL) < SMALL))

    async def trend(self, request: Request, __: Body) -> Response:
        """The measures of frames spread evenly over the take."""
        params = request.path_params
        store, name = self._desk.store, params["take"]
        view = await asyncio.to_thread(takes.detail, store, name)
        most = _number(request.query_params.get("most", "60"), 2, MOST_TREND)
        points = []
        for shot in takes.spread([frame.shot for frame in view.frames], most):
            path = await asyncio.to_thread(takes.frame, store, name, view.cameras[0], shot)
            try:
                found = (await self._reduced(path, {"width": 256}, later=True)).measure
            except UserError:
                continue  # a broken frame is the stitcher's to tell of
            points.append({"shot": shot, **{key: found[key] for key in ("mean", "sharpness", "white", "black")}})
        return JSONResponse({"points": points})

    async def proof(self, request: Request, __: Body) -> Response:
        """A test frame, reduced, or a piece of it at full size."""
        path = self._desk.test_frame(request.path_params["frame"])
        return _picture(await self._reduced(path, _order(request)))

    async def _reduced(self, path: Path, order: dict[str, Any], *, later: bool = False) -> Reduced:
        key = (str(path), *map(str, order.values()))
        if key not in self._kept:
            self._kept[key] = await self._reducer.reduce({"path": str(path), **order}, later=later)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return self._kept[key]


def _json(word: Word) -> Response:
    return Response(word.model_dump_json(), media_type=JSON)


def problem(status: int, text: str) -> Response:
    """An answer that says what went wrong."""
    return JSONResponse({"error": text}, status)


def _order(request: Request) -> dict[str, Any]:
    query = request.query_params
    if "x" in query or "y" in query:
        centre = [_share(query.get("x", "0.5")), _share(query.get("y", "0.5"))]
        return {"centre": centre, "side": _number(query.get("side", "512"), 64, 1024)}
    return {"width": _number(query.get("width", "1024"), 64, 2048)}


def _picture(reduced: Reduced) -> Response:
    width, height = reduced.size
    headers = {**FOREVER, "Lapsed-Measure": json.dumps({**reduced.measure, "width": width, "height": height})}
    return Response(reduced.jpeg, media_type="image/jpeg", headers=headers)


def _number(text: str, least: int, most: int) -> int:
    if not text.isascii() or not text.isdecimal() or not least <= int(text[:15]) <= most:
        raise UserError(f"{text[:40]!r} is not a whole number from {least} to {most}")
    return int(text)


def _share(text: str) -> float:
    try:
        share = float(text[:20])
    except ValueError:
        share = -1.0
    if not 0 <= share <= 1:
        raise UserError(f"{text[:40]!r} is not a share from 0 to 1")
    return share


async def _sent(request: Request) -> bytes:
    try:
        return await asyncio.wait_for(request.body(), BODY_WITHIN_S)
    except TimeoutError as error:
        raise RetryError(f"the request was not whole within {BODY_WITHIN_S:g} s; send it again") from error


async def carry_out(operation: Operation, routes: Routes, request: Request) -> Response:
    """Read the request as the operation says, carry it out, and answer with a sentence whatever goes wrong."""
    try:
        body = operation.body.model_validate_json(await _sent(request)) if operation.body is not None else None
        return await operation.handler(routes, request, body)
    except ValidationError as error:
        return problem(422, refusal.first(error, "the request"))
    except takes.NotHereError as error:
        return problem(404, str(error))
    except UserError as error:
        return problem(409, str(error))
    except RetryError as error:
        return problem(503, str(error))


_WHOLE: dict[str, Any] = {"type": "integer"}
_SHARE: dict[str, Any] = {"type": "number", "minimum": 0, "maximum": 1}
_VIEW = (
    ("width", {**_WHOLE, "minimum": 64, "maximum": 2048}),
    ("x", _SHARE),
    ("y", _SHARE),
    ("side", {**_WHOLE, "minimum": 64, "maximum": 1024}),
)
_CLIP = "/api/takes/{take}/clips/{clip}"
_SIGNAL = (
    ("file", {"type": "string", "maxLength": 1000}),
    ("layer", {**_WHOLE, "minimum": -1000, "maximum": 1_000_000}),
    ("layers", {**_WHOLE, "minimum": 1, "maximum": 1_000_000}),
    ("height_mm", {"type": "number", "minimum": 0, "maximum": 10_000}),
    ("outcome", {"enum": ["finished", "cancelled", "failed"]}),
    ("key", {"type": "string", "minLength": 1, "maxLength": 200}),
    ("wait", {"type": "boolean"}),
)
_CALL = "/signal/{printer}/{signal}"
_FRAME = "/api/takes/{take}/frames/{camera}/{shot}"

OPERATIONS = (
    Operation("GET", "/health", "Whether the daemon lives", Routes.health, answer=Health),
    Operation("GET", "/metrics", "Figures for monitors", Routes.metrics, media="text/plain"),
    Operation("POST", "/log-in", "Get a cookie for the token", Routes.log_in, LogIn, Done),
    Operation("GET", "/api/now", "What everything is doing now", Routes.now, answer=Now),
    Operation("GET", "/api/now/stream", "The same, again at each change", Routes.stream, media="text/event-stream"),
    Operation("POST", "/api/printers/{printer}/skip", "Skip shots, or don't", Routes.skip, SkipWish, Done),
    Operation("POST", "/api/printers/{printer}/signal", "A host's signal", Routes.signal, SignalWish, Done),
    Operation(
        "GET", "/signal/{printer}/{signal}", "The same by its address", Routes.called, answer=Done, query=_SIGNAL
    ),
    Operation("POST", "/api/printers/{printer}/shoot", "Take a shot now", Routes.shoot, ShootWish, Done),
    Operation("POST", "/api/printers/{printer}/check", "Look everything over", Routes.check, Nothing, Checks),
    Operation("POST", "/api/printers/{printer}/end-take", "End the open take", Routes.end_take, Nothing, Done),
    Operation("GET", "/api/test-frames/{frame}", "A test frame", Routes.proof, media="image/jpeg", query=_VIEW),
    Operation("GET", "/api/clips", "The clips of the configuration", Routes.clips, answer=Clips),
    Operation("GET", "/api/takes", "All takes, newest first", Routes.takes, answer=Takes),
    Operation("GET", "/api/takes/{take}", "One take", Routes.take, answer=TakeDetail),
    Operation("POST", "/api/takes/{take}/stitch", "Make its clips again", Routes.stitch, StitchWish, Done),
    Operation("POST", "/api/takes/{take}/delete", "Delete it with its frames", Routes.delete, DeleteWish, Done),
    Operation(
        "GET", "/api/takes/{take}/clips/{clip}", "A clip's file", Routes.clip_file, media="application/octet-stream"
    ),
    Operation("GET", _FRAME, "A frame, reduced or a piece of it", Routes.frame, media="image/jpeg", query=_VIEW),
    Operation(
        "GET",
        "/api/takes/{take}/trend",
        "Brightness and sharpness over the take",
        Routes.trend,
        answer=dict,
        query=(("most", {**_WHOLE, "minimum": 2, "maximum": MOST_TREND}),),
    ),
)
"""All that can be asked for."""
