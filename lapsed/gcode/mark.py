"""Writes park blocks and cue lines into a file, and takes them out again."""

import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from lapsed.errors import UserError
from lapsed.gcode import park
from lapsed.gcode.box import Box, distance, joined
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.layers import Layer
from lapsed.gcode.plan import dwell_s
from lapsed.gcode.reading import Reading
from lapsed.gcode.state import State, relative_extrusion
from lapsed.model import Block, Refusal
from lapsed.settings import Machine

BEGIN, END = b";lapsed begin", b";lapsed end"
_CUE = "M118 lapsed cue"
_GRID_MM = 5.0
_NOZZLE_MM = 5.0
LONGEST_LINE = 1 << 20


@dataclass(frozen=True, slots=True)
class Insertion:
    """Whole lines to be put in before byte `offset` of the original."""

    offset: int
    text: bytes


@dataclass(frozen=True, slots=True)
class Marking:
    """What marking comes to: the blocks, and the layers, from 0, that can't be parked at, with the reason."""

    insertions: tuple[Insertion, ...]
    refused: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Original:
    """What tells an original from any other file, and how its lines end."""

    size: int
    crc32: int
    newline: bytes


class Fingerprint:
    """Takes a file's bytes as they pass, for its `Original`; a file that is marked already is refused."""

    def __init__(self) -> None:
        self._size = self._crc = 0
        self._newline: bytes | None = None
        self._tail = b"\n"

    def see(self, chunk: bytes) -> bytes:
        """Note a piece, and give it back."""
        self._size += len(chunk)
        self._crc = zlib.crc32(chunk, self._crc)
        both = self._tail + chunk
        if b"\n" + BEGIN in both or b"\n" + END in both:
            raise UserError("this file is marked already; take the marks out first with --undo")
        if self._newline is None and (at := both.find(b"\n", 1)) > 0:
            self._newline = b"\r\n" if both[at - 1 : at] == b"\r" else b"\n"
        self._tail = both[-len(BEGIN) :]
        return chunk

    def original(self) -> Original:
        """What was seen."""
        return Original(self._size, self._crc, self._newline or b"\n")


def marking(
    reading: Reading,
    chosen: Sequence[int],
    machine: Machine,
    original: Original,
    *,
    exposure_s: float,
    dialect: Dialect,
) -> Marking:
    """The blocks for the chosen layers of a file; `reading` holds the states before their first lines."""
    insertions: list[Insertion] = []
    refused: list[tuple[int, str]] = []
    for i in chosen:
        layer = reading.layers[i]
        number = len(insertions) + 1
        made = cue_block(reading.states[layer.line], layer, machine, number, dialect=dialect, exposure_s=exposure_s)
        if isinstance(made, Refusal):
            refused.append((i, made.reason))
        else:
            insertions.append(Insertion(layer.offset, _lines((*made, ""), original.newline)))
    if insertions:
        insertions.insert(0, Insertion(0, _lines((*_header(len(insertions), machine, original), ""), original.newline)))
    return Marking(tuple(insertions), tuple(refused))


def cue_block(
    state: State, layer: Layer, machine: Machine, number: int, *, dialect: Dialect, exposure_s: float
) -> tuple[str, ...] | Refusal:
    """The lines that park, sound the cue, wait for the shutter and come back."""
    if not state.known >= frozenset("XYZ"):
        return Refusal("the file has not told by here where the head is; home at its start")
    motion = state.motion()
    named: tuple[str, ...] = ()
    if "E" not in state.known:
        if relative_extrusion(state, dialect):
            # Nothing in the file depends on E's name, so naming it changes nothing.
            named = (f"G92 E{park.number(state.position.e / (25.4 if state.inches else 1))}",)
        else:
            motion = replace(motion, retracted=True)
    made = park.block(motion, machine, layer.top_mm, number, echo=False, inches=state.inches, offset=state.offset)
    if not isinstance(made, Block):
        return made
    settle, dwell = round(machine.settle_s * 1000), round(dwell_s(exposure_s) * 1000)
    return (
        f"{BEGIN.decode()} {number}",
        *named,
        *made.leave,
        *((f"G4 P{settle}",) if settle else ()),
        f"{_CUE} {number}",
        f"G4 P{dwell}",
        *made.come_back,
        f"{END.decode()} {number}",
    )


def _header(shots: int, machine: Machine, original: Original) -> tuple[str, ...]:
    x, y = machine.park_point_mm
    retraction = machine.retraction
    return (
        f"{BEGIN.decode()} header",
        f"; lapsed has put {shots} park blocks into this file: the head moves to X{x:g} Y{y:g}, and back.",
        "; Check it before you print it: the first park is best watched with a hand on the switch.",
        f"; lift {machine.lift_mm:g} mm, clearance {machine.clearance_mm:g} mm, travel {machine.travel_mm_s:g} mm/s",
        f"; retraction {retraction.kind} {retraction.length_mm:g} mm, settle {machine.settle_s:g} s",
        f"; original: {original.size} bytes, CRC-32 {original.crc32:08x}; `lapsed mark --undo` gives it back",
        f"{END.decode()} header",
    )


def _lines(lines: Iterable[str], newline: bytes) -> bytes:
    return newline.join(line.encode() for line in lines)


def inserted(chunks: Iterable[bytes], insertions: Sequence[Insertion]) -> Iterator[bytes]:
    """The file with the insertions put in."""
    at = 0
    waiting = list(reversed(insertions))
    for chunk in chunks:
        start = 0
        while waiting and waiting[-1].offset < at + len(chunk):
            insertion = waiting.pop()
            yield chunk[start : insertion.offset - at]
            yield insertion.text
            start = insertion.offset - at
        yield chunk[start:]
        at += len(chunk)


def undone(chunks: Iterable[bytes]) -> Iterator[bytes]:
    """The original of a marked file, byte for byte.

    UserError if it is not marked or was changed since; that shows at the end, and what was given must not be used then.
    """
    claimed: tuple[int, int] | None = None
    size = crc = 0
    inside = False
    for line in _by_line(chunks):
        if not inside and line.startswith(BEGIN):
            inside = True
        elif inside and line.startswith(END):
            inside = False
        elif inside:
            claimed = claimed or _claim(line)
        else:
            size += len(line)
            crc = zlib.crc32(line, crc)
            yield line
    if claimed is None:
        raise UserError("this file is not marked, so there is nothing to take out")
    if inside or claimed != (size, crc):
        raise UserError("this file was changed after it was marked, so the original can't be given back")


def _claim(line: bytes) -> tuple[int, int] | None:
    words = line.split()
    if words[:2] != [b";", b"original:"] or len(words) < 6:
        return None
    try:
        return int(words[2]), int(words[5].rstrip(b";"), 16)
    except ValueError:
        return None


def _by_line(chunks: Iterable[bytes]) -> Iterator[bytes]:
    """Whole lines with their ends; one without end is cut at LONGEST_LINE."""
    rest = b""
    for chunk in chunks:
        lines = _split(rest + chunk)
        rest = b"" if not lines or lines[-1].endswith(b"\n") else lines.pop()
        yield from lines
        if len(rest) > LONGEST_LINE:
            yield rest
            rest = b""
    if rest:
        yield rest


def _split(text: bytes) -> list[bytes]:
    """Split after newlines only: a lone carriage return ends no line here."""
    parts = text.split(b"\n")
    return [part + b"\n" for part in parts[:-1]] + ([parts[-1]] if parts[-1] else [])


def free_point(boxes: Iterable[Box], machine: Machine) -> tuple[float, float] | None:
    """The spot on the bed nearest to what is printed that is clear of it and of the keep-out rectangles, mm.

    None where there is no such spot. Spots lie on a grid of 5 mm, and 5 mm away from everything.
    """
    around: Box | None = None
    for box in boxes:
        around = box if around is None else joined(around, box)
    bed = machine.bed
    if bed.shape == "circle":
        (cx, cy), r = bed.centre_mm, bed.radius_mm
        x_range, y_range = (cx - r, cx + r), (cy - r, cy + r)
    else:
        x_range, y_range = bed.x_mm, bed.y_mm
    if around is None:
        x, y = sum(x_range) / 2, sum(y_range) / 2
        around = x, y, x, y
    taken = [around, *machine.keep_out_mm]
    best: tuple[float, tuple[float, float]] | None = None
    for x in _grid(*x_range):
        for y in _grid(*y_range):
            if not bed.holds((x, y)) or any(distance((x, y), box) < _NOZZLE_MM for box in taken):
                continue
            found = distance((x, y), around), (x, y)
            best = found if best is None or found < best else best
    return best[1] if best is not None else None


def _grid(least: float, most: float) -> Iterator[float]:
    at = least
    while at <= most:
        yield at
        at += _GRID_MM
