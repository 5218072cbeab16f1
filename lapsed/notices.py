"""Tells the configured hook what happens, in its order and in nobody's way.

What can't be told is tried again for some minutes and then dropped with a line in the log; a queue that is full drops
its oldest. Nothing waits for any of it.
"""

import asyncio
import http.client
import json
import logging
import threading
from collections import deque
from contextlib import suppress
from dataclasses import asdict
from typing import Any
from urllib.parse import urlsplit

from lapsed.errors import RetryError
from lapsed.now import Told
from lapsed.settings import Notice

log = logging.getLogger(__name__)

MOST_WAITING = 100
PAUSES_S = (2.0, 10.0, 60.0, 300.0)
"""How long after each failure the next attempt waits; after the last, the notice is dropped."""


class Notices:
    """One hook; without one, what is told is forgotten."""

    def __init__(self, part: Notice | None, pauses_s: tuple[float, ...] = PAUSES_S) -> None:
        self._part = part
        self._pauses_s = pauses_s
        self._due: deque[Told] = deque(maxlen=MOST_WAITING)
        self._rung = asyncio.Event()

    def tell(self, told: Told) -> None:
        """Have the hook told; returns at once."""
        if self._part is not None and told.kind in self._part.of:
            self._due.append(told)
            self._rung.set()

    async def run(self) -> None:
        """Tell until cancelled."""
        while True:
            await self._rung.wait()
            self._rung.clear()
            while self._due:
                await self._deliver(self._due.popleft())

    async def _deliver(self, told: Told) -> None:
        part = self._part
        assert part is not None  # noqa: S101 - nothing is due without one
        ways = [_post] if part.url is not None else []
        ways += [_run] if part.command else []
        for way in ways:
            for pause_s in (*self._pauses_s, None):
                try:
                    await way(part, told)
                except RetryError as error:
                    if pause_s is None:
                        log.warning("the notice of %s was not heard: %s", told.kind, error)
                        break
                    await asyncio.sleep(pause_s)
                else:
                    break


def body(told: Told) -> bytes:
    """The JSON object that is told."""
    return json.dumps(asdict(told)).encode()


async def _post(part: Notice, told: Told) -> None:
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[int] = loop.create_future()

    def settle(status: int, error: Exception | None) -> None:
        if answer.done():
            return
        answer.set_exception(error) if error is not None else answer.set_result(status)

    def post() -> None:
        status, error = 0, None
        try:
            status = _posted(part, body(told))
        except (OSError, http.client.HTTPException, ValueError) as caught:
            error = caught
        with suppress(RuntimeError):  # the loop is closed: nobody waits any more
            loop.call_soon_threadsafe(settle, status, error)

    # Not a thread of the loop, which waits for those as it ends: an address that hangs would keep the daemon from it.
    threading.Thread(target=post, name="notice", daemon=True).start()
    try:
        async with asyncio.timeout(part.within_s):
            status = await answer
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise RetryError(f"its address does not answer: {str(error) or 'not in time'}") from error
    if not 200 <= status < 300:  # RFC 9110, 15.3: the class of success
        raise RetryError(f"its address answered with status {status}")


def _posted(part: Notice, data: bytes) -> int:
    address = urlsplit(part.url or "")
    https = address.scheme == "https"
    kind: Any = http.client.HTTPSConnection if https else http.client.HTTPConnection
    connection = kind(address.hostname or "", address.port, timeout=part.within_s)
    path = (address.path or "/") + (f"?{address.query}" if address.query else "")
    try:
        connection.request("POST", path, data, {"Content-Type": "application/json", **part.headers})
        return int(connection.getresponse().status)
    finally:
        connection.close()


async def _run(part: Notice, told: Told) -> None:
    try:
        child = await asyncio.create_subprocess_exec(
            *part.command,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        raise RetryError(f"{part.command[0]} could not be started: {error.strerror}") from error
    try:
        async with asyncio.timeout(part.within_s):
            await child.communicate(body(told))
    except TimeoutError as error:
        raise RetryError(f"{part.command[0]} took longer than {part.within_s:g} s") from error
    finally:
        if child.returncode is None:
            child.kill()
            await child.wait()
    if child.returncode:
        raise RetryError(f"{part.command[0]} ended with status {child.returncode}")
