import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from websockets.asyncio.client import ClientConnection, connect

from lapsed.sim.pace import Pace


class VirtualTime:
    """Real time that passes by being slept through, for one sleeper."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def now(self) -> float:
        return self.now_s

    async def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        await asyncio.sleep(0)


@pytest.fixture
def time() -> VirtualTime:
    return VirtualTime()


@pytest.fixture
def pace(time: VirtualTime) -> Pace:
    return Pace(2.0, now=time.now, sleep=time.sleep)


@pytest.fixture
def fast() -> Pace:
    """On the machine's own clock, so fast that motion takes next to no time."""
    return Pace(2000.0)


def tower_lines(layers: int) -> list[str]:
    """A square tower of layers 0.2 mm high, with a hop between them, and what else files contain."""
    lines = ["; a tower", "", "G28", "M83", "G1 Z0.2 F600", "M117 now printing"]
    for layer in range(1, layers + 1):
        z = 0.2 * layer
        lines += [
            f"G1 Z{z + 0.4:.2f} F600 ; hop",
            "G0 X50 Y50 F9000",
            f"G1 Z{z:.2f} F600",
            "G1 X70 Y50 E1 F1800",
            "G1 X70 Y70 E1",
            "G1 X50 Y70 E1",
            "G1 X50 Y50 E1",
        ]
    return lines


@pytest.fixture
def tower(tmp_path: Path) -> Callable[[int], Path]:
    def write(layers: int) -> Path:
        path = tmp_path / "tower.gcode"
        path.write_text("\n".join(tower_lines(layers)) + "\n")
        return path

    return write


def news_of(part: str, message: object) -> dict[str, Any]:
    """A part of the news in a message; nothing where the message is junk."""
    params = message.get("params") if isinstance(message, dict) else None
    facts = params.get(part) if isinstance(params, dict) else None
    return facts if isinstance(facts, dict) else {}


class Caller:
    """A client that keeps what it is told, to ask for later."""

    def __init__(self, connection: ClientConnection) -> None:
        self.connection = connection
        self.messages: list[Any] = []
        """Each as JSON, or as it came where it is none."""
        self._calls = 0

    async def hear(self) -> Any:
        message = await self.connection.recv()
        try:
            self.messages.append(json.loads(message))
        except (ValueError, RecursionError):
            self.messages.append(message)
        return self.messages[-1]

    async def say(self, method: str, **params: object) -> int:
        self._calls += 1
        await self.connection.send(
            json.dumps({"jsonrpc": "2.0", "id": self._calls, "method": method, "params": params})
        )
        return self._calls

    async def call(self, method: str, **params: object) -> dict[str, Any]:
        """The whole answer to a call."""
        number = await self.say(method, **params)
        answer: dict[str, Any] = await self.until(lambda message: message.get("id") == number)
        return answer

    async def until(self, wanted: Callable[[dict[str, Any]], bool]) -> Any:
        async with asyncio.timeout(10):
            while not (isinstance(message := await self.hear(), dict) and wanted(message)):
                pass
        return message

    async def until_job(self, **facts: object) -> None:
        """Listen until news of the job has these facts."""
        await self.until(lambda message: facts.items() <= news_of("job", message).items())

    def told(self, part: str, name: str) -> list[Any]:
        """All values of a fact in the news so far."""
        news = [news_of(part, message) for message in self.messages]
        return [facts[name] for facts in news if name in facts]

    def console(self) -> list[str]:
        return [line for message in self.messages for line in message.get("params", {}).get("console", [])]


@pytest.fixture
def calling() -> Callable[[str], AbstractAsyncContextManager[Caller]]:
    @asynccontextmanager
    async def to(url: str) -> AsyncIterator[Caller]:
        async with connect(url, max_size=None, ping_interval=None, close_timeout=1) as connection:
            yield Caller(connection)

    return to
