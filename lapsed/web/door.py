"""One connection to the page: how many there may be, and how long each may take to ask for something."""

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 100
ASKED_WITHIN_S = 10.0
"""How long the headers of a request may take."""


class Door(H11Protocol):
    """Keeps whoever connects and asks for nothing from using up the descriptors that cameras and journals need."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as the library has it
        """Beyond the most, one that asks for nothing gives way."""
        super().connection_made(transport)
        self._patience = self.loop.call_later(ASKED_WITHIN_S, transport.abort)
        if len(self.connections) > MOST_CONNECTIONS:
            others = (one for one in self.connections if one is not self and isinstance(one, Door) and one.asks_nothing)
            next(others, self).transport.abort()

    @property
    def asks_nothing(self) -> bool:
        """Whether no request is being answered."""
        return self.cycle is None or self.cycle.response_complete  # type: ignore[redundant-expr] # None at first

    def data_received(self, data: bytes) -> None:
        """Time runs while the headers of a request are not whole."""
        super().data_received(data)
        if not self.asks_nothing:
            self._patience.cancel()
        elif self._patience.cancelled():
            self._patience = self.loop.call_later(ASKED_WITHIN_S, self.transport.abort)

    def connection_lost(self, exc: Exception | None) -> None:
        """It is over."""
        self._patience.cancel()
        super().connection_lost(exc)
