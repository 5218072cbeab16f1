"""The worker's own loop, in this process, over pipes of the test."""

import os
from pathlib import Path

import pytest

from lapsed.camera import worker
from lapsed.camera.kind import load
from lapsed.camera.wire import Opening, Order, pack, unpack
from lapsed.camera.worker import Channel, serve
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import CameraTold, Exposed, Landed, Missed, Released


class Idler:
    """A camera that has news each time it is idle, and hangs up after the third."""

    def __init__(self, hang_up):
        self.hang_up = hang_up
        self.calls = []

    def ensure_ready(self):
        self.calls.append("ready")
        return "battery 3"

    def idle(self):
        self.calls.append("idle")
        left = 3 - self.calls.count("idle")
        if not left:
            self.hang_up()
        return f"battery {left}"

    def ensure_stopped(self):
        self.calls.append("stopped")


@pytest.fixture
def pipes():
    down, up = os.pipe(), os.pipe()
    os.set_blocking(up[0], False)
    yield down[0], down[1], up[0], up[1]
    for fd in (down[0], up[0], up[1]):
        os.close(fd)


def heard(fd):
    return [unpack(line) for line in os.read(fd, 65_536).splitlines()]


def test_an_idle_camera_is_spoken_to_and_its_news_told(pipes, monkeypatch):
    read, write, told, tell = pipes
    idler = Idler(lambda: os.close(write))
    monkeypatch.setattr(worker, "load", lambda _: lambda _: idler)
    monkeypatch.setattr(worker, "IDLE_EVERY_S", 0.001)
    os.write(write, b"no message\n" + pack(Opening("any", "main", {})))
    serve(Channel(read, tell))
    assert heard(told) == [CameraTold("main", ready=True, text=f"battery {left}") for left in (3, 2, 1, 0)]
    assert idler.calls == ["ready", "idle", "idle", "idle", "stopped"]


def test_a_camera_lost_while_idle_is_told_and_not_closed(pipes, monkeypatch):
    read, write, told, tell = pipes
    idler = Idler(None)

    def asleep():
        raise RetryError("asleep")

    idler.idle = asleep
    monkeypatch.setattr(worker, "load", lambda _: lambda _: idler)
    monkeypatch.setattr(worker, "IDLE_EVERY_S", 0.001)
    os.write(write, pack(Opening("any", "main", {})))
    serve(Channel(read, tell))
    os.close(write)
    assert heard(told)[-1] == CameraTold("main", ready=False, text="asleep")
    assert "stopped" not in idler.calls


def test_a_pipe_that_closes_before_any_order_ends_the_worker(pipes):
    read, write, _, tell = pipes
    os.write(write, pack(Order(1, "/", "a", 1.0)))
    os.close(write)
    assert serve(Channel(read, tell)) is None


def test_a_daemon_that_is_gone_ends_the_worker():
    read, write = os.pipe()
    os.close(read)
    with pytest.raises(SystemExit):
        Channel(0, write).say(CameraTold("main", ready=True, text="found"))
    os.close(write)


def test_a_shot_goes_through_its_stations(pipes, tmp_path, monkeypatch):
    read, write, told, tell = pipes
    monkeypatch.syspath_prepend(Path(__file__).parent / "kinds")
    (tmp_path / "000001.jpg.part").write_bytes(b"left by a worker that was killed")
    options = {"script": {}, "home": str(tmp_path), "exposure_s": 0.0}
    os.write(
        write, pack(Opening("scripted:open_camera", "main", options)) + pack(Order(2, str(tmp_path), "000002", 9e9))
    )
    os.close(write)
    serve(Channel(read, tell))
    assert [type(event) for event in heard(told)] == [CameraTold, Released, Exposed, Landed]
    assert [path.name for path in tmp_path.glob("0*")] == ["000002.jpg"]


def test_of_a_shot_that_is_missed_nothing_is_left(pipes, tmp_path):
    class Cut:
        def release(self, _by_s, _released):
            pass

        def fetch(self, landing):
            landing.write("a.jpg", b"half")
            raise ShotMissedError("half of it came over")

    order = Order(1, str(tmp_path), "000001", 9e9)
    worker.carry_out(Cut(), "main", order, Channel(pipes[0], pipes[3]), set())
    assert [type(event) for event in heard(pipes[2])] == [Exposed, Missed]
    assert not list(tmp_path.iterdir())
    os.close(pipes[1])


@pytest.mark.parametrize("path", ["nowhere:open", "lapsed.camera.kind:nothing", "lapsed.camera.kind", ""])
def test_a_kind_that_is_not_there_is_told_in_a_sentence(path):
    with pytest.raises(UserError, match="cannot be loaded"):
        load(path)
