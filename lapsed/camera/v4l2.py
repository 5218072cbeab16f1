"""A Video4Linux capture device: what it offers, how it is set, and its frames with the times they were exposed at.

OpenCV could capture as well, but tells neither what a device offers nor the driver's own time of a frame, and both
are what a frame after the park is proven by.
"""

import ctypes
import errno
import fcntl
import mmap
import os
import select
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from lapsed.camera import v4l2_abi as abi
from lapsed.camera.link_budget import Mode

BUFFERS = 4
"""How many frames the driver may keep: few are stale after a pause, enough are free while one is copied."""

_MOST_MODES = 1000  # a driver that never ends its lists


class Driver(Protocol):
    """What is asked of the kernel; all of it raises OSError."""

    def ioctl(self, request: int, argument: Any) -> None:
        """One request; the answer is in `argument` as well."""

    def map(self, length: int, offset: int) -> Any:
        """A buffer of the driver's, to be read by slices and closed."""

    def wait(self, within_s: float) -> bool:
        """Whether a frame is there within that time."""

    def close(self) -> None:
        """Let go of the device."""


class Node:
    """The device file itself."""

    def __init__(self, path: str) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)

    def ioctl(self, request: int, argument: Any) -> None:
        """Ask the kernel; see its manual, section 2."""
        fcntl.ioctl(self._fd, request, argument)

    def map(self, length: int, offset: int) -> Any:
        """See mmap(2)."""
        return mmap.mmap(self._fd, length, mmap.MAP_SHARED, mmap.PROT_READ, offset=offset)

    def wait(self, within_s: float) -> bool:
        """See select(2)."""
        return bool(select.select([self._fd], [], [], max(0.0, within_s))[0])

    def close(self) -> None:
        """Close the file."""
        os.close(self._fd)


@dataclass(frozen=True, slots=True)
class Layout:
    """How the pixels of a frame lie; the last three are the numbers of linux/videodev2.h, 0 for the default."""

    mode: Mode
    line_bytes: int
    colorspace: int = 0
    encoding: int = 0
    quantization: int = 0

    def short(self, size: int) -> bool:
        """Whether an uncompressed frame of so many bytes lacks some."""
        lines = {"NV12": 1.5, "YU12": 1.5}.get(self.mode.pixels, 1)
        return size < self.line_bytes * self.mode.height * lines


@dataclass(frozen=True, slots=True)
class Stamp:
    """When a frame was: `at_s` on the monotonic clock, None where the driver keeps another or none.

    `at_s` is the start of exposure where `starts`, else the end of the frame's transfer.
    """

    at_s: float | None
    starts: bool
    broken: bool


@dataclass(frozen=True, slots=True)
class Range:
    """A control of the device and what it may be set to."""

    least: int
    most: int
    step: int

    def nearest(self, value: float) -> int:
        """The value next to the wished one that can be set."""
        step = max(1, self.step)
        return min(max(self.least, self.least + round((value - self.least) / step) * step), self.most)


class Device:
    """One open device."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver
        self._maps: list[Any] = []
        capability = abi.Capability()
        driver.ioctl(abi.QUERYCAP, capability)
        caps = capability.capabilities
        self.abilities: int = capability.device_caps if caps & abi.CAP_DEVICE_CAPS else caps
        self.name: str = capability.card.decode(errors="replace")

    @property
    def captures(self) -> bool:
        """Whether it gives frames in the way that is used here; the second node of a webcam gives metadata only."""
        return bool(self.abilities & abi.CAP_CAPTURE and self.abilities & abi.CAP_STREAMING)

    @property
    def streaming(self) -> bool:
        """Whether frames come."""
        return bool(self._maps)

    def alive(self) -> None:
        """Raise OSError if the device is gone."""
        self._driver.ioctl(abi.QUERYCAP, abi.Capability())

    def modes(self) -> tuple[Mode, ...]:
        """All that the driver offers; of a range of sizes, the largest."""
        found = []
        for description in self._listed(abi.ENUM_FMT, lambda index: abi.FormatDescription(index, abi.CAPTURE)):
            number = description.pixelformat
            for size in self._listed(abi.ENUM_FRAMESIZES, partial(_frame_size, number)):
                discrete = size.type == abi.DISCRETE
                width, height = (size.numbers[0], size.numbers[1]) if discrete else (size.numbers[1], size.numbers[4])
                found.append(Mode(abi.characters(number), width, height, self._rates(number, width, height)))
                if not discrete:
                    break
        return tuple(found)

    def _rates(self, number: int, width: int, height: int) -> tuple[float, ...]:
        rates = set()

        def make(index: int) -> Any:
            return abi.FrameInterval(index, number, width, height)

        for interval in self._listed(abi.ENUM_FRAMEINTERVALS, make):
            parts = list(interval.numbers)
            pairs = [parts[:2]] if interval.type == abi.DISCRETE else [parts[:2], parts[2:4]]
            rates |= {round(below / above, 3) for above, below in pairs if above}
            if interval.type != abi.DISCRETE:
                break
        return tuple(sorted(rates, reverse=True))

    def _listed(self, request: int, make: Callable[[int], Any]) -> Iterator[Any]:
        for index in range(_MOST_MODES):
            entry = make(index)
            try:
                self._driver.ioctl(request, entry)
            except OSError as error:
                if error.errno in (errno.EINVAL, errno.ENOTTY):
                    return
                raise
            yield entry

    def set_mode(self, mode: Mode, fps: float) -> tuple[Layout, float]:
        """Ask for a picture and a rate; what the driver made of it, which may be something else."""
        wanted = abi.Format(abi.CAPTURE)
        pix = wanted.fmt.pix
        pix.width, pix.height, pix.pixelformat, pix.field = mode.width, mode.height, abi.fourcc(mode.pixels), 1
        self._driver.ioctl(abi.S_FMT, wanted)
        rate = abi.StreamParameters(abi.CAPTURE, numerator=1000, denominator=round(fps * 1000))
        try:
            self._driver.ioctl(abi.S_PARM, rate)
        except OSError as error:
            if error.errno not in (errno.EINVAL, errno.ENOTTY):
                raise  # many have one rate only, and no such request
        got = abi.Format(abi.CAPTURE)
        self._driver.ioctl(abi.G_FMT, got)
        pix = got.fmt.pix
        really = Mode(abi.characters(pix.pixelformat), pix.width, pix.height, mode.rates)
        layout = Layout(really, pix.bytesperline, pix.colorspace, pix.ycbcr_enc, pix.quantization)
        return layout, rate.denominator / rate.numerator if rate.numerator else fps

    # ----------------------------------------------------------------------------------------------- controls

    def control(self, name: str) -> Range | None:
        """What a control may be set to; None if the device has it not."""
        query = abi.ControlQuery(abi.CONTROLS[name])
        try:
            self._driver.ioctl(abi.QUERYCTRL, query)
        except OSError as error:
            if error.errno in (errno.EINVAL, errno.ENOTTY):
                return None
            raise
        if query.flags & (abi.CTRL_DISABLED | abi.CTRL_READ_ONLY):
            return None
        return Range(query.minimum, query.maximum, query.step)

    def set_control(self, name: str, value: int) -> int:
        """Set a control; what it is afterwards."""
        control = abi.Control(abi.CONTROLS[name], value)
        self._driver.ioctl(abi.S_CTRL, control)
        self._driver.ioctl(abi.G_CTRL, control)
        return int(control.value)

    # ------------------------------------------------------------------------------------------------- frames

    def start(self) -> None:
        """Have frames come; OSError with ENOSPC where the bus has no room for them."""
        request = abi.RequestBuffers(BUFFERS, abi.CAPTURE, abi.MMAP)
        self._driver.ioctl(abi.REQBUFS, request)
        for index in range(request.count):
            buffer = self._buffer(index)
            self._driver.ioctl(abi.QUERYBUF, buffer)
            self._maps.append(self._driver.map(buffer.length, buffer.m.offset))
            self._driver.ioctl(abi.QBUF, self._buffer(index))
        self._driver.ioctl(abi.STREAMON, ctypes.c_int(abi.CAPTURE))

    def stop(self) -> None:
        """Have no more frames come."""
        self._driver.ioctl(abi.STREAMOFF, ctypes.c_int(abi.CAPTURE))
        self._unmap()
        self._driver.ioctl(abi.REQBUFS, abi.RequestBuffers(0, abi.CAPTURE, abi.MMAP))

    def close(self) -> None:
        """Let go of the device."""
        self._unmap()
        self._driver.close()

    def next(self, within_s: float, wanted: Callable[[Stamp], bool]) -> tuple[Stamp, bytes] | None:
        """The next frame's time, and its bytes if they are `wanted`; None if none came."""
        if not self._driver.wait(within_s):
            return None
        buffer = self._buffer(0)
        try:
            self._driver.ioctl(abi.DQBUF, buffer)
        except BlockingIOError:
            return None
        stamp = _stamp(buffer)
        data = bytes(self._maps[buffer.index][: buffer.bytesused]) if wanted(stamp) else b""
        self._driver.ioctl(abi.QBUF, self._buffer(buffer.index))
        return stamp, data

    def _buffer(self, index: int) -> Any:
        return abi.Buffer(index=index, type=abi.CAPTURE, memory=abi.MMAP)

    def _unmap(self) -> None:
        while self._maps:
            self._maps.pop().close()


def _frame_size(number: int, index: int) -> Any:
    return abi.FrameSize(index, number)


def _stamp(buffer: Any) -> Stamp:
    monotonic = buffer.flags & abi.FLAG_TIMESTAMPS == abi.FLAG_MONOTONIC
    at_s = buffer.timestamp.tv_sec + buffer.timestamp.tv_usec / 1e6
    return Stamp(
        at_s if monotonic and at_s > 0 else None,
        starts=buffer.flags & abi.FLAG_SOURCES == abi.FLAG_START_OF_EXPOSURE,
        broken=bool(buffer.flags & abi.FLAG_ERROR) or not buffer.bytesused,
    )


def usb_speed_mbit(device: str, sysfs: Path = Path("/sys/class/video4linux")) -> float | None:
    """The signalling rate that the USB device behind a node got, in Mbit/s; None if it is not on USB.

    The kernel keeps it as `speed` in the device's folder (Documentation/ABI/stable/sysfs-bus-usb).
    """
    folder = (sysfs / Path(device).resolve().name / "device").resolve()
    for place in (folder, *folder.parents):
        try:
            return float((place / "speed").read_text())
        except (OSError, ValueError):
            continue
    return None
