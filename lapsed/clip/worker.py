"""One process that encodes one segment: it takes an order on its standard input and tells on its standard output."""

import ctypes
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

from av.error import FFmpegError

from lapsed.clip.cut import Segment
from lapsed.clip.delivery import Means, cores, encode_segment
from lapsed.clip.editlist import from_json
from lapsed.clip.partial import said
from lapsed.errors import UserError

_PARENT_DEATH = 1  # PR_SET_PDEATHSIG, prctl(2)


def main() -> None:
    """Encode as ordered."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the parent too, which ends this process
    ctypes.CDLL(None).prctl(_PARENT_DEATH, signal.SIGKILL)
    order = json.load(sys.stdin)
    if os.getppid() != order["parent"]:  # it died before the kernel was asked to tell of it
        sys.exit(1)
    edit, out = from_json(order["edit"]), Path(order["out"])
    means = Means(cores(), order["processes"])
    try:
        broken = encode_segment(
            edit,
            Path(order["folder"]),
            Segment(*order["segment"]),
            out=out,
            told=lambda done: _tell("done", done),
            means=means,
        )
    except UserError as error:
        _tell("error", str(error))
    except (FFmpegError, OSError) as error:
        _tell("error", f"cannot encode {out}: {said(error.errno, error.strerror)}")
    else:
        _tell("end", [[bad.frame, bad.reason] for bad in broken])


def _tell(word: str, value: Any) -> None:
    print(json.dumps([word, value]), flush=True)  # noqa: T201 - the pipe to the parent


if __name__ == "__main__":
    main()
