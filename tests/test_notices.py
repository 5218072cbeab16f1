"""The hook is told in order, tried again, and never in the way."""

import asyncio
import json
import socket
import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from lapsed import configuration
from lapsed.errors import UserError
from lapsed.notices import MOST_WAITING, Notices
from lapsed.now import Told
from lapsed.settings import Notice

UTC = "2026-05-04T09:30:00.000000Z"


def told(text, kind="trouble"):
    return Told(kind, "pier", "2026-05-04_093000_beacon", text, UTC)


@pytest.fixture
def address():
    """A server that answers with the statuses it is given, and keeps what it hears."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            body = self.rfile.read(int(self.headers["Content-Length"]))
            server.heard.append((self.path, self.headers["X-Key"], json.loads(body)))
            self.send_response(server.answers.pop(0) if server.answers else 204)
            self.end_headers()

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.heard, server.answers = [], []
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


async def deliver(notices, *those, until):
    running = asyncio.create_task(notices.run())
    for one in those:
        notices.tell(one)
    try:
        async with asyncio.timeout(20):
            while not until():  # noqa: ASYNC110 - a server in a thread and a program are waited for
                await asyncio.sleep(0.01)
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


def url(server):
    return f"http://127.0.0.1:{server.server_address[1]}/hook?from=lapsed"


async def test_an_address_is_posted_to_in_order_and_again_after_a_failure(address):
    address.answers = [500, 200]
    notices = Notices(Notice(url=url(address), headers={"X-Key": "k"}), pauses_s=(0.0, 0.0))
    await deliver(notices, told("one"), told("two"), until=lambda: len(address.heard) >= 3)
    assert [(path, key, body["text"]) for path, key, body in address.heard] == [
        ("/hook?from=lapsed", "k", "one"),
        ("/hook?from=lapsed", "k", "one"),
        ("/hook?from=lapsed", "k", "two"),
    ]
    assert address.heard[0][2] == {
        "kind": "trouble",
        "printer": "pier",
        "take": "2026-05-04_093000_beacon",
        "text": "one",
        "utc": UTC,
    }


async def test_what_cannot_be_told_is_dropped_with_a_line_and_the_next_is_told(address, caplog):
    address.answers = [404, 404]
    notices = Notices(Notice(url=url(address)), pauses_s=(0.0,))
    await deliver(notices, told("one"), told("two"), until=lambda: len(address.heard) >= 3)
    assert address.heard[-1][2]["text"] == "two"
    assert "the notice of trouble was not heard: its address answered with status 404" in caplog.text


async def test_a_program_reads_it_on_its_input(tmp_path):
    out = tmp_path / "heard"
    program = "import sys; open(sys.argv[1], 'a').write(sys.stdin.read() + '\\n')"
    notices = Notices(Notice(command=(sys.executable, "-c", program, str(out))), pauses_s=())
    await deliver(notices, told("one"), told("two"), until=lambda: out.exists() and out.read_text().count("\n") == 2)
    assert [json.loads(line)["text"] for line in out.read_text().splitlines()] == ["one", "two"]


@pytest.mark.parametrize(
    ("command", "says"),
    [
        (("/nowhere/at/all",), "could not be started"),
        ((sys.executable, "-c", "raise SystemExit(3)"), "ended with status 3"),
        ((sys.executable, "-c", "import time; time.sleep(60)"), "took longer than 0.5 s"),
    ],
)
async def test_a_program_that_fails_is_told_of_and_ended(caplog, command, says):
    notices = Notices(Notice(command=command, within_s=0.5), pauses_s=())
    await deliver(notices, told("one"), until=lambda: says in caplog.text)
    assert caplog.text.count("was not heard") == 1


async def test_an_address_that_never_answers_is_told_of(caplog):
    notices = Notices(Notice(url="http://127.0.0.1:9/"), pauses_s=())
    await deliver(notices, told("one"), until=lambda: "does not answer" in caplog.text)
    assert caplog.text.count("was not heard") == 1


def test_an_address_that_hangs_keeps_nobody_from_ending():
    with socket.create_server(("127.0.0.1", 0)) as silent:
        hook = Notice(url=f"http://127.0.0.1:{silent.getsockname()[1]}/", within_s=120.0)

        async def ended_in_the_middle() -> None:
            notices = Notices(hook)
            notices.tell(told("one"))
            running = asyncio.create_task(notices.run())
            taken, _ = await asyncio.get_running_loop().sock_accept(silent)
            calls.append(taken)
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)

        calls: list[socket.socket] = []
        silent.settimeout(0)
        daemon = threading.Thread(target=asyncio.run, args=(ended_in_the_middle(),))
        daemon.start()
        daemon.join(30)
        hangs = daemon.is_alive()
        calls[0].close()
        daemon.join()
        assert not hangs


async def test_only_what_is_wanted_is_told(address):
    notices = Notices(Notice(url=url(address), of=("clip ready",)), pauses_s=())
    await deliver(notices, told("one"), told("two", "clip ready"), until=lambda: bool(address.heard))
    assert [body["text"] for _, _, body in address.heard] == ["two"]


async def test_a_hook_that_is_down_for_long_holds_the_latest_only(address):
    notices = Notices(Notice(url=url(address)), pauses_s=())
    many = [told(str(number)) for number in range(MOST_WAITING + 50)]
    for one in many:
        notices.tell(one)
    await deliver(notices, until=lambda: len(address.heard) == MOST_WAITING)
    assert [body["text"] for _, _, body in address.heard] == [one.text for one in many[-MOST_WAITING:]]


def test_a_hook_that_tells_nobody_is_refused():
    printer = '[[printer]]\nname = "pier"\nlink = { url = "ws://127.0.0.1:1/" }\n[[printer.camera]]\nkind = "gphoto"\n'
    text = f"[notice]\n{printer}"
    with pytest.raises(UserError, match="give url or command"):
        configuration.parse(text, where="it")
