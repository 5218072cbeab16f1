"""The printer's port by itself: what is read of it, and when it counts as gone."""

import asyncio
import contextlib
import os
import tty
from dataclasses import dataclass, field

import pytest

from lapsed.bridge.end import Port


async def until(condition, within_s=30.0):
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110 - a terminal has no event to wait for
            await asyncio.sleep(0.002)


@dataclass
class Printer:
    """The printer's end, and what the port's owner was told."""

    master: int
    slave: int
    heard: bytearray = field(default_factory=bytearray)
    lost: list[str] = field(default_factory=list)
    crowded: list[int] = field(default_factory=list)

    def port(self) -> Port:
        return Port(os.ttyname(self.slave), 250000, self.heard.extend, self.lost.append, self.crowded.append)

    def hang_up(self):
        while self.master >= 0:
            os.close(self.master)
            self.master = -1


@pytest.fixture
def printer():
    master, slave = os.openpty()
    tty.setraw(slave)
    made = Printer(master, slave)
    yield made
    made.hang_up()
    os.close(slave)


async def test_a_port_woken_for_bytes_that_are_no_longer_there_does_not_count_as_gone(printer):
    # POSIX leaves open whether a read after a readiness finds anything; here two others have read before the port can.
    loop = asyncio.get_running_loop()
    taken = bytearray()

    def take(number):
        with contextlib.suppress(BlockingIOError):
            taken.extend(os.read(number, 100))

    others = [os.dup(printer.slave) for _ in range(2)]
    os.set_blocking(printer.slave, False)
    loop.add_reader(others[0], take, others[0])
    port = printer.port()
    loop.add_reader(others[1], take, others[1])
    try:
        for _ in range(3):
            os.write(printer.master, b"wait\n")
            await until(lambda: taken or printer.heard)
            taken.clear()
            printer.heard.clear()
        assert printer.lost == []
    finally:
        for other in others:
            loop.remove_reader(other)
            os.close(other)
        port.close()


async def test_a_port_that_goes_away_is_told_once(printer):
    port = printer.port()
    printer.hang_up()
    await until(lambda: printer.lost)
    await asyncio.sleep(0)
    assert len(printer.lost) == 1
    port.write(b"M105\n")  # said into the void
    port.close()
