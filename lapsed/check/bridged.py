"""Whether the bridge of a printer is there."""

import asyncio

from lapsed.model import Check, Verdict
from lapsed.settings import BridgeLink

WITHIN_S = 2.0


async def bridge(link: BridgeLink, printer: str) -> Check:
    """Knock at the bridge, without a word: one that greets it takes a daemon's place."""
    path = link.socket_of(printer)
    try:
        async with asyncio.timeout(WITHIN_S):
            _, writer = await asyncio.open_unix_connection(str(path))
    except (OSError, TimeoutError) as error:
        advice = f"start it: lapsed bridge --printer {printer}, or its service"
        why = (getattr(error, "strerror", None) or "no answer").lower()
        return Check("bridge", Verdict.FAIL, f"{path} cannot be reached: {why}", advice)
    writer.close()
    await writer.wait_closed()
    return Check("bridge", Verdict.PASS, f"{path} answers; the host is to open {link.port_of(printer)}")
