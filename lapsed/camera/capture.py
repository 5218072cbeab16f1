"""The kind `capture`: a webcam or an HDMI stick, through Video4Linux.

Only a worker imports this. A driver queues frames, so the ones it has are of before the park; the one that is used
must by the driver's own time have been exposed after the order, plus the time that the scene takes to come through.
"""

import errno
import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from lapsed.camera import link_budget, v4l2
from lapsed.camera.device_controls import set_up, settle
from lapsed.camera.landing import Landing
from lapsed.camera.v4l2 import Device, Driver, Layout, Node, Stamp
from lapsed.clock import monotonic
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import Check
from lapsed.settings import CaptureCamera

GIVE_UP_BEFORE_S = 0.25
"""How long before the worker would be killed a frame that does not come is given up."""

SILENT_S = 0.5
"""So long an idle device that streams is waited for; its frames have queued since, so that there is one at once."""

_log = logging.getLogger(__name__)


def open_camera(options: Mapping[str, object]) -> "Capture":
    """The device that `options`, the part of the configuration, describes; opened by `ensure_ready`."""
    return Capture(CaptureCamera.model_validate(options))


class Capture:
    """One capture device; see `kind.Kind` for the contracts."""

    def __init__(
        self,
        part: CaptureCamera,
        opener: Callable[[str], Driver] = Node,
        speed: Callable[[str], float | None] = v4l2.usb_speed_mbit,
        now: Callable[[], float] = monotonic,
    ) -> None:
        self._part = part
        self._opener = opener
        self._speed = speed
        self._now = now
        self._device: Device | None = None
        self._layout: Layout | None = None
        self._fps = 0.0
        self._taken: list[bytes] = []
        self._used_s = now()
        self._set: tuple[Check, ...] = ()

    def ensure_ready(self) -> str:
        """Open the device, choose the picture, set it up and let it run warm."""
        if self._device is None:
            with self._errors():
                self._open()
        return self._sentence()

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """Pass over all that was exposed before now, and keep what is wanted of what comes then."""
        give_up_s = by_s - GIVE_UP_BEFORE_S
        self._taken, broken = [], 0
        with self._errors():
            if not self._held.streaming:
                self._start()
            at_s = self._now()
            released(at_s)
            fresh = self._freshness(at_s + self._part.lag_s)
            while len(self._taken) < self._part.average:
                found = self._held.next(min(give_up_s - self._now(), 1.0), fresh)
                if found is not None and found[1] and not self._flawed(found[1]):
                    self._taken.append(found[1])
                    continue
                broken += found is not None and (found[0].broken or bool(found[1]))
                if self._now() >= give_up_s:
                    raise ShotMissedError(
                        f"the device gave {len(self._taken)} of {self._part.average} frames exposed after the order"
                        + (f", and {broken} that were broken" if broken else "")
                    )
        self._used_s = self._now()

    def fetch(self, landing: Landing) -> None:
        """Write the frame as it came where it is a JPEG and the only one, else the average of them."""
        layout = self._picture
        is_jpeg = layout.mode.pixels in link_budget.COMPRESSED
        if is_jpeg and len(self._taken) == 1:
            landing.write("frame.jpg", self._taken[0])
            return
        from lapsed.camera import raw_pixels  # noqa: PLC0415 - image libraries, which not every device needs

        try:
            frames = [raw_pixels.decoded(data) if is_jpeg else raw_pixels.to_rgb(data, layout) for data in self._taken]
        except ValueError as error:
            raise ShotMissedError(f"a frame of the device is broken: {error}") from error
        suffix = "jpg" if is_jpeg else self._part.raw_as
        landing.write(f"frame.{suffix}", raw_pixels.encoded(raw_pixels.mean(frames), suffix))

    def clear(self) -> None:
        """The device keeps nothing."""
        self._taken = []

    def idle(self) -> str:
        """See that the device is there, and let it rest after a while without shots."""
        with self._errors():
            self._held.alive()
            if self._held.streaming and self._now() >= self._used_s + self._part.standby_s:
                self._held.stop()
            elif self._held.streaming and self._held.next(SILENT_S, lambda _: False) is None:
                raise RetryError(f"{self._part.device} gives no frames any more; unplug it and plug it in again")
        return self._sentence()

    def inspect(self) -> tuple[Check, ...]:
        """The link budget, the picture, the controls, and what is lost against stills."""
        part, layout = self._part, self._picture
        with self._errors():
            self._held.alive()
            modes = self._held.modes()
        speed = self._speed(part.device)
        room = link_budget.room_mb_s(speed)
        found = [link_budget.link(speed, layout.mode, self._fps)]
        if speed is not None and room is not None:
            largest = {mode.pixels: max((m for m in modes if m.pixels == mode.pixels), key=_size) for mode in modes}
            known = (link_budget.RAW_BITS.keys() | link_budget.COMPRESSED) & largest.keys()
            found += [link_budget.budget(largest[pixels], room, speed) for pixels in sorted(known)]
        if part.stills_megapixels is not None:
            found.append(link_budget.loss(layout.mode.width, layout.mode.height, part.stills_megapixels))
        return (*found, *self._set)

    def ensure_stopped(self) -> None:
        """Let go of the device."""
        device, self._device = self._device, None
        if device is not None:
            device.close()

    # ------------------------------------------------------------------------------------------------------ opening

    @property
    def _held(self) -> Device:
        if self._device is None:
            raise RetryError(f"{self._part.device} is not open")
        return self._device

    @property
    def _picture(self) -> Layout:
        if self._layout is None:
            raise RetryError(f"{self._part.device} is not open")
        return self._layout

    def _open(self) -> None:
        part = self._part
        device = self._device = Device(self._opener(part.device))
        if not device.captures:
            self.ensure_stopped()
            raise UserError(f"{part.device} gives no frames: a webcam has a second node for other data, name the first")
        modes = device.modes()
        room = link_budget.room_mb_s(self._speed(part.device))
        chosen = link_budget.choose(modes, room, part.least_fps, size=part.size_px, pixels=part.pixels)
        if chosen is None:
            self.ensure_stopped()
            raise UserError(
                f"{part.device} has no picture as it is wanted, or the bus can't carry it; it offers"
                f" {', '.join(map(str, modes)) or 'nothing'}: see size_px and pixels"
            )
        self._layout, self._fps = device.set_mode(*chosen)
        if str(self._layout.mode) != str(chosen[0]):
            self.ensure_stopped()
            raise UserError(
                f"{part.device} was asked for {chosen[0]} and gives {self._layout.mode}: name that by size_px, pixels"
            )
        self._set = set_up(device, part)
        self._start()
        self._set += settle(device, part)
        self._used_s = self._now()

    def _start(self) -> None:
        """Have frames come, and let the device run warm."""
        self._held.start()
        until_s = self._now() + self._part.warm_up_s
        while self._now() < until_s:
            self._held.next(until_s - self._now(), lambda _: False)

    # ----------------------------------------------------------------------------------------------------- choosing

    def _freshness(self, scene_s: float) -> Callable[[Stamp], bool]:
        """What tells frames that were exposed as a whole after `scene_s` (monotonic) from others."""
        told = 0
        interval_s = 1 / self._fps if self._fps else 0.0
        # A time at the end of a frame lies after its exposure and its reading out, each of an interval at most.
        late_s = max(interval_s, self._part.exposure_s) + interval_s

        def fresh(stamp: Stamp) -> bool:
            nonlocal told
            told += 1
            if stamp.broken:
                return False
            if stamp.at_s is None:  # no time of the driver's: all that it can have had ready, and the one under way
                return told > v4l2.BUFFERS + 1 and self._now() >= scene_s + late_s
            return stamp.at_s >= scene_s + (0.0 if stamp.starts else late_s)

        return fresh

    def _flawed(self, data: bytes) -> bool:
        """Whether a frame lacks something; the next one may not."""
        layout = self._picture
        if layout.mode.pixels in link_budget.COMPRESSED:
            flawed = data[:2] != b"\xff\xd8" or b"\xff\xd9" not in data[-4096:]  # ITU-T T.81, table B.1
        else:
            flawed = layout.short(len(data))
        if flawed:
            _log.warning("passed over a broken frame of %d bytes", len(data))
        return flawed

    def _sentence(self) -> str:
        name = self._held.name or "a device"
        return f"{name} at {self._part.device}, {self._picture.mode} at {self._fps:g} a second"

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise _refusal(self._part.device, error) from error


def _size(mode: link_budget.Mode) -> int:
    return mode.size


def _refusal(device: str, error: OSError) -> RetryError | UserError:
    match error.errno:
        case errno.ENOENT | errno.ENODEV | errno.ENXIO | errno.EIO:
            if not Path(device).exists():
                return RetryError(f"there is no {device}: plug the device in; /dev/v4l/by-id has the names")
            return RetryError(f"{device} is gone or does not answer; plug it in again")
        case errno.EBUSY:
            return RetryError(f"another program uses {device}: end it")
        case errno.EACCES | errno.EPERM:
            return UserError(
                f"{device} may not be opened: add the daemon's user to the group of that device (often video)"
            )
        case errno.ENOSPC:
            return RetryError(f"the bus has no room for {device}: take other cameras off it, or set a smaller size_px")
        case errno.ENOTTY:
            return UserError(f"{device} is no capture device; /dev/v4l/by-id has the names of those there are")
        case _:
            return RetryError(f"{device} can't be used: {error.strerror}")
