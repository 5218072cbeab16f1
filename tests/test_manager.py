"""What the service manager hears, on a socket of the test's own."""

import os
import socket
from contextlib import contextmanager

import pytest

from lapsed.manager import Manager


@contextmanager
def listening(address):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as bound:
        bound.bind(address)
        bound.settimeout(5)
        yield bound


@pytest.mark.parametrize("kind", ["a path", "an abstract name"])
def test_tells_the_words_of_sd_notify(tmp_path, kind):
    # sd_notify(3): datagrams READY=1, STATUS=..., WATCHDOG=1, STOPPING=1.
    named = str(tmp_path / "notify") if kind == "a path" else f"@lapsed-test-{os.getpid()}"
    with listening(named.replace("@", "\0", 1)) as bound:
        manager = Manager({"NOTIFY_SOCKET": named})
        manager.ready()
        manager.status("two\nlines")
        manager.alive()
        manager.stopping()
        heard = [bound.recv(100) for _ in range(4)]
    assert heard == [b"READY=1", b"STATUS=two lines", b"WATCHDOG=1", b"STOPPING=1"]


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": "/nowhere/at/all"}])
def test_without_a_manager_nothing_fails(environment):
    manager = Manager(environment)
    manager.ready()
    assert manager.feed_every_s is None


@pytest.mark.parametrize(
    ("environment", "every_s"),
    [
        ({"WATCHDOG_USEC": "10000000"}, 5.0),  # sd_watchdog_enabled(3) advises half of the time
        ({"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": str(os.getpid())}, 5.0),
        ({"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_feeds_the_watchdog_that_watches_this_process(environment, every_s):
    assert Manager(environment).feed_every_s == every_s
