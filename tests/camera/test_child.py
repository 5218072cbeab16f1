"""A worker's process: its end is news only where nobody asked for it."""

import asyncio
import logging
import os
import signal

import pytest

from lapsed.camera.child import Child


@pytest.mark.parametrize(
    ("end", "told"),
    [
        (Child.kill, []),
        (Child.close_input, []),
        (lambda child: os.kill(child.pid, signal.SIGKILL), ["camera main: worker {pid} ended by signal 9"]),
    ],
    ids=["killed for a deadline", "let go", "killed by someone else"],
)
async def test_only_an_end_that_nobody_asked_for_is_logged(end, told, tmp_path, caplog):
    ended: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    child = Child("main", tmp_path, lambda _line: None, ended.set_result)
    try:
        with caplog.at_level(logging.INFO, "lapsed"):
            end(child)
            await asyncio.wait_for(ended, 60)
    finally:
        child.close()
    assert caplog.messages == [text.format(pid=child.pid) for text in told]
