"""How large a JPEG's picture is, from its header; pure."""

_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # SOF0 to SOF15, ITU-T T.81, table B.1
_SCAN = 0xDA


def picture_size(data: bytes) -> tuple[int, int] | None:
    """Width and height in pixels, as in ITU-T T.81, B.2.2; None where `data` doesn't tell."""
    at = 2
    while data[:2] == b"\xff\xd8" and at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker in _FRAMES:
            return int.from_bytes(data[at + 7 : at + 9]), int.from_bytes(data[at + 5 : at + 7])
        if marker == _SCAN:
            break
        at += 1 if marker == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4])
    return None
