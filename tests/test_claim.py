"""One daemon for a host: a second one of this computer is refused, whatever its configuration and its user."""

import asyncio
import os
import signal
import subprocess
import sys

import pytest

from lapsed import service, settings
from lapsed.claim import claimed
from lapsed.errors import RetryError
from lapsed.service import _Service
from tests.waiting import until

ADDRESS = f"ws://192.0.2.1:8130/{os.getpid()}"  # RFC 5737: an address for documentation, which no host has


def test_a_second_claim_is_refused_with_who_has_it_until_the_first_is_given_back():
    with claimed([ADDRESS, ADDRESS]):
        with pytest.raises(RetryError, match=rf"process {os.getpid()}\) follows the host at {ADDRESS}"):
            claimed([f"{ADDRESS}/other", ADDRESS]).__enter__()
        with claimed([f"{ADDRESS}/other"]):
            pass
    with claimed([ADDRESS]):
        pass


def test_a_claim_goes_with_its_process_however_that_ends():
    hold = (
        "import sys, time\nfrom lapsed.claim import claimed\n"
        "with claimed(sys.argv[1:]):\n    print('have', flush=True)\n    time.sleep(300)"
    )
    with subprocess.Popen([sys.executable, "-c", hold, ADDRESS], stdout=subprocess.PIPE) as other:
        try:
            assert other.stdout.readline() == b"have\n"
            with pytest.raises(RetryError, match=f"process {other.pid}"), claimed([ADDRESS]):
                pass
        finally:
            other.send_signal(signal.SIGKILL)
    with claimed([ADDRESS]):
        pass


class Manager:
    """A service manager that keeps what it is told."""

    there = True

    def __init__(self):
        self.told = []

    def ready(self):
        self.told.append("ready")

    def alive(self):
        self.told.append("alive")

    def status(self, text):
        self.told.append(text)

    def stopping(self):
        self.told.append("stopping")


async def test_a_service_waits_for_its_turn_and_is_not_started_anew_for_it(tmp_path, monkeypatch, caplog):
    monkeypatch.setattr(service, "LEAST_BETWEEN_S", 0.005)
    printer = settings.Printer(
        name="bench", link=settings.FeedLink(url=ADDRESS), camera=(settings.GphotoCamera(kind="gphoto"),)
    )
    one = _Service(settings.Settings(printer=(printer,)), tmp_path / "lapsed.toml")
    one._manager = Manager()
    ran = asyncio.Event()

    async def run_one():
        ran.set()
        one.stop()

    monkeypatch.setattr(one, "_run_one", run_one)
    with claimed([ADDRESS]):
        running = asyncio.create_task(one.run())
        await until(lambda: one._manager.told.count("alive") >= 3)
        assert not ran.is_set()
    await running
    assert ran.is_set()
    assert one._manager.told[0] == "ready"
    assert [record.levelname for record in caplog.records] == ["ERROR"]


async def test_a_second_daemon_is_refused_before_it_does_anything(tmp_path):
    link = settings.FeedLink(url=ADDRESS)
    printer = settings.Printer(name="bench", link=link, camera=(settings.GphotoCamera(kind="gphoto"),))
    store = settings.Store(folder=tmp_path / "takes")
    whole = settings.Settings(printer=(printer,), store=store, web=settings.Web(serve=False))
    with claimed([ADDRESS]), pytest.raises(RetryError, match="two would move its head against each other"):
        await _Service(whole, tmp_path / "lapsed.toml").run()
    assert not store.folder.exists()
