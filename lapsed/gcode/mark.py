"""Writes park blocks and cue lines into a file, and takes them out again."""

import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from lapsed.errors import UserError
from lapsed.gcode import cue
from lapsed.gcode.cue import Dwell, cue_block
from lapsed.gcode.dialect import Dialect
from lapsed.gcode.hull import Hull, Spot, hull_of, margin, rectangle
from lapsed.gcode.plan import Stop
from lapsed.gcode.reading import Reading
from lapsed.gcode.way import holds
from lapsed.model import Refusal
from lapsed.settings import Machine

_BEGIN, _END = cue.BEGIN.encode(), cue.END.encode()
_GRID_MM = 5.0
NOZZLE_MM = 5.0
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
        if b"\n" + _BEGIN in both or b"\n" + _END in both:
            raise UserError("this file is marked already; take the marks out first with --undo")
        if self._newline is None and (at := both.find(b"\n", 1)) > 0:
            self._newline = b"\r\n" if both[at - 1 : at] == b"\r" else b"\n"
        self._tail = both[-len(_BEGIN) :]
        return chunk

    def original(self) -> Original:
        """What was seen."""
        return Original(self._size, self._crc, self._newline or b"\n")


def marking(
    reading: Reading, stops: Sequence[Stop], machine: Machine, original: Original, *, dwell: Dwell, dialect: Dialect
) -> Marking:
    """The blocks for the chosen stops of a file; `reading` holds the states before their lines."""
    insertions: list[Insertion] = []
    refused: list[tuple[int, str]] = []
    for stop in stops:
        place = stop.place
        assert place is not None  # noqa: S101 - a file's stops have places
        number = len(insertions) + 1
        state = reading.states[place.line]
        made = cue_block(state, stop.top_mm, machine, number, dialect=dialect, dwell=dwell, parts=stop.parts)
        if isinstance(made, Refusal):
            refused.append((stop.layer, made.reason))
        elif place.offset > original.size:
            refused.append((stop.layer, "the file ends without a line end, so nothing can stand after its last line"))
        else:
            insertions.append(Insertion(place.offset, _lines((*made, ""), original.newline)))
    if insertions:
        header = _header(len(insertions), machine, original, dwell)
        insertions.insert(0, Insertion(0, _lines((*header, ""), original.newline)))
    return Marking(tuple(insertions), tuple(refused))


def _header(shots: int, machine: Machine, original: Original, dwell: Dwell) -> tuple[str, ...]:
    x, y = machine.park_point_mm
    retraction = machine.retraction
    return (
        f"{cue.BEGIN} header",
        f"; lapsed has put {shots} park blocks into this file: the head moves to X{x:g} Y{y:g}, and back.",
        "; Check it before you print it: the first park is best watched with a hand on the switch.",
        "; Keep hands, cables and the camera out of its way, the park point included.",
        f"; lift {machine.lift_mm:g} mm, clearance {machine.clearance_mm:g} mm, travel {machine.travel_mm_s:g} mm/s",
        f"; retraction {retraction.kind} {retraction.length_mm:g} mm, detour {machine.detour_s:g} s at most",
        f"; settle {machine.settle_s:g} s",
        f"; dwell {dwell}",
        f"; original: {original.size} bytes, CRC-32 {original.crc32:08x}; `lapsed mark --undo` gives it back",
        f"{cue.END} header",
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
    yield from (insertion.text for insertion in reversed(waiting))


def undone(chunks: Iterable[bytes]) -> Iterator[bytes]:
    """The original of a marked file, byte for byte.

    UserError if it is not marked or was changed since; that shows at the end, and what was given must not be used then.
    """
    claimed: tuple[int, int] | None = None
    size = crc = 0
    inside = False
    for line in _by_line(chunks):
        if not inside and line.startswith(_BEGIN):
            inside = True
        elif inside and line.startswith(_END):
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


def free_point(parts: Sequence[Hull], machine: Machine, height_mm: float = 0.0) -> Spot | None:
    """The spot in reach at a height that is nearest to what is printed and clear of it and of the keep-outs, mm.

    `parts` are the outlines of all that is printed. None where there is no such spot. Spots lie on a grid of 5 mm, and
    5 mm away from everything.
    """
    bed = machine.bed
    if bed.shape == "circle":
        (cx, cy), r = bed.centre_mm, bed.radius_mm
        x_range, y_range = (cx - r, cx + r), (cy - r, cy + r)
    else:
        x_range, y_range = bed.x_mm, bed.y_mm
    taken = [*parts, *(rectangle(*each) for each in machine.keep_out_mm)]
    around = parts or [hull_of([(sum(x_range) / 2, sum(y_range) / 2)])]
    best: tuple[float, Spot] | None = None
    for spot in product(_grid(*x_range), _grid(*y_range)):
        if any(margin(spot, hull) < NOZZLE_MM for hull in taken) or not holds(machine, spot, height_mm):
            continue
        found = min(margin(spot, hull) for hull in around), spot
        best = found if best is None or found < best else best
    return best[1] if best is not None else None


def _grid(least: float, most: float) -> list[float]:
    return [least + _GRID_MM * i for i in range(int((most - least) // _GRID_MM) + 1)]
