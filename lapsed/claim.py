"""That one daemon of this computer follows a host: a second one would move the head while the first one shoots."""

import socket
import struct
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from hashlib import sha256

from lapsed.errors import ClaimedError


@contextmanager
def claimed(addresses: Iterable[str]) -> Iterator[None]:
    """Have the hosts at `addresses` to oneself within the block. Raises ClaimedError where another process has one.

    A claim is a socket whose name the kernel forgets with its process, however that ends (unix(7), abstract names).
    """
    with ExitStack() as claims:
        for address in dict.fromkeys(addresses):
            claim = claims.enter_context(socket.socket(socket.AF_UNIX))
            name = b"\0lapsed " + sha256(address.encode()).hexdigest().encode()
            try:
                claim.bind(name)
            except OSError as error:
                raise ClaimedError(
                    f"another daemon{_whose(name)} follows the host at {address} already, and two would move its head "
                    "against each other; end one: systemctl stop lapsed, or Ctrl-C where it runs"
                ) from error
            claim.listen(16)
        yield


def _whose(name: bytes) -> str:
    """The process that has the name, as far as the kernel tells (SO_PEERCRED, socket(7))."""
    try:
        with socket.socket(socket.AF_UNIX) as other:
            other.settimeout(0)
            other.connect(name)
            pid, _, _ = struct.unpack("3i", other.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    except OSError:
        return ""
    return f" (process {pid})" if pid else ""
