"""The daemon's connection to a bridge: calls it until it is there, and calls again when it has gone."""

import asyncio
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

from pydantic import Field, TypeAdapter, ValidationError

from lapsed.bridge import talk

log = logging.getLogger(__name__)

_HEARD: TypeAdapter[talk.FromBridge] = TypeAdapter(Annotated[talk.FromBridge, Field(discriminator="say")])
_FIRST_WAIT_S = 0.1


class Link:
    """Tells `heard` of each of the bridge's words, and `gone` why it can't be heard any more."""

    def __init__(
        self,
        socket: Path,
        retry_most_s: float,
        heard: Callable[[talk.FromBridge], None],
        gone: Callable[[str], None],
    ) -> None:
        self._socket = socket
        self._retry_most_s = retry_most_s
        self._heard = heard
        self._gone = gone
        self._writer: asyncio.StreamWriter | None = None
        self._greeted = False

    async def run(self) -> None:
        """Follow the bridge until cancelled."""
        wait_s, told = 0.0, ""
        while True:
            try:
                reader, writer = await asyncio.open_unix_connection(str(self._socket), limit=talk.LONGEST)
            except OSError as error:
                why = f"cannot be reached: {error.strerror}"
                self._greeted = False
            else:
                why = f"can't be followed: {await self._follow(reader, writer)}"
            if self._greeted:
                wait_s, told = 0.0, ""
            elif why != told:
                log.warning("the bridge at %s %s; it is tried again", self._socket, why)
                told = why
            wait_s = min(max(2 * wait_s, _FIRST_WAIT_S), self._retry_most_s)
            await asyncio.sleep(wait_s)

    def say(self, message: talk.FromDaemon) -> bool:
        """Tell the bridge; false if it isn't there."""
        if self._writer is None or self._writer.is_closing():
            return False
        self._writer.write(talk.line_of(message))
        return True

    async def _follow(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> str:
        """Hear the bridge to its end; why it ended. `_greeted` tells whether they understood each other."""
        self._writer, self._greeted = writer, False
        self.say(talk.Hello(talk.VERSION))
        why = "the bridge hung up"
        try:
            while line := await reader.readline():
                message = _HEARD.validate_json(line)
                if isinstance(message, talk.Hello) and message.version != talk.VERSION:
                    why = (
                        f"it speaks version {message.version} where this daemon speaks {talk.VERSION}; start the "
                        "bridge anew once nothing prints"
                    )
                    break
                self._greeted = True
                self._heard(message)
        except (OSError, ValueError, ValidationError) as error:
            why = f"the bridge can't be understood: {error}"
        finally:
            self._writer = None
            writer.close()
            self._gone(why)
        return why
