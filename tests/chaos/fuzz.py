"""Coverage-guided fuzzing of everything that reads what others wrote, with atheris, which is no dependency: by hand.

Run: .venv/bin/python -m tests.chaos.fuzz TARGET -runs=200000 (the rest goes to libFuzzer). A find ends it with a
traceback and a file; every find becomes a test.
"""

import contextlib
import json
import sys
import tempfile
from pathlib import Path

import atheris  # type: ignore[import-not-found]  # installed by hand

with atheris.instrument_imports(include=["lapsed"]):
    from lapsed import configuration, settings
    from lapsed.bridge import relay, replies, talk
    from lapsed.camera import landing, wire
    from lapsed.clip import exif
    from lapsed.errors import UserError
    from lapsed.gcode import reading
    from lapsed.gcode.line import parse
    from lapsed.host import fold
    from lapsed.take import frames

LINK = settings.FeedLink(url="ws://127.0.0.1:1/")
PLACE = Path(tempfile.mkdtemp(prefix="fuzz-"))


def feed(data: bytes) -> None:
    """Messages on lines, folded one after the other, with a new connection in the middle."""
    state = fold.HostState()
    for line in data.split(b"\n"):
        try:
            message = json.loads(line.decode())
        except (ValueError, RecursionError):
            state = fold.forget(state)
            continue
        state, _ = fold.fold(state, message, LINK)


def gcode(data: bytes) -> None:
    """A whole file, and its lines one by one."""
    reading.read([data[at : at + 97] for at in range(0, len(data), 97)])
    for line in data.decode("utf-8", "surrogateescape").split("\n"):
        parse(line)


def toml(data: bytes) -> None:
    try:
        configuration.parse(data.decode(errors="replace"), where="lapsed.toml")
    except UserError:
        return


def pictures(data: bytes) -> None:
    """The readers of Exif and of JPEG's markers."""
    exif.read(data)
    exif.read(b"\xff\xd8\xff\xe1\xff\xffExif\0\0" + data)
    part = PLACE / "000001.jpg.part"
    part.write_bytes(data)
    landing.flaw(part)
    whole = PLACE / "000001.jpg"
    whole.write_bytes(data)
    frames.is_whole(whole)


def bridge(data: bytes) -> None:
    """Both directions of the line and the daemon's words, cut by the data itself."""
    ours = relay.Relay(relay.Ways())
    ours.attach(0.0)
    now = 0.0
    for piece in data.split(b"\xff"):
        now += 0.01
        replies.read(piece[1:])
        match piece[:1]:
            case b"h":
                ours.host(piece[1:], now)
            case b"p":
                ours.printer(piece[1:], now)
            case _:
                with contextlib.suppress(ValueError):
                    ours.told(talk.told(piece), now)
        ours.tick(now)


def pipe(data: bytes) -> None:
    """What a worker says."""
    lines = wire.Lines()
    for at in range(0, len(data), 7):
        for line in lines.feed(data[at : at + 7]):
            wire.unpack(line)


SEEDS = {
    "feed": [json.dumps({"params": {"job": {"stage": "running", "layer": 3, "file": "a", "done": 0.5}}}).encode()],
    "gcode": [
        b"G28\nG90\nM83\nG1 X10 Y10 E1 F1200\nG2 X5 I3 J2 E1\n;layer 2\nG1 Z0.4\nG92 E0\nM117 G1\n(a) N3 T0*57\n"
    ],
    "toml": [Path("configs/lapsed.toml").read_bytes()],
    "pictures": [b"II*\0\x08\0\0\0\x02\0\x32\x01\x02\0\x14\0\0\0\x20\0\0\0", b"\xff\xd8\xff\xda\0\x02s\xff\xd9"],
    "bridge": [
        (
            b'{"say":"hello"}\xffhN1 G1 X1 E1*99\nG1 Z0.4\n\xffpok\nok P15 B3\nResend: 4\necho:busy: processing\n'
            b'\xff{"say":"hold","shot":1,"limit_s":4}\xffhG1 X3 Y3 E4\n\xffpX:1 Y:2 Z:3 E:4\nok\n'
        )
    ],
    "pipe": [b'["Landed", {"shot": 1, "camera": "main", "at_s": 1.5, "files": ["a.jpg"], "size_bytes": 5}]\n'],
}

TARGETS = {one.__name__: one for one in (feed, gcode, toml, pictures, bridge, pipe)}

if __name__ == "__main__":
    name = sys.argv.pop(1)
    corpus = PLACE / "corpus"
    corpus.mkdir()
    for at, seed in enumerate(SEEDS[name]):
        (corpus / str(at)).write_bytes(seed)
    sys.argv.append(str(corpus))
    atheris.Setup(sys.argv, TARGETS[name])
    atheris.Fuzz()
