"""Switching a camera's power, by the program that the configuration names."""

import asyncio
import os
import signal
from contextlib import suppress

from lapsed.errors import RetryError
from lapsed.settings import Power

_LONGEST = 16 * 1024  # of what is kept of a program's words


async def switch(power: Power) -> None:
    """Run the program to its end, within its time, and in a process group of its own that is ended with it.

    Raises RetryError with what went wrong.
    """
    name = power.argv[0]
    try:
        child = await asyncio.create_subprocess_exec(
            *power.argv,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            start_new_session=True,
        )
    except OSError as error:
        raise RetryError(f"{name} could not be started: {error.strerror}") from error
    assert child.stderr is not None  # noqa: S101 - asked for above
    told = b""
    try:
        async with asyncio.timeout(power.within_s):
            while data := await child.stderr.read(4096):
                told = (told + data)[-_LONGEST:]
            await child.wait()
    except TimeoutError as error:
        raise RetryError(f"{name} was ended after {power.within_s:g} s") from error
    finally:
        with suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGKILL)
        await child.wait()
    if child.returncode:
        last = next(
            (f": {line.strip()[:300]}" for line in told.decode(errors="replace").splitlines()[::-1] if line), ""
        )
        raise RetryError(f"{name} ended with code {child.returncode}{last}")
