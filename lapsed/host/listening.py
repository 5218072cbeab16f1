"""Listening to a host of which nothing is known yet: whatever JSON it says, as it comes."""

import json
from collections.abc import AsyncIterator, Mapping, Sequence

from websockets.asyncio.client import connect
from websockets.exceptions import ConnectionClosed, WebSocketException

from lapsed.errors import RetryError
from lapsed.host import rpc
from lapsed.host.feed import trouble
from lapsed.settings import Call

OPEN_WITHIN_S = 10.0
LARGEST_BYTES = 4 * 2**20


async def listen(url: str, headers: Mapping[str, str], calls: Sequence[Call]) -> AsyncIterator[object]:
    """Each message that is JSON, after `calls` were said.

    Raises RetryError when the host can't be reached or goes away.
    """
    try:
        async with connect(
            url, additional_headers=dict(headers), open_timeout=OPEN_WITHIN_S, max_size=LARGEST_BYTES, close_timeout=1
        ) as connection:
            for number, call in enumerate(calls, 1):
                await connection.send(json.dumps(rpc.request(call, (), number), default=str))
            async for text in connection:
                try:
                    yield json.loads(text)
                except ValueError:
                    continue  # no fact can be found in it
    except ConnectionClosed as error:
        raise RetryError(f"the host went away: {error}") from error
    except (OSError, WebSocketException, ValueError) as error:
        raise RetryError(
            f"nothing answers as a WebSocket at {url}: {trouble(error)}; check the address, and that the host runs"
        ) from error
