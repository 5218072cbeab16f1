"""A daemon's connection to the bridge: a greeting first, then its words; who can't be understood is hung up on."""

import asyncio
import logging
from typing import Protocol

from lapsed.bridge import talk

log = logging.getLogger(__name__)

MOST_UNHEARD = 64 * 1024
"""Bytes kept for a daemon that doesn't listen."""


class Listener(Protocol):
    """Hears of daemons."""

    def attach(self, daemon: "Daemon") -> None:
        """It has said hello."""

    def told(self, daemon: "Daemon", message: talk.FromDaemon) -> None:
        """It has said something, after hello."""

    def detach(self, daemon: "Daemon") -> None:
        """It has gone, whether it had said hello or not."""


class Daemon(asyncio.Protocol):
    """The connection of a daemon."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._transport: asyncio.Transport | None = None
        self._part = b""
        self._greeted = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """It has connected; it is to say hello first."""
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - what a stream server makes
        self._transport = transport

    def connection_lost(self, exc: Exception | None) -> None:
        """It has gone."""
        del exc
        self._listener.detach(self)

    def data_received(self, data: bytes) -> None:
        """Take in its words; one that can't be understood ends the talk."""
        *lines, self._part = (self._part + data).split(b"\n")
        try:
            for line in lines:
                self._take(talk.told(line))
        except (ValueError, RecursionError) as error:
            log.warning("the daemon said what is not understood, and is hung up on: %s", error)
            self.close()
        if len(self._part) > talk.LONGEST:
            log.warning("the daemon's message has no end, and it is hung up on")
            self.close()

    def _take(self, message: talk.FromDaemon) -> None:
        if self._greeted:
            self._listener.told(self, message)
            return
        if not isinstance(message, talk.Hello):
            raise ValueError("it did not say hello")  # noqa: TRY004 - one error for all bad messages
        self._greet(message)

    def _greet(self, hello: talk.Hello) -> None:
        if hello.version != talk.VERSION:
            self.say([talk.Hello(talk.VERSION)])
            raise ValueError(f"it speaks version {hello.version} where this bridge speaks {talk.VERSION}")
        self._greeted = True
        self._listener.attach(self)

    def say(self, messages: list[talk.FromBridge]) -> None:
        """Tell it; one that doesn't listen is hung up on."""
        if self._transport is None or self._transport.is_closing():
            return
        self._transport.write(b"".join(map(talk.line_of, messages)))
        if self._transport.get_write_buffer_size() > MOST_UNHEARD:
            log.warning("the daemon does not listen, and is hung up on")
            self._transport.abort()

    def close(self) -> None:
        """Hang up."""
        if self._transport is not None:
            self._transport.close()
