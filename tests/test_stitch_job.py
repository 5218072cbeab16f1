"""Stitching by a service manager, whose part systemd's own systemd-socket-activate(1) plays: it runs the real job."""

import asyncio
import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Self

import psutil
import pytest

from lapsed import stitch_job
from lapsed.now import Told
from lapsed.reception import Reception
from lapsed.settings import Settings, Store
from lapsed.stitcher import Stitcher
from lapsed.web.bell import Bell
from lapsed.web.words import StitchWish
from tests.test_stitcher import folder_of_pictures, until

LONG = ("--clip", "wide", "--length", "600")


class Managed:
    """A stitcher beside a service manager that runs its jobs."""

    def __init__(self, at: Path) -> None:
        self.at = at
        self.heard: list[Told] = []
        self.stitcher = Stitcher(None, notice=self.heard.append, socket=at)

    async def __aenter__(self) -> Self:
        run = (sys.executable, "-m", "lapsed.stitch_job")
        self._manager = await asyncio.create_subprocess_exec(
            "systemd-socket-activate", "--accept", f"--listen={self.at}", *run, stderr=subprocess.DEVNULL
        )
        await until(self._listens)
        self.running = asyncio.create_task(self.stitcher.run())
        return self

    async def __aexit__(self, *_: object) -> None:
        self.running.cancel()
        await asyncio.gather(self.running, return_exceptions=True)
        self._manager.terminate()
        await self._manager.wait()

    def _listens(self) -> bool:
        # Its file is there before it waits for connections, which flags 00010000 tell (proc(5)).
        lines = Path("/proc/net/unix").read_text().splitlines()
        return any(line.endswith(f" {self.at}") and " 00010000 " in line for line in lines)

    async def job(self) -> psutil.Process:
        """The stitch, once it has begun."""
        await until(lambda: self.stitcher._job is not None)
        job = psutil.Process(self.stitcher._job.pid)
        assert job.ppid() != os.getpid()
        return job


async def test_a_stitch_by_the_service_manager_stands_still_for_a_print_and_goes_on_afterwards(tmp_path):
    take = folder_of_pictures(tmp_path / "take")
    async with Managed(tmp_path / "socket") as managed:
        managed.stitcher.enqueue(take, options=("--clip", "wide", "--size", "160x120", "--length", "2"))
        job = await managed.job()
        managed.stitcher.printing("bench", on=True)
        await until(lambda: job.status() == psutil.STATUS_STOPPED)
        managed.stitcher.printing("bench", on=False)
        await until(lambda: bool(managed.heard))
    assert [told.kind for told in managed.heard] == ["clip ready"]
    assert (take / "clips" / "wide.mp4").is_file()


async def test_a_print_that_begins_before_the_job_has_finds_it_standing_still(tmp_path, monkeypatch):
    take = folder_of_pictures(tmp_path / "take")
    async with Managed(tmp_path / "socket") as managed:
        connected = stitch_job._connected

        async def print_begins(at):
            managed.stitcher.printing("bench", on=True)
            return await connected(at)

        monkeypatch.setattr(stitch_job, "_connected", print_begins)
        managed.stitcher.enqueue(take, options=LONG)
        job = await managed.job()
        await until(lambda: job.status() == psutil.STATUS_STOPPED)


async def test_ending_the_daemon_in_mid_clip_ends_the_job_and_leaves_no_debris(tmp_path, monkeypatch):
    monkeypatch.setattr("lapsed.stitcher.END_WITHIN_S", 60.0)  # a busy machine clears up more slowly
    take = folder_of_pictures(tmp_path / "take")
    async with Managed(tmp_path / "socket") as managed:
        managed.stitcher.enqueue(take, options=LONG)
        await until((take / "clips" / ".wide.unfinished").is_dir)
        job = await managed.job()
        managed.stitcher.printing("bench", on=True)  # it is told to end while it stands still
        managed.running.cancel()
        await asyncio.gather(managed.running, return_exceptions=True)
        assert not job.is_running()
    assert [path.name for path in (take / "clips").glob(".*")] == []


async def test_a_job_whose_daemon_is_gone_is_ended_even_where_it_stands_still(tmp_path):
    take = folder_of_pictures(tmp_path / "take")
    async with Managed(tmp_path / "socket") as managed:
        with socket.socket(socket.AF_UNIX) as daemon:
            daemon.settimeout(60)
            await asyncio.to_thread(daemon.connect, str(managed.at))
            daemon.sendall(stitch_job.Request(take=take, options=LONG).model_dump_json().encode() + b"\n")
            answer = json.loads(await asyncio.to_thread(daemon.recv, 4096))
            job = psutil.Process(answer["pid"])
            await until((take / "clips" / ".wide.unfinished").is_dir)
            os.killpg(job.pid, signal.SIGSTOP)
        await until(lambda: not job.is_running())
    assert [path.name for path in (take / "clips").glob(".*")] == []  # not killed: it was let run again, and cleared up


@pytest.mark.parametrize("managed_by", ["the service manager", "the daemon"])
async def test_what_a_stitch_says_against_a_take_is_told_and_logged(tmp_path, capfd, managed_by):
    (tmp_path / "empty").mkdir()
    at = tmp_path / "socket"
    async with Managed(at) as managed:
        if managed_by == "the daemon":
            managed.stitcher._socket = tmp_path / "none"
        managed.stitcher.enqueue(tmp_path / "empty")
        await until(lambda: bool(managed.heard))
    said = f"no pictures in {tmp_path}/empty"
    assert managed.heard[0].text.startswith(f"stitching empty ended with status 2: {said}")
    if managed_by == "the daemon":
        assert said in capfd.readouterr().err


async def killed(job: psutil.Process) -> None:
    job.kill()


async def its_manager_killed(job: psutil.Process) -> None:
    keeper = job.parent()
    assert keeper is not None
    keeper.kill()
    # What systemd does next with what is left in the unit's group (systemd.kill(5)).
    await until(lambda: not keeper.is_running() or keeper.status() == psutil.STATUS_ZOMBIE)
    os.killpg(job.pid, signal.SIGKILL)


@pytest.mark.parametrize(
    ("dies", "told"),
    [
        (killed, "ended with status -9: it said no more; mend that and stitch again"),
        (its_manager_killed, "broke off without a word"),
    ],
)
async def test_a_job_that_dies_is_told_in_a_sentence(tmp_path: Path, dies: Callable, told: str):
    async with Managed(tmp_path / "socket") as managed:
        managed.stitcher.enqueue(folder_of_pictures(tmp_path / "take"), options=LONG)
        await dies(await managed.job())
        await until(lambda: bool(managed.heard))
        assert not managed.running.done()  # it waits for the next
    assert managed.heard[0].text.startswith(f"stitching take {told}")


@pytest.mark.parametrize("there", ["nothing", "a socket that nobody listens on", "another user's"])
async def test_without_a_service_manager_the_stitch_is_a_child_of_the_daemon(tmp_path, monkeypatch, there):
    at = tmp_path / "socket"
    with socket.socket(socket.AF_UNIX) as listening:
        if there != "nothing":
            listening.bind(str(at))
        if there == "another user's":
            listening.listen()
            monkeypatch.setattr(os, "geteuid", lambda: 12345)
        request = stitch_job.Request(take=tmp_path / "none")
        async with stitch_job.begun(request, at) as job:
            assert psutil.Process(job.pid).ppid() == os.getpid()
            os.killpg(job.pid, signal.SIGKILL)
            assert (await job.wait()).status == -signal.SIGKILL


@pytest.mark.parametrize(
    ("asked", "because"),
    [
        (b"", "^the request: invalid JSON"),
        (b"stitch it\n", "^the request: invalid JSON"),
        (b'{"take": "takes/one"}\n', "^take: takes/one means another place in another process"),
        (b'{"take": "/takes/one", "shell": "true"}\n', "^shell is not a key$"),
        (b'{"take": "/t", "options": ["--out", "/etc"]}\n', "^options: only --clip, .* can be asked for"),
        (b'{"take": "/t", "options": ["--clip", "--out=/etc"]}\n', "^options: only --clip, .* can be asked for"),
        (b'{"take": "/t", "options": ["--clip"]}\n', "each with a value"),
        (b'{"take": "/t", "config": "lapsed.toml"}\n', "begin it with /"),
        (b'{"take": "/' + b"t" * (1 << 17), "^the request: invalid JSON"),
    ],
)
def test_what_is_no_request_is_refused_in_a_sentence(monkeypatch, asked, because):
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("it was begun"))
    mine, its = socket.socketpair()
    with mine, its:
        mine.sendall(asked)
        mine.shutdown(socket.SHUT_WR)
        stitch_job.serve(its)
        answer = stitch_job.Answer.model_validate_json(mine.recv(4096))
    assert answer.refused is not None
    assert answer.pid is None
    assert re.search(because, answer.refused), answer.refused


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        (b'{"refused": "no room"}\n', "stitching take was refused: no room; mend that and stitch again"),
        (b'{"pid": 1}\n', "stitching take broke off without a word"),
        (b'{"pid": -1}\n', "stitching take broke off without a word"),
        (b"hello\n", "stitching take broke off without a word"),
        (b"", "stitching take broke off without a word"),
    ],
)
async def test_a_refusal_or_nonsense_from_the_service_manager_is_told_and_signals_nobody(
    tmp_path, monkeypatch, answers, told
):
    heard: list[Told] = []
    signals: list[tuple[int, ...]] = []
    stitcher = Stitcher(None, notice=heard.append, socket=tmp_path / "socket")
    monkeypatch.setattr(os, "killpg", lambda *words: signals.append(words))

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        stitcher.printing("bench", on=True)
        writer.write(answers)
        writer.close()

    async with await asyncio.start_unix_server(answer, tmp_path / "socket"):
        running = asyncio.create_task(stitcher.run())
        stitcher.enqueue(tmp_path / "take")
        await until(lambda: bool(heard))
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    assert heard[0].text.startswith(told)
    assert signals == []


async def test_a_service_manager_that_never_answers_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(stitch_job, "BEGUN_WITHIN_S", 0.05)
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "socket"))
        listening.listen()
        with pytest.raises(stitch_job.RetryError, match="was not begun within"):
            async with stitch_job.begun(stitch_job.Request(take=tmp_path), tmp_path / "socket"):
                pytest.fail("it was begun")


def test_all_that_the_page_can_ask_for_may_be_asked_for(tmp_path):
    asked: list[tuple[str, ...]] = []
    stitcher = Stitcher(None)
    stitcher.enqueue = lambda *_, options: asked.append(options)
    desk = Reception(Settings.model_construct(store=Store(folder=tmp_path)), {}, stitcher, Bell())
    wish = StitchWish(clips=("wide",), size="320x240", rate="25", length_s=4, codec="av1", keep=(1,), drop=(2, 3))
    desk.stitch(tmp_path, wish)
    assert set(stitch_job.Request(take=tmp_path, options=asked[0]).options[::2]) == set(stitch_job.OPTIONS)


def test_run_by_hand_it_says_what_to_run_instead():
    done = subprocess.run([sys.executable, "-m", "lapsed.stitch_job"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (2, "lapsed-stitch.socket runs this; by hand it is: lapsed stitch TAKE\n")
