"""Keeps the card of libgphoto2's virtual camera showing the simulated scene: `python -m lapsed.sim.stage`.

The virtual camera takes as its picture the first JPEG in its folder. Each time the head has been parked for a shot that
file is replaced by what there is to see, so the real library photographs the real moment of the simulated print.
"""

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from websockets.exceptions import WebSocketException
from websockets.sync.client import connect

from lapsed.errors import RetryError
from lapsed.sim.sight import Sight

FOLDER = "DCIM/100OTTER"
PICTURE = "OTTR0001.JPG"


def hang(card: Path, picture: bytes) -> None:
    """Put `picture` where the virtual camera of the card finds it, whole at any instant."""
    folder = card / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    draft = card / "draft"
    draft.write_bytes(picture)
    draft.replace(folder / PICTURE)


def parked(message: str | bytes) -> bool:
    """Whether the host's message holds the console line that ends the way to the park point."""
    try:
        told = json.loads(message)
        lines = told["params"]["console"]
    except (ValueError, KeyError, TypeError):
        return False
    return any("lapsed parked" in str(line) for line in lines)


def keep(url: str, card: Path, size_px: tuple[int, int]) -> None:
    """Show the scene on the card until the host goes away; says "ready" on stdout once the first picture hangs."""
    sight = Sight(url, size_px)
    sight.ensure_open()
    shots = 0
    hang(card, sight.draw(sight.look(), shots))
    with connect(url, compression=None, max_size=2**20) as host:
        host.send(json.dumps({"jsonrpc": "2.0", "method": "bench.watch", "id": 1}))
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        for message in host:
            if parked(message):
                shots += 1
                hang(card, sight.draw(sight.look(), shots))
    sight.close()


def main(argv: Sequence[str] | None = None) -> int:
    """Run as a process; 0 when the host has gone."""
    parser = argparse.ArgumentParser(prog="python -m lapsed.sim.stage", description=__doc__)
    parser.add_argument("url", help="ws:// address of the simulated host")
    parser.add_argument("card", type=Path, help="folder that stands for the camera's card")
    parser.add_argument("--size", type=int, nargs=2, default=(3000, 2000), metavar=("W", "H"))
    options = parser.parse_args(argv)
    try:
        keep(options.url, options.card, tuple(options.size))
    except (OSError, WebSocketException, RetryError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
