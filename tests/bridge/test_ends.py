"""The bridge within the test's own loop: reset pulse, modes, who is told what, and daemons that talk wrongly."""

import asyncio
import contextlib
import fcntl
import json
import os
import stat
import tty
from dataclasses import replace
from unittest import mock

import pytest
import serial

from lapsed import clock
from lapsed.bridge import talk
from lapsed.bridge.options import Options
from lapsed.bridge.process import Bridge
from lapsed.bridge.terminal import Terminal
from lapsed.errors import UserError
from tests.waiting import until


def read(number):
    try:
        return os.read(number, 65536)
    except BlockingIOError:
        return b""


@contextlib.asynccontextmanager
async def bridged(folder, **options):
    """A bridge before a printer of the test's; yields the printer's end and the options."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    made = Options(os.ttyname(slave), 250000, str(folder / "host"), socket=str(folder / "daemon.sock"))
    made = replace(made, **options)
    stop = asyncio.Event()
    bridge = asyncio.create_task(Bridge(made).run(stop))
    try:
        await until((folder / "host").is_symlink)
        yield master, made
    finally:
        stop.set()
        await bridge
        os.close(master)
        os.close(slave)


@contextlib.contextmanager
def opened(options):
    host = os.open(options.link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        yield host
    finally:
        os.close(host)


async def passes(host, master, line=b"M105\n"):
    """A line gets through, so the host has been noticed; its bytes are read to their end."""
    os.write(host, line)
    data = bytearray()
    await until(lambda: data.extend(read(master)) or len(data) >= len(line))
    assert bytes(data) == line


@pytest.mark.parametrize(("reset", "pulse"), [(True, [False, True]), (False, [])])
async def test_a_host_that_opens_resets_the_board_only_where_that_is_configured_and_one_that_closes_never(
    tmp_path, reset, pulse
):
    states, times = [], []

    def turned(port):
        states.append(port.dtr)
        times.append(clock.monotonic())

    with mock.patch.object(serial.Serial, "_update_dtr_state", turned):
        async with bridged(tmp_path, reset=reset) as (master, options):
            states.clear()  # opening the port has set the line as well
            was = os.readlink(options.link)  # noqa: PTH115 - compared as it stands
            with opened(options) as host:
                await passes(host, master)
                await until(lambda: len(states) >= len(pulse))
                assert states == pulse
                await passes(host, master)
            await until(lambda: os.readlink(options.link) != was)  # noqa: PTH115 - likewise
            assert states == pulse
    if reset:
        # Boards take the falling edge over a capacitor of 100 nF; a tenth of a second is common practice, no source.
        assert times[-1] - times[-2] > 0.09


async def test_what_the_process_makes_later_has_the_mode_it_would_have_had_without_a_socket(tmp_path):
    mask = os.umask(0o022)
    try:
        async with bridged(tmp_path, mode=0o600):
            (tmp_path / "later").touch(0o666)
            assert stat.S_IMODE((tmp_path / "later").stat().st_mode) == 0o644  # umask(2): mode & ~umask
    finally:
        os.umask(mask)


@pytest.mark.parametrize("mode", [0o600, 0o660])
async def test_port_and_socket_belong_to_who_runs_the_bridge_with_the_mode_that_is_configured(tmp_path, mode):
    async with bridged(tmp_path, mode=mode) as (_, options):
        for path in (options.link, options.socket):
            found = os.stat(path)  # noqa: PTH116 - follows the link to the terminal
            assert stat.S_IMODE(found.st_mode) == mode
            assert found.st_uid == os.geteuid()


async def test_names_go_with_the_bridge_and_what_is_no_link_is_never_replaced(tmp_path):
    async with bridged(tmp_path) as (_, options):
        pass
    assert not [path.name for path in tmp_path.iterdir()]
    link = tmp_path / "host"
    link.write_text("somebody's notes")
    with pytest.raises(UserError, match="is there and no link"):
        await Bridge(options).run(asyncio.Event())
    assert link.read_text() == "somebody's notes"


async def test_the_name_that_a_killed_bridge_left_leads_nowhere_once_the_next_has_begun(tmp_path):
    link, stop = tmp_path / "host", asyncio.Event()
    link.symlink_to("/dev/pts/0")  # perhaps someone's own terminal by now
    bridge = asyncio.create_task(Bridge(Options(str(tmp_path / "no printer yet"), 250000, str(link))).run(stop))
    await until(lambda: not link.is_symlink())
    stop.set()
    await bridge


async def test_a_lock_that_its_last_owner_removed_in_the_same_instant_gives_nobody_the_name(tmp_path):
    flock = fcntl.flock

    def meanwhile(number, kind):
        (tmp_path / ".host.lock").unlink()  # between another bridge's opening it and taking it
        flock(number, kind)

    terminal = Terminal(tmp_path / "host", 0o600, lambda _data: None, mock.Mock())
    with mock.patch.object(fcntl, "flock", meanwhile), pytest.raises(UserError, match="another bridge has"):
        terminal.claim()
    terminal.claim()
    terminal.release()


@contextlib.asynccontextmanager
async def daemon(options, *greeting):
    reader, writer = await asyncio.open_unix_connection(options.socket)
    writer.write(b"".join(greeting))
    try:
        yield reader, writer
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


HELLO = talk.line_of(talk.Hello(talk.VERSION))


async def word(reader):
    async with asyncio.timeout(30):
        return json.loads(await reader.readline())


async def test_the_daemon_is_told_when_the_host_opens_and_closes(tmp_path):
    async with bridged(tmp_path) as (_, options), daemon(options, HELLO) as (reader, _):
        assert (await word(reader))["host"] is False
        for _ in range(2):
            with opened(options):
                assert (await word(reader))["host"] is True
            assert await word(reader) == {"say": "ends", "host": False, "printer": True, "reason": ""}


@pytest.mark.parametrize(
    "says",
    [
        pytest.param([b'{"say":"free","shot":1}\n'], id="no hello"),
        pytest.param([HELLO, b"nothing like JSON\n"], id="no JSON"),
        pytest.param([HELLO, b"[" * 60_000 + b"\n"], id="brackets"),
        pytest.param(
            [HELLO, b'{"say":"leave","shot":1,"leave":["G1\\nM104 S300"],"come_back":["G90"],"come_back_s":1}\n'],
            id="two in one",
        ),
        pytest.param(
            [HELLO, b'{"say":"leave","shot":1,"leave":["G90"],"come_back":[],"come_back_s":1}\n'], id="no way back"
        ),
        pytest.param([HELLO, b"x" * (talk.LONGEST + 1)], id="no end"),
        pytest.param([HELLO, b'{"say":"hold","shot":1,"token":null,"limit_s":NaN}\n'], id="a limit that never comes"),
        pytest.param([HELLO, b'{"say":"hold","shot":1,"token":null,"limit_s":1e999}\n'], id="a limit without end"),
    ],
)
async def test_a_daemon_that_talks_wrongly_is_hung_up_on_while_the_line_stays_a_cable(tmp_path, says):
    async with bridged(tmp_path) as (master, options), daemon(options, *says) as (reader, _):
        async with asyncio.timeout(30):
            with contextlib.suppress(ConnectionResetError):
                await reader.read()
        with opened(options) as host:
            await passes(host, master)


async def test_a_second_daemon_takes_the_place_of_the_first(tmp_path):
    async with bridged(tmp_path) as (_, options), daemon(options, HELLO) as (first, _):
        await word(first)
        async with daemon(options, HELLO) as (second, _):
            await word(second)
            async with asyncio.timeout(30):
                assert await first.read() == b""
            with opened(options):
                assert (await word(second))["host"] is True
