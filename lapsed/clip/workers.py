"""Several processes that encode a segment each, for machines with more cores than one encoder fills."""

import contextlib
import json
import os
import selectors
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any

from lapsed.clip.cut import Segment
from lapsed.clip.editlist import EditList, to_json
from lapsed.clip.parts import Parts
from lapsed.clip.rendering import Broken
from lapsed.errors import UserError

_END_WITHIN_S = 2.0


def encode(
    edit: EditList,
    folder: Path,
    parts: Parts,
    segments: Sequence[Segment],
    *,
    told: Callable[[int], None],
    processes: int,
) -> None:
    """Encode `segments` in up to `processes` children at a time; `told` gets the sum of what they have done.

    Each child is given up with this process, and this one ends them whatever goes wrong. Raises UserError.
    """
    waiting = list(segments)
    text = to_json(edit)
    done = 0
    of_segment: Counter[int] = Counter()
    with selectors.DefaultSelector() as selector, contextlib.ExitStack() as ending:
        running = 0
        while waiting or running:
            while waiting and running < processes:
                segment = waiting.pop(0)
                child = _start(text, folder, segment, parts.draft(segment), processes)
                ending.callback(_end, child)
                assert child.stdout is not None  # noqa: S101 - for mypy: it is a pipe
                selector.register(child.stdout, selectors.EVENT_READ, (child, segment))
                running += 1
            for key, _ in selector.select():
                child, segment = key.data
                word, value = _hear(child, segment)
                if word == "done":
                    done += value - of_segment[segment.number]
                    of_segment[segment.number] = value
                    told(done)
                elif word == "end":
                    parts.keep(segment, [Broken(frame, reason) for frame, reason in value])
                    selector.unregister(key.fileobj)
                    _end(child)
                    running -= 1


def _start(edit: str, folder: Path, segment: Segment, out: Path, processes: int) -> "subprocess.Popen[str]":
    order = {
        "edit": edit,
        "folder": str(folder),
        "segment": [segment.number, segment.start, segment.stop, segment.frames],
        "out": str(out),
        "processes": processes,
        "parent": os.getpid(),
    }
    child = subprocess.Popen(
        [sys.executable, "-m", "lapsed.clip.worker"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        bufsize=1,
    )
    assert child.stdin is not None  # noqa: S101 - for mypy: it is a pipe
    with contextlib.suppress(BrokenPipeError):  # that it has ended is heard from its other pipe
        child.stdin.write(json.dumps(order))
        child.stdin.close()
    return child


def _hear(child: "subprocess.Popen[str]", segment: Segment) -> tuple[str, Any]:
    stream: IO[str] | None = child.stdout
    line = stream.readline() if stream else ""
    if not line:
        status = child.wait()
        raise UserError(
            f"the process that encoded segment {segment.number + 1} ended by itself ({status}); "
            "with fewer --workers each has more memory"
        )
    word, value = json.loads(line)
    if word == "error":
        raise UserError(value)
    return word, value


def _end(child: "subprocess.Popen[str]") -> None:
    if child.stdout is not None:
        child.stdout.close()
    child.terminate()
    try:
        child.wait(_END_WITHIN_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
