"""Which picture of a capture device the bus can carry, and what a stream loses against stills; pure.

Rates are megabytes (10^6 bytes) a second of payload.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from lapsed.model import Check, Verdict

RAW_BITS = {"YUYV": 16, "UYVY": 16, "NV12": 12, "YU12": 12, "RGB3": 24, "BGR3": 24, "GREY": 8}
"""Bits a pixel of the uncompressed formats that can be used here (linux/videodev2.h, the formats' descriptions)."""

COMPRESSED = frozenset({"MJPG", "JPEG"})

ROOM_MB_S = {
    12: 1.023,  # USB 2.0, 5.6.3: at most 1023 bytes in each of 1000 frames
    480: 24.576,  # USB 2.0, table 5-10: 3 x 1024 bytes in each of 8000 microframes
    5000: 393.216,  # USB 3.2, 8.12.6: 3 bursts of 16 x 1024 bytes in each of 8000 service intervals
    10_000: 786.432,  # twice that; from memory
}
"""What isochronous transfers, which cameras use, can carry at each signalling rate in Mbit/s."""

WISHED_BITS = 2
"""Bits a pixel that a compressed picture should have room for; less shows. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Mode:
    """A picture that a device offers, with its rates in frames a second."""

    pixels: str
    width: int
    height: int
    rates: tuple[float, ...]

    @property
    def size(self) -> int:
        """Pixels of the picture."""
        return self.width * self.height

    def __str__(self) -> str:
        return f"{self.width}x{self.height} {self.pixels}"


def room_mb_s(speed_mbit: float | None) -> float | None:
    """What a USB link of this signalling rate carries; None for a device that is not on USB."""
    if speed_mbit is None:
        return None
    return max((room for speed, room in ROOM_MB_S.items() if speed <= speed_mbit), default=ROOM_MB_S[12])


def rate_mb_s(mode: Mode, fps: float) -> float | None:
    """What a stream of uncompressed pictures needs; None for compressed ones, which need what they are given."""
    bits = RAW_BITS.get(mode.pixels)
    return None if bits is None else mode.size * bits / 8 * fps / 1e6


def best_fps(mode: Mode, room: float | None) -> float | None:
    """The fastest rate that there is room for; where pictures are compressed, for good ones if at any rate."""
    if mode.pixels in COMPRESSED:
        good = [fps for fps in mode.rates if room is None or mode.size * WISHED_BITS / 8 * fps / 1e6 <= room]
        return max(good, default=min(mode.rates, default=None))
    fits = [fps for fps in mode.rates if room is None or (rate_mb_s(mode, fps) or 0.0) <= room]
    return max(fits, default=None)


def choose(
    modes: Iterable[Mode],
    room: float | None,
    least_fps: float,
    *,
    size: tuple[int, int] | None = None,
    pixels: str | None = None,
) -> tuple[Mode, float] | None:
    """The picture to ask for and its rate: the largest, uncompressed where that comes at `least_fps`, else compressed.

    `size` and `pixels` leave less to choose from; None if nothing is left.
    """
    found = []
    for mode in modes:
        raw = mode.pixels in RAW_BITS
        if not raw and mode.pixels not in COMPRESSED:
            continue
        if (size is not None and (mode.width, mode.height) != size) or (pixels is not None and mode.pixels != pixels):
            continue
        fps = best_fps(mode, room)
        if fps is not None and (fps >= least_fps or not raw or pixels is not None):
            found.append((mode.size, raw, RAW_BITS.get(mode.pixels, 0), fps, mode))
    if not found:
        return None
    *_, fps, mode = max(found, key=lambda each: each[:4])
    return mode, fps


def budget(mode: Mode, room: float, speed_mbit: float) -> Check:
    """Whether the bus carries `mode` at its fastest rate, in numbers, and what would work instead."""
    fastest = max(mode.rates, default=0.0)
    need = rate_mb_s(mode, fastest)
    if need is None:
        kilobytes = room * 1e3 / fastest if fastest else 0.0
        found = f"at {fastest:g} a second each picture may have {kilobytes:,.0f} kB of {room:.1f} MB/s"
        return Check(str(mode), Verdict.PASS, found)
    found = f"at {fastest:g} a second it needs {need:.1f} MB/s of {room:.1f} MB/s"
    if need <= room:
        return Check(str(mode), Verdict.PASS, found)
    fps = best_fps(mode, room)
    slower = f"at {fps:g} a second it fits" if fps is not None else "it does not fit at any rate that is offered"
    faster = next((name for speed, name in _PORTS.items() if speed > speed_mbit and need <= ROOM_MB_S[speed]), None)
    ways = [slower, "a compressed format (MJPG) fits"]
    if faster is not None:
        ways.append(f"so would {faster}, port and cable")
    return Check(str(mode), Verdict.WARN, found, "; ".join(ways))


_PORTS = {480: "high-speed USB", 5000: "USB at 5 Gbit/s", 10_000: "USB at 10 Gbit/s"}


def link(speed_mbit: float | None, chosen: Mode, fps: float) -> Check:
    """How fast the bus is that the device really got."""
    told = f"{chosen} at {fps:g} a second"
    room = room_mb_s(speed_mbit)
    if speed_mbit is None or room is None:
        return Check("link", Verdict.PASS, f"{told}; the device is not on USB")
    found = f"{told}, over USB at {speed_mbit:g} Mbit/s with room for {room:.1f} MB/s"
    if speed_mbit >= 5000:
        return Check("link", Verdict.PASS, found)
    return Check("link", Verdict.WARN, found, "if the device can do 5 Gbit/s, it is the port or the cable: try others")


def loss(width: int, height: int, stills_megapixels: float) -> Check:
    """What a stream keeps of the stills that the camera behind it could shoot."""
    share = width * height / 1e6 / stills_megapixels
    percent = f"{share:.0%}" if share >= 0.01 else f"{share:.1%}"
    found = f"{width}x{height} is {percent} of the {stills_megapixels:g} megapixels your camera can shoot"
    if share >= 0.9:
        return Check("against stills", Verdict.PASS, found)
    return Check("against stills", Verdict.WARN, found, "fire the camera itself: by USB (gphoto) or its release line")
