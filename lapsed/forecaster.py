"""Has the printed file read at print start, by a child at idle priority, and tells what it says."""

import asyncio
import contextlib
import json
import os
import signal
import sys
from collections.abc import Callable

from pydantic import TypeAdapter, ValidationError

from lapsed.errors import RetryError
from lapsed.model import Forecast
from lapsed.settings import Files, Machine, Printer

CHILD = "lapsed.printed_file"
"""Run by name and never imported here: reading loads NumPy, which the daemon does without."""

_FORECAST = TypeAdapter(Forecast)

Told = Callable[[str, Forecast | None, str], None]


class Forecaster:
    """Reads the file of one print at a time; `told` hears of it once: name, forecast or None, and the reason for None.

    Without a place to look for files, or where the cadence has no use for them, nothing is read and nothing told.
    """

    def __init__(self, printer: Printer, told: Told) -> None:
        self._files, self._machine = printer.files, printer.machine
        self._reads = reads(printer)
        self._told = told
        self._name = ""
        self._task: asyncio.Task[None] | None = None

    def begin(self, name: str) -> None:
        """Read the file that the host calls `name`, unless that is what was read last."""
        if not self._reads or not name or name == self._name:
            return
        self.end()
        self._name = name
        self._task = asyncio.get_running_loop().create_task(self._read(name), name=f"reading {name}")

    def end(self) -> None:
        """The print is over: what is still being read is of no use any more."""
        self._name = ""
        if self._task is not None:
            self._task.cancel()

    async def leave(self) -> None:
        """End for good; on return the child is gone."""
        self.end()
        if self._task is not None:
            await asyncio.gather(self._task, return_exceptions=True)

    async def _read(self, name: str) -> None:
        assert self._files is not None  # noqa: S101 - begin() has looked
        self._told(name, *await read(name, self._files, self._machine))


async def read(name: str, files: Files, machine: Machine) -> tuple[Forecast | None, str]:
    """What the file that the host calls `name` tells, wherever `files` says that it is; else None, and why."""
    try:
        async with asyncio.timeout(files.within_s):
            answer = json.loads(await _ask(name, files, machine))
    except TimeoutError:
        return None, f"reading it takes longer than the {files.within_s:g} s of files.within_s"
    except RetryError as error:
        return None, str(error)
    except OSError as error:
        return None, f"no process could be started to read it: {error.strerror}"
    return kept(answer.get("forecast")), str(answer.get("refused", ""))


async def _ask(name: str, files: Files, machine: Machine) -> bytes:
    request = {"name": name, "files": files.model_dump(mode="json"), "machine": machine.model_dump(mode="json")}
    pipe = asyncio.subprocess.PIPE
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", CHILD, stdin=pipe, stdout=pipe, start_new_session=True
    )
    try:
        answer, _ = await child.communicate(json.dumps(request).encode())
    finally:
        if child.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child.pid, signal.SIGKILL)
            await child.wait()
    if child.returncode:
        raise RetryError(f"reading it ended with status {child.returncode}; try it with lapsed plan")
    return answer


def reads(printer: Printer) -> bool:
    """Whether the file of each print is looked for: only a wished length has a use for it."""
    return printer.files is not None and printer.cadence.length_s is not None


def kept(raw: object) -> Forecast | None:
    """A forecast as it came through JSON, from the child or from a take's journal; None for anything else."""
    try:
        forecast = _FORECAST.validate_json(json.dumps(raw))
    except (ValidationError, ValueError):
        return None
    count = len(forecast.begins_s)
    same = {len(forecast.heights_mm), len(forecast.climbed_mm)} == {count}
    return forecast if count and same else None
