"""When and how long a picture was exposed, from Exif laid out by hand as CIPA DC-008 and TIFF 6.0 have it."""

import struct
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.clip.exif import Exif, read

TAKEN = datetime(2026, 5, 4, 9, 30, 15)  # noqa: DTZ001 - the camera's local time has no zone


def tiff(order="<", tags=(), own=()):
    """A TIFF with one directory and the Exif directory; tags are (tag, type, count, bytes)."""
    mark = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8)
    first = [*tags, (0x8769, 4, 1, None)]
    own_at = 8 + 2 + 12 * len(first) + 4
    data_at = own_at + 2 + 12 * len(own) + 4
    out, data = b"", b""
    for entries in (first, own):
        out += struct.pack(order + "H", len(entries))
        for tag, kind, count, value in entries:
            field = struct.pack(order + "I", own_at) if value is None else value
            if len(field) > 4:
                data, field = data + field, struct.pack(order + "I", data_at + len(data))
            out += struct.pack(order + "HHI", tag, kind, count) + field.ljust(4, b"\0")
        out += struct.pack(order + "I", 0)
    return mark + out + data


def text(tag, value):
    return (tag, 2, len(value) + 1, value.encode() + b"\0")


def jpeg(exif, before=b""):
    segment = b"\xff\xe1" + struct.pack(">H", len(exif) + 8) + b"Exif\0\0" + exif
    return b"\xff\xd8" + before + segment + b"\xff\xda\0\2scan\xff\xd9"


DATE = text(0x9003, "2026:05:04 09:30:15")
SUBSEC, OFFSET = text(0x9291, "25"), text(0x9011, "+02:00")
EXPOSURE = {order: (0x829A, 5, 1, struct.pack(order + "II", 1, 50)) for order in "<>"}
WHOLE = Exif(TAKEN + timedelta(milliseconds=250), 2, timedelta(hours=2), 0.02)
PLAIN = Exif(TAKEN)

FILES = {
    "JPEG, little-endian": (jpeg(tiff("<", own=(DATE, SUBSEC, OFFSET, EXPOSURE["<"]))), WHOLE),
    "JPEG, big-endian": (jpeg(tiff(">", own=(DATE, SUBSEC, OFFSET, EXPOSURE[">"]))), WHOLE),
    "raw laid out as TIFF": (tiff(own=(DATE, SUBSEC, OFFSET, EXPOSURE["<"])), WHOLE),
    "raw with a number of its own": (b"IIU\0" + tiff(own=(DATE,))[4:], PLAIN),
    "after another segment and fill bytes": (jpeg(tiff(own=(DATE,)), b"\xff\xe0\0\4ab\xff"), PLAIN),
    "date of the file only": (jpeg(tiff(tags=(text(0x0132, "2026:05:04 09:30:15"),))), PLAIN),
    # The tags of TIFF 6.0 (Make, Model) and of CIPA DC-008 (BodySerialNumber).
    "maker, model and serial number": (
        jpeg(tiff(tags=(text(0x010F, "Mole"), text(0x0110, "pier eye ")), own=(DATE, text(0xA431, "0042")))),
        Exif(TAKEN, camera="Mole pier eye 0042"),
    ),
    "a single digit of a second": (
        jpeg(tiff(own=(DATE, text(0x9291, "5  ")))),
        Exif(TAKEN + timedelta(seconds=0.5), 1),
    ),
    "unknown zone": (jpeg(tiff(own=(DATE, text(0x9011, "   :  ")))), PLAIN),
    "west of Greenwich": (jpeg(tiff(own=(DATE, text(0x9011, "-03:30")))), Exif(TAKEN, 0, timedelta(hours=-3.5))),
    "no such date": (jpeg(tiff(own=(text(0x9003, "2026:13:04 09:30:15"), SUBSEC))), Exif()),
    "blank date": (jpeg(tiff(own=(text(0x9003, "    :  :     :  :  "),))), Exif()),
    "exposure over nothing": (jpeg(tiff(own=((0x829A, 5, 1, bytes(8)),))), Exif()),
    "exposure of nothing": (jpeg(tiff(own=((0x829A, 5, 1, struct.pack("<II", 0, 9)),))), Exif()),
    "types of no use": (jpeg(tiff(own=((1, 99, 1, b"a"), (2, 3, 1, b"\1\0"), (3, 10, 1, bytes(8)), DATE))), PLAIN),
    "no Exif": (b"\xff\xd8\xff\xda\0\2scan\xff\xd9", Exif()),
    "no picture": (b"GIF89a", Exif()),
    "nothing": (b"", Exif()),
}


@pytest.mark.parametrize(("data", "expected"), FILES.values(), ids=FILES)
def test_reads(data, expected):
    assert expected == read(data)


def test_a_file_cut_anywhere_is_read_as_far_as_it_goes():
    data = jpeg(tiff(own=(DATE, SUBSEC, OFFSET)))
    for end in range(len(data)):
        assert read(data[:end]).taken in (None, TAKEN, WHOLE.taken)


@given(st.binary(max_size=300), st.sampled_from([b"", b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08"]))
def test_reads_anything(data, begin):
    assert isinstance(read(begin + data), Exif)


@given(st.integers(0, 400), st.integers(0, 255))
def test_a_flipped_byte_is_no_crash(at, value):
    data = bytearray(jpeg(tiff(own=(DATE, SUBSEC, OFFSET, EXPOSURE["<"]))))
    data[at % len(data)] = value
    assert isinstance(read(bytes(data)), Exif)


def test_reads_what_a_library_writes():
    # OpenCV writes no Exif; the simulator's camera composes its own, whose dates other programs read.
    from lapsed.sim.sensor import exif  # noqa: PLC0415 - the one writer of Exif here

    stamp = datetime.fromisoformat("2026-05-04T09:30:15.250000+02:00")
    segment = exif(stamp, 0.02)
    told = read(b"\xff\xd8" + (segment if segment[:2] == b"\xff\xe1" else b""))
    assert told.exposure_s == pytest.approx(0.02)
    assert told.taken is not None
    assert abs(told.taken - stamp.replace(tzinfo=None)) < timedelta(seconds=1)
