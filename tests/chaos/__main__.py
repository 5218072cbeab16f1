"""Chaos by hand: day after day, each by its seed, for as long as asked; the last line counts.

Run: .venv/bin/python -m tests.chaos --seconds 600 [--seed 1] [--faults 6] [--only kill,disk-slow]
With --line the days are those of the serial line: firmware, bridge and streaming host.
A day that breaks a promise ends it with exit code 1, and its seed and script are told.
"""

import argparse
import asyncio
import sys
import tempfile
import traceback
from itertools import count
from pathlib import Path

from lapsed import clock
from tests.chaos import serial_day
from tests.chaos.day import LAYERS, Counts, live
from tests.chaos.script import KINDS, RARE, script


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.chaos", description="Seeded faults, day after day.")
    parser.add_argument("--seconds", type=float, default=60.0, metavar="N", help="begin no day after so long")
    parser.add_argument("--seed", type=int, default=1, help="of the first day; each day has the next")
    parser.add_argument("--days", type=int, default=10**9, help="begin no more days than these")
    parser.add_argument("--faults", type=int, default=6, help="how many on a day")
    parser.add_argument(
        "--only", default="", help=f"kinds of faults, with commas between: {', '.join((*KINDS, *RARE))}"
    )
    parser.add_argument("--line", action="store_true", help="days on the serial line, with faults of their own")
    options = parser.parse_args()
    kinds = tuple(filter(None, options.only.split(",")))
    if not set(kinds) <= {*KINDS, *RARE}:
        parser.error(f"--only takes {', '.join((*KINDS, *RARE))}")
    counts, until = Counts(), clock.monotonic() + options.seconds
    for seed in count(options.seed):
        if clock.monotonic() > until or seed >= options.seed + options.days:
            break
        with tempfile.TemporaryDirectory(prefix="chaos-") as folder:
            try:
                if options.line:
                    asyncio.run(serial_day.live(Path(folder), seed, counts))
                else:
                    asyncio.run(live(Path(folder), script(seed, LAYERS, options.faults, kinds), counts))
            except AssertionError as error:
                sys.stderr.write(f"seed {seed}: {''.join(traceback.format_exception(error))}\n")
                return 1
    sys.stdout.write(f"seeds {options.seed} to {seed - 1}: {counts.line()}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
