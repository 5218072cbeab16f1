"""Tells listeners that something has changed, without saying what."""

import asyncio


class Bell:
    """Rung for each change; whoever listens hears that it rang since, however often."""

    def __init__(self) -> None:
        self._count = 0
        self._next: asyncio.Future[None] | None = None

    def ring(self) -> None:
        """Something has changed; call it on the loop."""
        self._count += 1
        if self._next is not None and not self._next.done():
            self._next.set_result(None)
        self._next = None

    @property
    def count(self) -> int:
        """How often it has rung."""
        return self._count

    async def heard_after(self, count: int) -> int:
        """The count once it is past `count`; returns at once when it is already."""
        while self._count <= count:
            if self._next is None:
                self._next = asyncio.get_running_loop().create_future()
            await asyncio.shield(self._next)
        return self._count
