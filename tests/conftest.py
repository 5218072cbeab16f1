"""What every test is held to: it leaves no task, thread, process or file descriptor behind."""

import asyncio
import gc
import inspect
import os
import threading
import time
from collections.abc import Iterator

import psutil
import pytest
import pytest_asyncio

PATIENCE_S = 2.0
"""How long threads, processes and descriptors that are on their way out may take to be gone."""


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


def _left(threads: set[threading.Thread], children: set[int], files: set[tuple[str, str]]) -> list[str]:
    # The loop's own pool, asyncio_0 and so on, ends with the loop, which pytest-asyncio closes after this.
    new = [thread for thread in threading.enumerate() if thread not in threads]
    left = [f"thread {thread.name}" for thread in new if not thread.name.startswith("asyncio_")]
    left += [
        f"process {child.pid}"
        for child in psutil.Process().children()
        if child.pid not in children and child.is_running() and child.status() != psutil.STATUS_ZOMBIE
    ]
    left += [f"descriptor {handle} of {target}" for handle, target in _open_files() - files]
    return left


@pytest.fixture(autouse=True)
def nothing_leaks(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fails a test that leaves a task, thread, process or file descriptor behind."""
    if inspect.iscoroutinefunction(getattr(request, "function", None)):
        request.getfixturevalue("tasks_end")
    threads, files = set(threading.enumerate()), _open_files()
    children = {child.pid for child in psutil.Process().children()}
    yield
    until = time.monotonic() + PATIENCE_S
    while left := _left(threads, children, files):
        gc.collect()
        if time.monotonic() > until:
            pytest.fail("left behind: " + ", ".join(left))
        time.sleep(0.01)
