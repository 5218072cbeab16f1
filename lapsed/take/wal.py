"""What a journal's file and the WAL beside it hold together, worked out in memory for a disk that takes no writes.

SQLite itself needs a shared-memory file beside a WAL in order to read it, and writes that one anew after a crash
("Write-Ahead Logging", section 5). Here the committed pages are laid over the file's instead. Source of the format:
SQLite documentation, "Database File Format", section 4, "The Write-Ahead Log", and section 1.3, "The Database Header".
"""

import struct
from collections.abc import Iterator

_HEADER = struct.Struct(">8I")
"""Magic number, format, page size, number of the checkpoint, two salts, two checksums."""

_FRAME = struct.Struct(">6I")
"""Number of the page, pages in the file after a commit (else 0), two salts, two checksums."""

_MAGIC = {0x377F0682: "<", 0x377F0683: ">"}
"""The order of bytes in which checksums are reckoned, by the magic number."""

_WAL_VERSIONS = slice(18, 20)
"""Where the file's header tells that it goes with a WAL (2, 2); with a rollback journal it would be (1, 1)."""


def merged(file: bytes, wal: bytes) -> bytes:
    """The file as the last commit left it, marked as one that goes without a WAL. Never raises: a bad frame ends it."""
    pages, count, size = _committed(wal)
    image = bytearray(file)
    if count:
        image = image[: count * size].ljust(count * size, b"\0")
    for number, page in pages.items():
        if number <= count:
            image[(number - 1) * size : number * size] = page
    if image[_WAL_VERSIONS] == b"\2\2":
        image[_WAL_VERSIONS] = b"\1\1"
    return bytes(image)


def _committed(wal: bytes) -> tuple[dict[int, bytes], int, int]:
    """The newest committed page of each number, the pages of the file at the last commit, and their size in bytes."""
    pages: dict[int, bytes] = {}
    open_pages: dict[int, bytes] = {}
    count = size = 0
    for number, after, page in _frames(wal):
        open_pages[number] = page
        if after:
            pages |= open_pages
            open_pages.clear()
            count, size = after, len(page)
    return pages, count, size


def _frames(wal: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Number, pages after the commit and content of each frame, up to the first that is foreign or not whole."""
    if len(wal) < _HEADER.size:
        return
    magic, _, size, _, *salts, one, two = _HEADER.unpack_from(wal)
    order = _MAGIC.get(magic)
    if order is None or size == 0 or size % 8 or _checksum(order, (0, 0), wal[:24]) != (one, two):
        return
    sums = one, two
    for at in range(_HEADER.size, len(wal) - _FRAME.size - size + 1, _FRAME.size + size):
        number, after, *own_salts, one, two = _FRAME.unpack_from(wal, at)
        page = wal[at + _FRAME.size : at + _FRAME.size + size]
        sums = _checksum(order, sums, wal[at : at + 8] + page)
        if own_salts != salts or sums != (one, two):
            return
        yield number, after, page


def _checksum(order: str, sums: tuple[int, int], data: bytes) -> tuple[int, int]:
    """Section 4.2, "Checksum Algorithm"."""
    one, two = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        one = (one + even + two) & 0xFFFFFFFF
        two = (two + odd + one) & 0xFFFFFFFF
    return one, two
