"""The bridge as a process on real pseudo-terminals."""

import contextlib
import fcntl
import os
import select
import signal
import socket
import stat
import subprocess
import sys
import termios
import threading
import time
import tty

import psutil
import pytest
from serial import rfc2217
from serial.urlhandler import protocol_loop

from lapsed.bridge import talk
from lapsed.bridge.options import Options
from tests.bridge.line import Daemon, sliced, squares, undone
from tests.bridge.workshop import SerialWorkshop


class Ends:
    """A printer's end that says what the test wants, and the bridge before it."""

    def __init__(self, folder, *, socket=None):
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.link, self.port = folder / "host", folder / "printer"
        self.port.symlink_to(os.ttyname(self.slave))
        self.options = Options(str(self.port), 250000, str(self.link), socket=socket)
        self.bridge = subprocess.Popen(
            [sys.executable, "-m", "lapsed.bridge", self.options.text()], stderr=subprocess.DEVNULL
        )
        until(self.link.is_symlink)
        self.host = -1

    def open(self):
        self.host = os.open(self.link, os.O_RDWR | os.O_NOCTTY)
        return self.host

    def close(self):
        self.bridge.terminate()
        self.bridge.wait(20)
        for number in (self.master, self.slave, self.host):
            if number >= 0:
                os.close(number)


def until(condition, within_s=30.0):
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.005)


def got(number, count, within_s=20.0):
    data = b""
    while len(data) < count:
        assert select.select([number], [], [], within_s)[0], data[-100:]
        data += os.read(number, 65536)
    return data


@pytest.fixture(params=["cable", "socket"])
def ends(request, tmp_path):
    made = Ends(tmp_path, socket=str(tmp_path / "daemon.sock") if request.param == "socket" else None)
    yield made
    made.close()


JUNK = bytes(range(256)) * 40 + b"N1 G28*18\r\n" + b"G1 X" + b"1" * 5000 + b"\nhalf a line"


def test_any_bytes_pass_unchanged_both_ways(ends):
    host = ends.open()
    for source, sink in ((host, ends.master), (ends.master, host)):
        writer = threading.Thread(target=os.write, args=(source, JUNK))
        writer.start()
        assert got(sink, len(JUNK)) == JUNK
        writer.join()


def test_what_a_host_sends_to_a_slow_printer_waits_and_is_not_lost(ends):
    host = ends.open()
    lines = b"".join(b"N%d G1 X%d Y1 E2\n" % (number, number) for number in range(20_000))
    writer = threading.Thread(target=write_all, args=(host, lines))
    writer.start()
    time.sleep(0.3)  # the printer takes nothing for a while; how long does not matter
    assert got(ends.master, len(lines)) == lines
    writer.join()


def write_all(number, data):
    while data:
        data = data[os.write(number, data) :]


def test_the_hosts_port_is_raw_and_for_owner_and_group_alone(ends):
    host = ends.open()
    mode = termios.tcgetattr(host)
    assert not mode[3] & (termios.ECHO | termios.ICANON | termios.ISIG)
    assert not mode[1] & termios.OPOST
    assert stat.S_IMODE(os.fstat(host).st_mode) == 0o660
    if ends.options.socket is not None:
        assert stat.S_IMODE(os.stat(ends.options.socket).st_mode) == 0o660  # noqa: PTH116 - beside fstat


def test_a_host_that_has_the_port_keeps_others_out(ends):
    host = ends.open()
    # TIOCGEXCL of tty_ioctl(4), which tells whether the terminal is exclusive; root may open it all the same.
    until(lambda: fcntl.ioctl(host, 0x80045440, b"\0\0\0\0") != b"\0\0\0\0")


def test_the_port_can_be_closed_and_opened_again_under_the_same_name(ends):
    for number in range(3):
        host = ends.open()
        os.write(host, b"M105\n")
        assert got(ends.master, 5) == b"M105\n"
        os.write(ends.master, b"ok T:%d\n" % number)
        assert got(host, 7) == b"ok T:%d\n" % number
        was = ends.link.readlink()
        os.close(host)
        ends.host = -1
        until(lambda was=was: ends.link.readlink() != was)  # another terminal, made before the old one goes


def test_a_line_left_half_sent_by_a_host_that_closes_goes_to_the_printer(ends):
    host = ends.open()
    os.write(host, b"N5 G1 X10")
    assert got(ends.master, 9) == b"N5 G1 X10"


def test_a_printer_that_goes_away_takes_the_hosts_port_with_it(ends):
    host = ends.open()
    os.write(host, b"M105\n")
    got(ends.master, 5)
    ends.port.unlink()  # the terminal of that number is soon another test's, and the bridge would open it
    os.close(ends.slave)
    os.close(ends.master)
    ends.slave = ends.master = -1
    until(lambda: not ends.link.exists())
    until(lambda: hung_up(host))


def hung_up(host):
    look = select.poll()
    look.register(host, select.POLLIN)
    return any(event & select.POLLHUP for _, event in look.poll(0))


def test_two_bridges_never_have_one_name(ends):
    command = [sys.executable, "-m", "lapsed.bridge", ends.options.text()]
    other = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert other.returncode == 2
    assert f"another bridge has {ends.link}" in other.stderr


def test_the_bridge_is_small(ends):
    ends.open()
    # 30 MB are what a bridge may cost a small computer; a fresh interpreter with asyncio takes 19 of them.
    assert psutil.Process(ends.bridge.pid).memory_info().rss < 30e6


def test_a_port_that_is_not_there_is_waited_for(tmp_path):
    port, link = tmp_path / "printer", tmp_path / "host"
    options = Options(str(port), 115200, str(link))
    bridge = subprocess.Popen(
        [sys.executable, "-m", "lapsed.bridge", options.text()], stderr=subprocess.PIPE, text=True
    )
    try:
        assert "cannot be opened" in bridge.stderr.readline()
        master, slave = os.openpty()
        port.symlink_to(os.ttyname(slave))
        until(link.is_symlink)
        port.unlink()
        os.close(master)
        os.close(slave)
    finally:
        bridge.terminate()
        bridge.wait(20)
        bridge.stderr.close()


def test_a_far_port_is_reached_over_a_socket(tmp_path):
    link = tmp_path / "host"
    with socket.create_server(("127.0.0.1", 0)) as server:
        options = Options(f"socket://127.0.0.1:{server.getsockname()[1]}", 115200, str(link))
        bridge = subprocess.Popen([sys.executable, "-m", "lapsed.bridge", options.text()], stderr=subprocess.DEVNULL)
        try:
            far, _ = server.accept()
            until(link.is_symlink)
            host = os.open(link, os.O_RDWR | os.O_NOCTTY)
            with far:
                os.write(host, b"M115\n")
                assert far.recv(100) == b"M115\n"
                far.sendall(b"ok\n")
                assert got(host, 3) == b"ok\n"
            until(lambda: hung_up(host))
            os.close(host)
        finally:
            bridge.terminate()
            bridge.wait(20)


class FarPort(protocol_loop.Serial):
    """A port at the far end that echoes; `pulses` are the states that its DTR line took."""

    def __init__(self):
        self.pulses = []
        super().__init__("loop://", timeout=0.05)

    def _update_dtr_state(self):
        self.pulses.append(self._dtr_state)
        super()._update_dtr_state()


class Wire:
    """What pyserial's own server side writes to."""

    def __init__(self, far):
        self.write = far.sendall


def serve_port(server, port):
    """The server side of RFC 2217 as pyserial brings it, for one client."""
    far, _ = server.accept()
    with far:
        manager = rfc2217.PortManager(port, Wire(far))
        while data := far.recv(4096):
            port.write(b"".join(manager.filter(data)))
            far.sendall(b"".join(manager.escape(port.read(port.in_waiting))))


def test_a_far_port_by_rfc_2217_takes_rate_bytes_and_the_reset_pulse(tmp_path):
    link, port = tmp_path / "host", FarPort()
    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve_port, args=(server, port))
        thread.start()
        options = Options(f"rfc2217://127.0.0.1:{server.getsockname()[1]}", 250000, str(link), reset=True)
        bridge = subprocess.Popen([sys.executable, "-m", "lapsed.bridge", options.text()], stderr=subprocess.DEVNULL)
        try:
            until(link.is_symlink)
            before = len(port.pulses)
            host = os.open(link, os.O_RDWR | os.O_NOCTTY)
            until(lambda: port.pulses[before:] == [False, True])
            line = b"N1 M118 \xff\x00*7\n"  # 255 is what Telnet doubles (RFC 854)
            os.write(host, line)
            assert got(host, len(line)) == line
            assert port.baudrate == 250000
            os.close(host)
        finally:
            bridge.terminate()
            bridge.wait(20)
            thread.join(20)
            port.close()


def test_a_daemon_of_another_version_is_told_ours_and_hung_up_on_while_the_line_stays_a_cable(tmp_path):
    ends = Ends(tmp_path, socket=str(tmp_path / "daemon.sock"))
    try:
        host = ends.open()
        with socket.socket(socket.AF_UNIX) as daemon:
            daemon.settimeout(20)
            daemon.connect(ends.options.socket)
            daemon.sendall(talk.line_of(talk.Hello(talk.VERSION + 1)))
            with daemon.makefile("rb") as heard:
                lines = heard.readlines()
        assert [talk.json.loads(line)["version"] for line in lines] == [talk.VERSION]
        os.write(host, b"M105\n")
        assert got(ends.master, 5) == b"M105\n"
    finally:
        ends.close()


class StandIn:
    """A daemon that speaks the socket from this process, and can be cut off at any instant."""

    def __init__(self, path):
        self.daemon = Daemon(exposes_s=0.0)
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.connect(str(path))
        self._socket.sendall(talk.line_of(talk.Hello(talk.VERSION)))
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self):
        kinds = {kind.__dataclass_fields__["say"].default: kind for kind in talk.FromBridge.__args__}
        try:
            for line in self._socket.makefile("rb"):
                data = talk.json.loads(line)
                message = kinds[data.pop("say")](**data)
                for _, answer in self.daemon.hear(message):
                    self._socket.sendall(talk.line_of(answer))
        except OSError:
            return

    def kill(self):
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join()


@pytest.mark.slow
def test_a_daemon_killed_fifty_times_leaves_the_print_as_it_is(tmp_path):
    shop = SerialWorkshop(tmp_path, squares(60), speed=40.0)
    try:
        host = shop.send("--window", 2)
        parked = kills = 0
        pause = 0.003
        while host.poll() is None and kills < 50:
            daemon = StandIn(shop.socket)
            time.sleep(pause)  # the instant of the death: another one each time
            pause = pause * 1.07 if pause < 0.2 else 0.003
            daemon.kill()
            kills += 1
            parked += len(daemon.daemon.of(talk.Held))
        assert host.wait(60) == 0
        shop.wait(lambda: len(shop.host_lines()) == len(shop.sent()))
        assert shop.host_lines() == shop.sent()
        undone(shop)
        assert kills == 50
        assert parked
    finally:
        shop.close()


@pytest.mark.slow
def test_a_real_sliced_file_is_printed_byte_for_byte_with_parks_between_its_layers(tmp_path):
    shop = SerialWorkshop(tmp_path, sliced("cube"), speed=2000.0)
    try:
        daemon = StandIn(shop.socket)
        daemon.daemon.wants = lambda layer: layer % 4 == 0
        host = shop.send("--window", 4, "--polls", 50)
        assert host.wait(150) == 0
        shop.wait(lambda: len(shop.host_lines()) == len(shop.sent(polls=50)))
        daemon.kill()
        assert shop.host_lines() == shop.sent(polls=50)
        undone(shop)
        # The file's own count, `;LAYER_COUNT:100`, and the greeting line that cleans the nozzle.
        assert daemon.daemon.of(talk.Layer)[-1].number == 100
        assert len(daemon.daemon.of(talk.Parked)) == 25
    finally:
        shop.close()


def test_a_bridge_told_to_stop_in_mid_park_brings_the_head_back_first(tmp_path):
    shop = SerialWorkshop(tmp_path, squares(12), speed=20.0)
    try:
        daemon = StandIn(shop.socket)
        daemon.daemon.exposes_s = 1e9
        daemon.daemon.hear = lambda message, hear=daemon.daemon.hear: [
            answer for answer in hear(message) if not isinstance(answer[1], talk.Free)
        ]
        shop.send()
        shop.wait(lambda: bool(daemon.daemon.of(talk.Parked)))
        shop.bridge.send_signal(signal.SIGTERM)
        assert shop.bridge.wait(30) == 0
        daemon.kill()
        shop.wait(lambda: shop.executed()[-1]["at"][:2] != [0.0, 200.0])
    finally:
        shop.close()
