"""The feed: a host that tells what it does over a WebSocket (RFC 6455), followed for as long as it takes."""

import asyncio
import json
import logging
import os
import random
from collections.abc import Callable, Sequence
from itertools import count

from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed, WebSocketException
from websockets.frames import CloseCode

from lapsed.clock import monotonic
from lapsed.errors import RetryError, SilentError
from lapsed.host import rpc
from lapsed.host.fold import HostState, fold, forget
from lapsed.model import HostEvent, LinkDown, LinkUp, PrintInfo
from lapsed.settings import Call, FeedLink

log = logging.getLogger(__name__)

LARGEST_BYTES = 4 * 2**20
"""A longer message ends the connection: no fact needs so much, and a small computer has to hold it."""

_FIRST_DELAY_S = 0.2
_TURN_S = 0.002
_OPEN_WITHIN_S = 10.0
_CLOSE_WITHIN_S = 1.0
_SILENCE = "no answer to a ping"


class Feed:
    """Follows the host behind `link` and gives each thing it tells to `emit`, which must not block.

    `known` is the print of a take that is open from before; its end is then told even if it came unseen.
    """

    def __init__(self, link: FeedLink, emit: Callable[[HostEvent], None], *, known: PrintInfo | None = None) -> None:
        self._link = link
        self._emit = emit
        self._state = HostState(print=known)
        # An address may carry a password, which no log or message shows.
        self._where = link.url.partition("://")[2].partition("/")[0].rpartition("@")[2]
        self._connection: ClientConnection | None = None
        self._numbers = count(1)
        self._waiting: dict[int, asyncio.Future[rpc.Reply | None]] = {}
        self._heard_s = 0.0
        self._lost_s: float | None = None
        self._unreachable = False
        self._trouble = ""
        self._unreadable = 0
        self._complain_at = 1

    @property
    def connected(self) -> bool:
        """Whether the host can be heard and called."""
        return self._connection is not None

    @property
    def unreadable(self) -> int:
        """How many messages were no JSON, since the feed was made."""
        return self._unreadable

    @property
    def heard(self) -> HostState:
        """All that is known of the host at present."""
        return self._state

    @property
    def trouble(self) -> str:
        """Why the last attempt to connect failed, empty after one that did not."""
        return self._trouble

    async def run(self) -> None:
        """Follow the host until cancelled, and connect again however often it goes away."""
        delay_s = 0.0
        while True:
            lived_s = await self._follow()
            delay_s = next_delay_s(delay_s, lived_s, self._link.retry_most_s)
            # Many feeds that lost one host must not all come back in the same instant.
            await asyncio.sleep(delay_s * random.uniform(0.5, 1.0))

    async def call(self, call: Call, lines: Sequence[str] = (), *, within_s: float | None = None) -> None:
        """Say `call` to the host, with G-code `lines` where it has room for them, and wait for the reply.

        What the reply tells has been emitted when this returns. A host that speaks plain JSON has no replies; then
        this returns once the message is sent. `within_s` takes the place of the link's `reply_within_s`.
        Raises RetryError if the host is not connected or refuses; SilentError if no answer comes, when it may have
        obeyed.
        """
        connection, what = self._connection, call.method or "the message"
        if connection is None:
            raise RetryError(f"the host at {self._where} is not connected, so {what} was not sent to it")
        limit_s = self._link.reply_within_s if within_s is None else within_s
        number = next(self._numbers)
        answer: asyncio.Future[rpc.Reply | None] = asyncio.get_running_loop().create_future()
        if call.method is None:
            answer.set_result(rpc.Reply(number))
        self._waiting[number] = answer
        try:
            async with asyncio.timeout(limit_s):
                # TOML has dates and JSON has none; they go as text.
                await connection.send(json.dumps(rpc.request(call, lines, number), default=str))
                reply = await answer
        except TimeoutError as error:
            raise SilentError(f"the host at {self._where} did not answer {what} within {limit_s:g} s") from error
        except ConnectionClosed as error:
            raise RetryError(f"the host at {self._where} went away before {what} reached it") from error
        finally:
            del self._waiting[number]
        if reply is None:
            raise SilentError(f"the host at {self._where} went away before it answered {what}")
        if reply.error is not None:
            raise RetryError(f"the host at {self._where} refused {what}: {reply.error}")

    async def _follow(self) -> float:
        """Connect once and stay as long as it holds; returns for how many seconds that was."""
        try:
            # No proxy: the host is a neighbour, whatever this machine uses for the world outside. No compression: on
            # a near line it costs more time and memory than it saves. Pings are sent by _watch, only into silence.
            connection = await connect(
                self._link.url,
                additional_headers=self._link.headers,
                user_agent_header="lapsed",
                proxy=None,
                compression=None,
                open_timeout=_OPEN_WITHIN_S,
                close_timeout=_CLOSE_WITHIN_S,
                ping_interval=None,
                max_size=LARGEST_BYTES,
            )
        except (OSError, WebSocketException, ValueError) as error:  # ValueError: a host name that can be none
            level = logging.DEBUG if self._unreachable else logging.WARNING
            self._trouble = trouble(error)
            log.log(level, "host %s cannot be reached, still trying: %s", self._where, self._trouble)
            self._unreachable = True
            return 0.0
        async with connection:
            since_s = monotonic()
            gap_s = None if self._lost_s is None else since_s - self._lost_s
            self._unreachable = False
            self._trouble = ""
            self._state = forget(self._state)
            self._connection = connection
            log.info("host %s is heard", self._where)
            self._emit(LinkUp(gap_s))
            try:
                reason = await self._converse(connection)
            finally:
                self._connection = None
                for answer in self._waiting.values():
                    if not answer.done():
                        answer.set_result(None)
        self._lost_s = monotonic()
        log.warning("host %s is lost: %s", self._where, reason)
        self._emit(LinkDown(reason))
        return self._lost_s - since_s

    async def _converse(self, connection: ClientConnection) -> str:
        self._heard_s = monotonic()
        async with asyncio.TaskGroup() as group:
            greet = group.create_task(self._greet())
            watch = group.create_task(self._watch(connection))
            reason = await self._listen(connection)
            greet.cancel()
            watch.cancel()
        return reason

    async def _greet(self) -> None:
        """Say the calls for each connecting; a host that is still starting refuses some, and is asked again."""
        calls = self._link.on_connect
        delay_s = 0.0
        while calls:
            refused: list[Call] = []
            for call in calls:
                try:
                    await self.call(call)
                except RetryError as error:
                    refused.append(call)
                    log.log(logging.DEBUG if delay_s else logging.WARNING, "%s; it is asked again", error)
            calls = tuple(refused)
            delay_s = next_delay_s(delay_s, 0.0, self._link.retry_most_s)
            await asyncio.sleep(delay_s)

    async def _watch(self, connection: ClientConnection) -> None:
        """Ping a silent host, and end the connection with one that doesn't answer."""
        while True:
            quiet_s = monotonic() - self._heard_s
            if quiet_s < self._link.silent_after_s:
                await asyncio.sleep(self._link.silent_after_s - quiet_s)
                continue
            pinged_s = monotonic()
            try:
                pong = await connection.ping()
                async with asyncio.timeout(self._link.reply_within_s):
                    await pong
            except ConnectionClosed:
                return
            except TimeoutError:
                if self._heard_s < pinged_s:
                    await connection.close(CloseCode.GOING_AWAY, _SILENCE)
                    return
            else:
                self._heard_s = monotonic()

    async def _listen(self, connection: ClientConnection) -> str:
        """Take in each message until the connection ends; returns why it did."""
        turned_s = 0.0
        while True:
            try:
                data = await connection.recv(decode=False)
            except ConnectionClosed as closed:
                return _why(closed)
            self._heard_s = monotonic()
            self._take_in(data)
            # A flood is served from a queue, which gives the event loop no turn by itself.
            if self._heard_s - turned_s > _TURN_S:
                await asyncio.sleep(0)
                turned_s = monotonic()

    def _take_in(self, data: bytes) -> None:
        # Text or binary frame makes no difference: what holds JSON in UTF-8 (RFC 8259, section 8.1) is read.
        try:
            message = json.loads(data.decode())
        except (ValueError, RecursionError) as error:
            self._unreadable += 1
            if self._unreadable == self._complain_at:
                log.warning("host %s sent what is no JSON, %d so far: %s", self._where, self._unreadable, error)
                self._complain_at *= 10
            return
        odd = self._state.odd
        self._state, events = fold(self._state, message, self._link)
        for name in self._state.odd.keys() - odd.keys():
            log.warning("host %s tells %s as %s, ignored", self._where, name, self._state.odd[name].sample)
        for event in events:
            self._emit(event)
        for reply in rpc.replies(message, self._waiting.keys()):
            answer = self._waiting[reply.id]
            if not answer.done():
                answer.set_result(reply)


def next_delay_s(last_s: float, lived_s: float, most_s: float) -> float:
    """The wait before the next attempt, after one that waited `last_s` and gave a connection of `lived_s`.

    It doubles up to `most_s`, and starts anew once a connection outlived the wait that led to it: a host that takes
    calls and hangs up at once is not called several times a second.
    """
    if lived_s > last_s or last_s == 0:
        return min(_FIRST_DELAY_S, most_s)
    return min(2 * last_s, most_s)


def trouble(error: Exception) -> str:
    """Why a host can't be reached, as the system says it where it does; asyncio names the call instead."""
    if isinstance(error, OSError) and error.errno is not None and error.errno > 0:
        return os.strerror(error.errno).lower()
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _why(closed: ConnectionClosed) -> str:
    if closed.sent is not None and closed.sent.code == CloseCode.MESSAGE_TOO_BIG:
        return f"it sent a message of more than {LARGEST_BYTES // 2**20} MiB"
    if closed.sent is not None and closed.sent.reason == _SILENCE:
        return "the host fell silent and did not answer a ping"
    if closed.rcvd is not None:
        return f"the host closed the connection, code {closed.rcvd}"
    if closed.sent is not None:
        return f"the host broke the WebSocket protocol, code {closed.sent}"
    return "the connection broke"
