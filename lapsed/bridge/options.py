"""What the bridge's process is started with, as one JSON document: it reads no configuration, to stay small."""

import json
from dataclasses import asdict, dataclass, field
from typing import Any

from lapsed.bridge.holding import Ways
from lapsed.gcode.dialect import Dialect


@dataclass(frozen=True, slots=True)
class Options:
    """Where the printer is, where the host finds us, where the daemon does; without `socket` it is a mere cable.

    `mode` is that of the pseudo-terminal and the socket. `reset` pulls DTR low for a moment when the host opens.
    """

    port: str
    baud: int
    link: str
    mode: int = 0o660
    reset: bool = False
    socket: str | None = None
    ways: Ways = field(default_factory=Ways)
    verbose: bool = False

    def text(self) -> str:
        """As the argument of the process."""
        data = asdict(self)
        data["ways"]["harmless"] = sorted(self.ways.harmless)
        return json.dumps(data)


def parsed(text: str) -> Options:
    """The options in an argument."""
    data: dict[str, Any] = json.loads(text)
    ways = data.pop("ways")
    dialect = ways.pop("dialect")
    dialect["home_mm"] = tuple(dialect["home_mm"])
    harmless = frozenset(ways.pop("harmless"))
    return Options(**data, ways=Ways(**ways, dialect=Dialect(**dialect), harmless=harmless))
