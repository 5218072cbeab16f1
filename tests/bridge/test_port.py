"""The printer's port by itself: what is read of it, and when it counts as gone."""

import asyncio
import contextlib
import errno
import fcntl
import itertools
import os
import random
import socket
import tty
from collections.abc import Callable
from dataclasses import dataclass, field
from unittest import mock

import pytest
import serial

from lapsed import clock
from lapsed.bridge.end import CROWDED, Descriptor, Port, Remote
from lapsed.errors import RetryError
from tests.waiting import until


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


@dataclass
class Said:
    """What an end has said, a read at a time; `then` is done after each."""

    reads: list[bytes] = field(default_factory=list)
    then: Callable[[], None] = lambda: None

    def __call__(self, data):
        self.reads.append(data)
        self.then()


MUCH = random.Random(7).randbytes(128 * 1024)
WHOLE = 8
"""Reads of 16 KB for all of it."""


@contextlib.contextmanager
def much():
    """An end that has said much and no more, and what is heard of it."""
    reads, writes = os.pipe()
    fcntl.fcntl(writes, fcntl.F_SETPIPE_SZ, len(MUCH))
    os.write(writes, MUCH)
    heard, lost = Said(), []
    end = Descriptor(reads, heard, lost.append)
    try:
        yield end, heard
        assert not lost
    finally:
        end.close()
        os.close(writes)


@pytest.mark.parametrize(("read_takes_s", "at_a_stretch"), [(0.0, WHOLE), (0.0002, 3), (0.01, 1)])
async def test_an_end_that_says_much_is_read_on_while_the_other_can_wait(read_takes_s, at_a_stretch):
    ticks = (count * read_takes_s for count in itertools.count())
    with mock.patch.object(clock, "monotonic", side_effect=ticks), much() as (_, heard):
        while not heard.reads:  # noqa: ASYNC110 - turn by turn of the loop
            await asyncio.sleep(0)
        assert len(heard.reads) == at_a_stretch
        await until(lambda: len(heard.reads) == WHOLE)
        assert b"".join(heard.reads) == MUCH


async def test_an_end_that_is_told_to_wait_is_not_read_on_before_it_may_speak_again():
    with much() as (end, heard):
        heard.then = lambda: end.pause(1)
        await until(lambda: heard.reads)
        for _ in range(5):
            await asyncio.sleep(0)
        assert len(heard.reads) == 1
        heard.then = lambda: None
        end.pause(0)
        await until(lambda: len(heard.reads) == WHOLE)
        assert b"".join(heard.reads) == MUCH


async def test_nothing_is_read_of_an_end_once_it_is_let_go():
    reads, writes = os.pipe()  # takes the number of the end that goes
    with much() as (end, heard):

        def go():
            end.close()
            os.dup2(reads, number)

        number = reads + 2
        os.write(writes, b"another's")
        heard.then = go
        await until(lambda: heard.reads)
        assert os.read(number, 100) == b"another's"
        os.close(number)
    os.close(reads)
    os.close(writes)


async def test_a_port_that_another_program_has_is_told_as_that(printer):
    with (
        contextlib.closing(printer.port()),
        pytest.raises(RetryError, match="opened: another program has it; end that"),
    ):
        printer.port()


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (errno.EACCES, "cannot be opened: this user may not; add it to the group of the device, often dialout"),
        (errno.ENOENT, "the printer's port /dev/ttyX cannot be opened: no such file or directory"),
    ],
)
def test_why_a_port_can_t_be_opened_is_told_once_and_without_numbers(number, told):
    # As pyserial 3.5 words it (serialposix.Serial.open).
    said = f"[Errno {number}] could not open port /dev/ttyX: [Errno {number}] {os.strerror(number)}: '/dev/ttyX'"
    failing = mock.patch("serial.Serial", side_effect=serial.SerialException(number, said))
    with failing, pytest.raises(RetryError) as refused:
        Port("/dev/ttyX", 115200, bytearray().extend, [].append, [].append)
    assert str(refused.value).endswith(told)
    assert "Errno" not in str(refused.value)


async def test_a_far_port_has_the_host_wait_until_it_has_taken_what_it_was_sent():
    crowded, lost = [], []
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        port = Remote(url, 250000, lambda _data: None, lost.append, crowded.append)
        far, _ = server.accept()
        with far:
            port.write(MUCH[:CROWDED])
            assert crowded == []
            port.write(MUCH[CROWDED : CROWDED + 10])
            assert crowded == [CROWDED + 10]
            await until(lambda: len(crowded) > 1)
            assert crowded[1:] == [0]
            taken = await asyncio.to_thread(far.recv, CROWDED + 10, socket.MSG_WAITALL)
            assert taken == MUCH[: CROWDED + 10]
        await until(lambda: lost)
