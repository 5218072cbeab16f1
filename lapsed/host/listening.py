"""Listening to a host of which nothing is known yet: whatever JSON it says, as it comes."""

import json
from collections.abc import AsyncIterator, Mapping, Sequence

from websockets.asyncio.client import connect
from websockets.exceptions import ConnectionClosed, WebSocketException

from lapsed.errors import RetryError, UserError
from lapsed.host import rpc
from lapsed.settings import Call

OPEN_WITHIN_S = 10.0
LARGEST_BYTES = 4 * 2**20


async def listen(url: str, headers: Mapping[str, str], calls: Sequence[Call]) -> AsyncIterator[object]:
    """Each message that is JSON, after `calls` were said.

    Raises UserError for an address that is none, RetryError when the host can't be reached or goes away.
    """
    if not url.startswith(("ws://", "wss://")):
        raise UserError(f"{url} is no WebSocket address: it begins with ws:// or wss://")
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
        raise RetryError(f"the host can't be reached: {str(error) or type(error).__name__}") from error
