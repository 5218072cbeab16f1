"""Forks real daemons quickly, to be killed at any instant: a process that has imported all that a daemon needs.

Reads lines of JSON, each a configuration with `home`, `config`; answers each with the process id of a daemon that has
it, and with "gone PID STATUS" once that one has ended. A daemon looks into its home for two doubles: `wall_s`, the
seconds by which its wall clock is wrong, and `commit_s`, the seconds that each commit takes.
"""

import asyncio
import json
import logging
import os
import resource
import signal
import sys
import tempfile
import threading
import time
import traceback
from datetime import UTC, datetime, timedelta
from pathlib import Path

from lapsed import app, clock, configuration, service
from lapsed.__main__ import BAD_INPUT, IN_PART
from lapsed.errors import LapsedError, UserError
from lapsed.take.journal import Journal

KINDS = {"gphoto": "tests.chaos.camera:open_camera"}


def _figure(path: Path) -> float:
    try:
        return float(path.read_text())
    except (OSError, ValueError):
        return 0.0


def _double(home: Path) -> None:
    """Have this process read a wall clock that can be set, and commit to a disk that can be slow."""
    clock.utc_now = lambda: datetime.now(UTC) + timedelta(seconds=_figure(home / "wall_s"))
    commit = Journal._commit

    def slow(journal: Journal, entries: object) -> object:
        time.sleep(_figure(home / "commit_s"))
        return commit(journal, entries)

    Journal._commit = slow
    if (home / "refused").exists():
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))


def live(home: Path, config: Path) -> None:
    """Be a daemon until told to end."""
    os.environ["CHAOS_HOME"] = str(home)
    tempfile.tempdir = str(home / "tmp")
    _double(home)
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(process)d %(levelname)s %(message)s")
    app.CAMERA_KINDS.update(KINDS)
    asyncio.run(service.serve(configuration.load(config), config))


def _child(order: dict[str, str]) -> None:
    code = 70
    try:
        live(Path(order["home"]), Path(order["config"]))
        code = 0
    except LapsedError as error:
        sys.stderr.write(f"{os.getpid()} lapsed: {error}\n")
        code = BAD_INPUT if isinstance(error, UserError) else IN_PART
    except BaseException:  # noqa: BLE001 - the edge of the process
        traceback.print_exc()
    finally:
        # Without this, a child that failed would go on as a second forker.
        os._exit(code)


def _reap(pid: int) -> None:
    _, status = os.waitpid(pid, 0)
    _say(f"gone {pid} {os.waitstatus_to_exitcode(status)}")


def _say(text: str) -> None:
    os.write(1, f"{text}\n".encode())


def main() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            _child(order)
        _say(f"began {child}")
        threading.Thread(target=_reap, args=(child,)).start()


if __name__ == "__main__":
    main()
