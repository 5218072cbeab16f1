"""The header of a QuickTime movie with a track of whole pictures and one of timecode, as bytes; pure.

QuickTime File Format Specification, "Movie Atoms"; the same boxes stand in ISO/IEC 14496-12. The picture data follows
the header, so a player needs to read nothing first to start. A picture that is shown several times stands in the file
once: the sample table points to it as often as it is shown, and the frame rate stays constant.
"""

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import accumulate

from lapsed.clip.orient import display_matrix
from lapsed.clip.timecode import Counting, counting

# ITU-T H.273 code points for what JPEG is: the matrix by JFIF (ITU-T T.871, clause 7), primaries and transfer by sRGB.
_PRIMARIES, _TRANSFER, _MATRIX = 1, 13, 6
_FIXED_1, _FIXED_1_SMALL = 0x10000, 0x40000000  # 1.0 as 16.16 and as 2.30


@dataclass(frozen=True, slots=True)
class Track:
    """Pictures of `sizes` bytes each, in file order; `shows` says how often each is shown, one after another.

    `size` is the stored picture's, `orientation` the Exif value that turns it upright; `words` are texts by their
    four-character codes.
    """

    size: tuple[int, int]
    orientation: int
    rate: Fraction
    sizes: Sequence[int]
    shows: Sequence[int]
    words: Mapping[bytes, str] = field(default_factory=dict)

    @property
    def frames(self) -> int:
        """How many output frames there are."""
        return sum(self.shows)


def head(track: Track) -> bytes:
    """Everything that stands before the first picture's first byte, with the timecode of the first frame at its end."""
    kind = _box(b"ftyp", b"qt  ", struct.pack(">I", 0x200), b"qt  ")
    label = struct.pack(">I", 0) if counting(track.rate) else b""
    data = len(label) + sum(track.sizes)
    # A 64-bit length, as 25-megapixel frames pass 4 GB after some 500 shots.
    opening = struct.pack(">I4sQ", 1, b"mdat", 16 + data)
    # The header's length doesn't depend on the offsets in it, so it is built once to be measured.
    start = len(kind) + len(_movie(track, 0)) + len(opening)
    return kind + _movie(track, start) + opening + label


def _box(name: bytes, *parts: bytes) -> bytes:
    body = b"".join(parts)
    return struct.pack(">I4s", 8 + len(body), name) + body


def _timing(rate: Fraction) -> tuple[int, int]:
    """Ticks a second and ticks a frame; scaled up since some readers round edits to these ticks."""
    scale = 1
    while rate.numerator * scale < 10_000:
        scale *= 2
    return rate.numerator * scale, rate.denominator * scale


def _movie(track: Track, start: int) -> bytes:
    ticks, step = _timing(track.rate)
    length = track.frames * step
    plain = struct.pack(">9I", _FIXED_1, 0, 0, 0, _FIXED_1, 0, 0, 0, _FIXED_1_SMALL)
    header = _box(
        b"mvhd",
        struct.pack(">5I", 0, 0, 0, ticks, length),
        struct.pack(">IH10x", _FIXED_1, 0x100),
        plain,
        struct.pack(">6I", 0, 0, 0, 0, 0, 0),
        struct.pack(">I", 2),
    )
    count = counting(track.rate)
    if count is None:
        return _box(b"moov", header, _box(b"trak", _track_header(track, length), _media(track, start)), _words(track))
    pictures = _box(
        b"trak",
        _track_header(track, length),
        _box(b"tref", _box(b"tmcd", struct.pack(">I", 2))),
        _media(track, start + 4),
    )
    return _box(b"moov", header, pictures, _timecode(track, count, start), _words(track))


def _words(track: Track) -> bytes:
    """User data: texts of the language that is not said (code 0x7FFF)."""
    texts = ((code, text.encode()) for code, text in track.words.items())
    return _box(b"udta", *(_box(code, struct.pack(">HH", len(text), 0x7FFF), text) for code, text in texts))


def _timecode(track: Track, count: Counting, start: int) -> bytes:
    """A track of one sample, the number of the first frame (QuickTime File Format, "Timecode Media")."""
    ticks, step = _timing(track.rate)
    length = track.frames * step
    plain = struct.pack(">9i", _FIXED_1, 0, 0, 0, _FIXED_1, 0, 0, 0, _FIXED_1_SMALL)
    header = _box(b"tkhd", struct.pack(">6I", 0x2, 0, 0, 2, 0, length), bytes(16), plain, bytes(8))
    flags = (1 if count.dropped else 0) | 2  # drop-frame; starts again after 24 hours
    description = _box(b"tmcd", struct.pack(">6xH4xIIIBx", 1, flags, ticks, step, min(count.base, 255)))
    look = _box(b"tcmi", struct.pack(">IHHHH6H", 0, 0, 0, 12, 0, 0, 0, 0, 65535, 65535, 65535), b"\x07Courier")
    general = _box(
        b"gmhd", _box(b"gmin", struct.pack(">I6H", 0, 0x40, 0x8000, 0x8000, 0x8000, 0, 0)), _box(b"tmcd", look)
    )
    samples = _box(
        b"stbl",
        _box(b"stsd", struct.pack(">II", 0, 1), description),
        _box(b"stts", struct.pack(">4I", 0, 1, 1, length)),
        _box(b"stsc", struct.pack(">5I", 0, 1, 1, 1, 1)),
        _box(b"stsz", struct.pack(">3I", 0, 4, 1)),
        _box(b"co64", struct.pack(">2IQ", 0, 1, start)),
    )
    media = _box(
        b"mdia",
        _box(b"mdhd", struct.pack(">5IHH", 0, 0, 0, ticks, length, 0x7FFF, 0)),
        _box(b"hdlr", struct.pack(">I4s4s12x", 0, b"mhlr", b"tmcd"), b"\x08timecode"),
        _box(b"minf", general, *_here(), samples),
    )
    return _box(b"trak", header, media)


def _here() -> tuple[bytes, bytes]:
    """That the samples are in this very file."""
    handler = _box(b"hdlr", struct.pack(">I4s4s12x", 0, b"dhlr", b"url "), b"\x04data")
    return handler, _box(b"dinf", _box(b"dref", struct.pack(">II", 0, 1), _box(b"url ", struct.pack(">I", 1))))


def _track_header(track: Track, length: int) -> bytes:
    a, b, c, d, tx, ty = (value * _FIXED_1 for value in display_matrix(track.size, track.orientation))
    matrix = struct.pack(">9i", a, b, 0, c, d, 0, tx, ty, _FIXED_1_SMALL)
    width, height = track.size
    return _box(
        b"tkhd",
        struct.pack(">6I", 0x7, 0, 0, 1, 0, length),  # flags: enabled, in the movie, in the preview
        struct.pack(">8x4H", 0, 0, 0, 0),
        matrix,
        struct.pack(">II", width << 16, height << 16),
    )


def _media(track: Track, start: int) -> bytes:
    ticks, step = _timing(track.rate)
    header = _box(b"mdhd", struct.pack(">5IHH", 0, 0, 0, ticks, track.frames * step, 0x7FFF, 0))
    handler = _box(b"hdlr", struct.pack(">I4s4s12x", 0, b"mhlr", b"vide"), b"\x05video")
    graphics = _box(b"vmhd", struct.pack(">I4H", 1, 0x40, 0x8000, 0x8000, 0x8000))
    info = _box(b"minf", graphics, *_here(), _samples(track, start, step))
    return _box(b"mdia", header, handler, info)


def _samples(track: Track, start: int, step: int) -> bytes:
    starts = list(accumulate(track.sizes, initial=start))
    order = [index for index, times in enumerate(track.shows) for _ in range(times)]
    count = len(order)
    return _box(
        b"stbl",
        _box(b"stsd", struct.pack(">II", 0, 1), _description(track)),
        _box(b"stts", struct.pack(">4I", 0, 1, count, step)),
        _box(b"stsc", struct.pack(">5I", 0, 1, 1, 1, 1)),
        _box(b"stsz", struct.pack(f">3I{count}I", 0, 0, count, *(track.sizes[index] for index in order))),
        _box(b"co64", struct.pack(f">2I{count}Q", 0, count, *(starts[index] for index in order))),
    )


def _description(track: Track) -> bytes:
    width, height = track.size
    name = b"Photo - JPEG"
    return _box(
        b"jpeg",
        struct.pack(">6xHHHIIIHH", 1, 0, 0, 0, 0, 512, width, height),
        struct.pack(">IIIH", 72 << 16, 72 << 16, 0, 1),
        struct.pack(">B31s", len(name), name),
        struct.pack(">Hh", 24, -1),
        _box(b"colr", b"nclc", struct.pack(">HHH", _PRIMARIES, _TRANSFER, _MATRIX)),
        _box(b"pasp", struct.pack(">II", 1, 1)),
        _box(b"fiel", b"\x01\x00"),
    )
