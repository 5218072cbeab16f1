"""A double of the kernel's side of Video4Linux: modes, controls, queued buffers, and a sensor that runs on."""

import errno
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from lapsed.camera import v4l2_abi as abi
from lapsed.camera.capture import Capture
from lapsed.camera.link_budget import Mode
from lapsed.settings import CaptureCamera

JPEG = b"\xff\xd8\xff\xda\x00\x02%s\xff\xd9"


@dataclass
class DeviceDouble:
    """Frames come at the set rate whether anyone fetches them or not, as long as it streams and has a buffer free.

    `scene` gives a frame's bytes by the instant its exposure began. `flags` are those of its buffers.
    """

    modes: tuple[Mode, ...]
    scene: Callable[[float], bytes] = lambda at_s: JPEG % f"{at_s:.3f}".encode()
    now: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    controls: dict[str, list[int]] = field(default_factory=dict)  # value, least, most, step
    flags: int = abi.FLAG_MONOTONIC | abi.FLAG_START_OF_EXPOSURE
    caps: int = abi.CAP_CAPTURE | abi.CAP_STREAMING
    gives: Mode | None = None  # in place of what it is asked for
    stepwise: bool = False
    gone: Callable[[], bool] = lambda: False
    refuses: dict[int, int] = field(default_factory=dict)  # error by request
    asked: list[int] = field(default_factory=list)
    closed: bool = False

    def __post_init__(self) -> None:
        self.mode = self.modes[0] if self.modes else Mode("MJPG", 16, 16, (30,))
        self.fps = 30.0
        self.free: list[int] = []
        self.filled: list[tuple[int, float, int]] = []  # buffer, exposure, bytes
        self.memory: list[bytes] = []
        self.next_s = 0.0
        self.streams = False

    def ioctl(self, request: int, argument: object) -> None:
        self.asked.append(request)
        if self.gone():
            raise OSError(errno.ENODEV, "No such device")
        if request in self.refuses:
            raise OSError(self.refuses[request], os.strerror(self.refuses[request]))
        HANDLERS[request](self, argument)

    def map(self, length: int, offset: int) -> "Memory":  # noqa: ARG002 - the kernel's own
        return Memory(self, offset)

    def wait(self, within_s: float) -> bool:
        until_s = self.now() + max(0.0, within_s)
        while not self.filled and not self.gone():
            self.expose()
            if self.filled:
                break
            if not self.streams or self.next_s + 1 / self.fps > until_s:
                self.sleep(max(0.0, until_s - self.now()))
                return False
            self.sleep(max(0.0, self.next_s + 1 / self.fps - self.now()))
        return True

    def close(self) -> None:
        self.closed = True

    def expose(self) -> None:
        """Let the sensor have run until now; a frame for which no buffer is free is lost."""
        while self.streams and self.next_s + 1 / self.fps <= self.now() + 1e-9:
            at_s, self.next_s = self.next_s, self.next_s + 1 / self.fps
            if self.free:
                index = self.free.pop(0)
                self.memory[index] = self.scene(at_s)
                self.filled.append((index, at_s, len(self.memory[index])))

    # ------------------------------------------------------------------------------------------------- requests

    def querycap(self, a: abi.Capability) -> None:
        a.driver, a.card, a.capabilities, a.device_caps = (
            b"double",
            b"Pier eye",
            self.caps | abi.CAP_DEVICE_CAPS,
            self.caps,
        )

    def enum_fmt(self, a: abi.FormatDescription) -> None:
        a.pixelformat = abi.fourcc(self.at(list(dict.fromkeys(mode.pixels for mode in self.modes)), a.index))

    def enum_sizes(self, a: abi.FrameSize) -> None:
        mode = self.at([mode for mode in self.modes if abi.fourcc(mode.pixels) == a.pixel_format], a.index)
        a.type = 3 if self.stepwise else abi.DISCRETE
        numbers = (16, mode.width, 2, 16, mode.height, 2) if self.stepwise else (mode.width, mode.height)
        for place, number in enumerate(numbers):
            a.numbers[place] = number

    def enum_intervals(self, a: abi.FrameInterval) -> None:
        (mode,) = [
            mode
            for mode in self.modes
            if (abi.fourcc(mode.pixels), mode.width, mode.height) == (a.pixel_format, a.width, a.height)
        ]
        a.type, fps = abi.DISCRETE, self.at(list(mode.rates), a.index)
        a.numbers[0], a.numbers[1] = 1000, round(fps * 1000)

    def at(self, listed: list, index: int):
        if index >= len(listed):
            raise OSError(errno.EINVAL, "Invalid argument")
        return listed[index]

    def set_format(self, a: abi.Format) -> None:
        pix = a.fmt.pix
        self.mode = self.gives or Mode(abi.characters(pix.pixelformat), pix.width, pix.height, ())
        self.get_format(a)

    def get_format(self, a: abi.Format) -> None:
        pix, mode = a.fmt.pix, self.mode
        pix.width, pix.height, pix.pixelformat = mode.width, mode.height, abi.fourcc(mode.pixels)
        pix.bytesperline = mode.width * {"YUYV": 2, "UYVY": 2, "RGB3": 3, "BGR3": 3}.get(mode.pixels, 1)

    def set_rate(self, a: abi.StreamParameters) -> None:
        self.fps = a.denominator / a.numerator

    def query_control(self, a: abi.ControlQuery) -> None:
        _, a.minimum, a.maximum, a.step = self.known(a.id)

    def get_control(self, a: abi.Control) -> None:
        a.value = self.known(a.id)[0]

    def set_control(self, a: abi.Control) -> None:
        self.known(a.id)[0] = a.value

    def known(self, number: int) -> list[int]:
        name = next(name for name, known in abi.CONTROLS.items() if known == number)
        if name not in self.controls:
            raise OSError(errno.EINVAL, "Invalid argument")
        return self.controls[name]

    def request_buffers(self, a: abi.RequestBuffers) -> None:
        self.free, self.filled, self.memory = [], [], [b""] * a.count

    def query_buffer(self, a: abi.Buffer) -> None:
        a.length, a.m.offset = 1 << 20, a.index

    def queue(self, a: abi.Buffer) -> None:
        self.expose()
        self.free.append(a.index)

    def dequeue(self, a: abi.Buffer) -> None:
        self.expose()
        if not self.filled:
            raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")
        a.index, at_s, a.bytesused = self.filled.pop(0)
        a.flags = self.flags
        if self.flags & abi.FLAG_SOURCES != abi.FLAG_START_OF_EXPOSURE:
            at_s += 1 / self.fps
        a.timestamp.tv_sec, a.timestamp.tv_usec = int(at_s), round(at_s % 1 * 1e6)

    def stream_on(self, _: object) -> None:
        self.streams, self.next_s = True, self.now()

    def stream_off(self, _: object) -> None:
        self.streams, self.filled = False, []


class Memory:
    """A mapped buffer."""

    def __init__(self, device: DeviceDouble, index: int) -> None:
        self.device, self.index = device, index

    def __getitem__(self, part: slice) -> bytes:
        return self.device.memory[self.index][part]

    def close(self) -> None:
        """There is nothing to unmap."""


HANDLERS = {
    abi.QUERYCAP: DeviceDouble.querycap,
    abi.ENUM_FMT: DeviceDouble.enum_fmt,
    abi.ENUM_FRAMESIZES: DeviceDouble.enum_sizes,
    abi.ENUM_FRAMEINTERVALS: DeviceDouble.enum_intervals,
    abi.S_FMT: DeviceDouble.set_format,
    abi.G_FMT: DeviceDouble.get_format,
    abi.S_PARM: DeviceDouble.set_rate,
    abi.QUERYCTRL: DeviceDouble.query_control,
    abi.G_CTRL: DeviceDouble.get_control,
    abi.S_CTRL: DeviceDouble.set_control,
    abi.REQBUFS: DeviceDouble.request_buffers,
    abi.QUERYBUF: DeviceDouble.query_buffer,
    abi.QBUF: DeviceDouble.queue,
    abi.DQBUF: DeviceDouble.dequeue,
    abi.STREAMON: DeviceDouble.stream_on,
    abi.STREAMOFF: DeviceDouble.stream_off,
}


def open_camera(options: Mapping[str, object]) -> Capture:
    """The kind in a worker on the machine's clock; files in the folder DEVICE_HOME are its faults, each for as long
    as it is there: gone, black (zero bytes), cut, garbage, hang (no request returns), slow (a frame in a minute).
    `frame.jpg` there is what it sees."""
    home = Path(os.environ["DEVICE_HOME"])

    def scene(at_s: float) -> bytes:
        if (home / "black").exists():
            return b""
        if (home / "garbage").exists():
            return b"no picture" * 99
        seen = home / "frame.jpg"
        whole = seen.read_bytes() if seen.exists() else JPEG % f"{at_s:.3f}".encode()
        return whole[:-2] if (home / "cut").exists() else whole

    def fault() -> bool:
        while (home / "hang").exists():
            time.sleep(0.05)
        device.fps = 1 / 60 if (home / "slow").exists() else 30.0
        return (home / "gone").exists()

    part = CaptureCamera.model_validate(options)
    device = DeviceDouble((Mode("MJPG", 1920, 1080, (30.0,)),), scene, gone=fault)
    return Capture(part, lambda _: device, lambda _: 480.0)
