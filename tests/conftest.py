"""What every test is held to: it leaves no task, thread, process or file descriptor behind."""

import asyncio
import contextlib
import gc
import inspect
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
import pytest_asyncio

PATIENCE_S = 20.0
"""How long threads, processes and descriptors that are on their way out may take to be gone."""

BEGAN = time.monotonic()


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Say at once what fails, and how busy the machine is: a run may be ended before its summary."""
    terminal = _terminal.get("terminal")
    if terminal is None or not report.failed:
        return
    crash = getattr(report.longrepr, "reprcrash", None)
    why = (crash.message if crash is not None else str(report.longrepr)).strip().splitlines() or [""]
    free_mb = psutil.virtual_memory().available >> 20
    machine = f"load {os.getloadavg()[0]:.1f}, stolen {psutil.cpu_times().steal:.0f} s, {free_mb} MiB free"
    terminal.write_line("")
    terminal.write_line(f"failed in {report.when} after {report.duration:.0f} s: {report.nodeid}: {why[0][:300]}")
    terminal.write_line(f"(at {time.monotonic() - BEGAN:.0f} s, {machine})")


_terminal: dict[str, pytest.TerminalReporter] = {}


def pytest_sessionstart(session: pytest.Session) -> None:
    """Find where to say it: the controller alone has a terminal when several workers run."""
    if not hasattr(session.config, "workerinput"):
        _terminal["terminal"] = session.config.pluginmanager.getplugin("terminalreporter")


@pytest_asyncio.fixture
async def tasks_end():
    """Fails an async test that leaves a task running on its loop."""
    yield
    mine = asyncio.current_task()
    await asyncio.sleep(0)
    left = [task for task in asyncio.all_tasks() if task is not mine and not task.done()]
    for task in left:
        task.cancel()
    assert not left, f"tasks left running: {left}"


def _open_files() -> set[tuple[str, str]]:
    found = set()
    for handle in os.listdir("/proc/self/fd"):  # noqa: PTH208 - listing this directory opens one more, gone again after
        try:
            found.add((handle, os.readlink(f"/proc/self/fd/{handle}")))  # noqa: PTH115 - the target is no path
        except OSError:
            continue
    return found


def _processes() -> set[int]:
    return {int(name) for name in os.listdir("/proc") if name.isdecimal()}  # noqa: PTH208 - names alone are wanted


def _started_here(name: str, before: set[int]) -> list[psutil.Process]:
    """The living processes that the test started, orphans too: the name that pytest puts there is handed down."""
    mark = f"PYTEST_CURRENT_TEST={name} (".encode()
    found = [child for child in psutil.Process().children() if child.pid not in before]
    for pid in _processes() - before - {child.pid for child in found}:
        try:
            if mark in Path(f"/proc/{pid}/environ").read_bytes():
                found.append(psutil.Process(pid))
        except (OSError, psutil.NoSuchProcess):
            continue
    return [process for process in found if process.is_running() and process.status() != psutil.STATUS_ZOMBIE]


def _left(threads: set[threading.Thread], started: list[psutil.Process], files: set[tuple[str, str]]) -> list[str]:
    # The loop's own pool, asyncio_0 and so on, ends with the loop, which pytest-asyncio closes after this.
    new = [thread for thread in threading.enumerate() if thread not in threads]
    left = [f"thread {thread.name}" for thread in new if not thread.name.startswith("asyncio_")]
    left += [f"process {process.pid}" for process in started]
    left += [f"descriptor {handle} of {target}" for handle, target in _open_files() - files]
    return left


@pytest.fixture(autouse=True)
def nothing_leaks(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fails a test that leaves a task, thread, process or file descriptor behind, and ends such processes."""
    if inspect.iscoroutinefunction(getattr(request, "function", None)):
        request.getfixturevalue("tasks_end")
    threads, files, processes = set(threading.enumerate()), _open_files(), _processes()
    yield
    until = time.monotonic() + PATIENCE_S
    while left := _left(threads, started := _started_here(request.node.nodeid, processes), files):
        gc.collect()
        if time.monotonic() > until:
            for process in started:
                with contextlib.suppress(psutil.NoSuchProcess):
                    process.kill()  # one that spins would slow down every test after this
            pytest.fail("left behind: " + ", ".join(left))
        time.sleep(0.01)
