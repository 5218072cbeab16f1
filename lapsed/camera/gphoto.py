"""The kind `gphoto`: a still camera on USB through libgphoto2.

Only a worker imports this. The order to expose and the wait for the picture are two calls, because the camera says
"here is a file" as soon as the shutter has closed, while one call for both would return after more than that.
"""

import logging
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import gphoto2 as gp

from lapsed.camera import inspection, usb
from lapsed.camera.kind import Condition
from lapsed.camera.landing import Landing
from lapsed.clock import monotonic, utc_now
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import Check
from lapsed.settings import GphotoCamera

POLL_MS = 50
"""How long one wait for an event may take inside the library."""

SETTLED_S = 1.0
"""How long after a file another file of the same shot is waited for, until their number is known."""

GIVE_UP_BEFORE_S = 0.1
"""How long before the worker would be killed a picture that does not come is given up."""

LOOK_AROUND_EVERY_S = 60.0
"""How often an idle camera is asked for the room on its card, and for figures that the configuration names."""

DRAIN_S = 0.5
"""How long events are read away; a camera that has still more to say is not waited for."""

MODE_NAMES = ("expprogram", "autoexposuremode", "autoexposuremodedial", "exposuremode", "exposuremode2")
"""What libgphoto2 calls the exposure mode; which of them there is depends on the camera."""

STORE_FULL = "PTP Event 400a"
"""How libgphoto2 passes on the event StoreFull (ISO 15740, table 19: code 400A)."""

_log = logging.getLogger(__name__)


def open_camera(options: Mapping[str, object]) -> "Gphoto":
    """The camera that `options`, the part of the configuration, describes; it is opened by `ensure_ready`."""
    return Gphoto(GphotoCamera.model_validate(options))


class _FullError(Exception):
    """The camera says that it has no room for the picture it was to take."""


class Gphoto:
    """One camera and one session with it; see `kind.Kind` for the contracts."""

    def __init__(self, part: GphotoCamera) -> None:
        self._part = part
        self._session: Any = None
        self._paths: list[tuple[str, str]] = []
        self._done = 0
        self._usual = 0
        self._finished = True
        self._owed = False
        self._found = ""
        self._card_mb: float | None = None
        self._readings: tuple[tuple[str, str], ...] = ()
        self._look_around_s = 0.0

    def ensure_ready(self) -> Condition:
        """Open the camera once, set it up, and refuse one whose exposure is not manual."""
        self._refresh()
        return self._condition()

    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        """Order the exposure and hear that the shutter has closed; a session that is worn out is renewed once."""
        told = False
        for last in (False, True):
            try:
                self._refresh()
                at_s = self._fire()
                if not told:
                    released(at_s)
                told = True
                self._await_exposed(at_s, by_s - GIVE_UP_BEFORE_S)
            except (gp.GPhoto2Error, _FullError) as error:
                if last or monotonic() + self._part.exposure_s >= by_s:
                    raise ShotMissedError(f"the camera did not take the picture: {_why(error)}") from error
                _log.warning("opening the camera again, since it did not take the picture: %s", _why(error))
            else:
                return

    def fetch(self, landing: Landing) -> None:
        """Save the files as the camera tells of them, until there are as many as usual or no more come."""
        give_up_s = monotonic() + self._part.fetch_within_s - GIVE_UP_BEFORE_S
        settled_s = give_up_s
        try:
            while not 0 < self._usual <= self._done and monotonic() < settled_s:
                if self._done < len(self._paths):
                    self._save(self._paths[self._done], landing)
                    self._done += 1
                    settled_s = min(give_up_s, monotonic() + SETTLED_S)
                else:
                    self._listen(POLL_MS)
        except (gp.GPhoto2Error, _FullError) as error:
            raise ShotMissedError(f"exposed, but the camera did not hand over the file: {_why(error)}") from error
        if not self._done:
            raise ShotMissedError("exposed, but the camera told of no file; is there a card in it?")
        self._usual = self._done

    def clear(self) -> None:
        """Delete what was fetched, or the camera's memory fills up."""
        try:
            for folder, name in self._paths[: 0 if self._part.keep_on_card else self._done]:
                self._session.file_delete(folder, name)
            self._drain()  # now, rather than when the next order waits for it
        except gp.GPhoto2Error as error:
            _log.warning("the camera failed after the shot, and is opened again: %s", error)
        else:
            self._finished = True

    def idle(self) -> Condition:
        """Read events and battery, each of which keeps the camera awake."""
        with _errors("the camera does not answer any more"):
            self._refresh()
            self._drain()
        return self._condition()

    def inspect(self) -> tuple[Check, ...]:
        """Read the settings, the battery, the cards and the clock."""
        with _errors("the camera does not answer any more"):
            self._refresh()
            told = inspection.Told(
                battery=self._get("batterylevel"),
                modes=tuple(filter(None, map(self._get, MODE_NAMES))),
                focus=self._get("focusmode") or self._get("focusmode2"),
                white_balance=self._get("whitebalance"),
                quality=self._get("imageformat") or self._get("imagequality"),
                size=self._get("imagesize"),
                sizes=self._choices("imagesize"),
                shutter=self._get("shutterspeed"),
                target=self._get("capturetarget"),
                free_mb=self._free_mb(),
                clock_s=self._clock_s(),
                readings=self._read(),
            )
        return inspection.checks(told, self._part)

    def ensure_stopped(self) -> None:
        """Close the session."""
        session, self._session = self._session, None
        if session is not None:
            try:
                session.exit()
            except gp.GPhoto2Error as error:
                _log.warning("the camera did not close: %s", error)

    # -------------------------------------------------------------------------------------------- opening

    def _refresh(self) -> None:
        # Whatever kept the last shot from its good end, the next is not to suffer from it.
        if self._session is None or not self._finished:
            self._open()
            self._finished = True

    def _open(self) -> None:
        # Always a new object: one that was closed aborts the process when it is opened again, and the old one must be
        # freed before, since it holds the device.
        self._session = None
        self._owed = False
        with _errors("the camera could not be set up"):
            self._session = usb.find(self._part.serial)
            for name, value in self._part.settings.items():
                self._set(name, value)
            for one in self._part.reading:
                self._widget(one.entry)
            told = inspection.not_manual(filter(None, map(self._get, MODE_NAMES)))
            if self._part.require_manual and told:
                raise UserError(
                    f"the camera's exposure mode is {told!r}: set it to manual, so that the clip does not flicker,"
                    " or put require_manual = false in its part of the configuration"
                )
            self._target()
            model = " ".join(filter(None, (self._get("manufacturer"), self._get("cameramodel")))) or "camera"
            serial = self._get("serialnumber")
            self._found = f"{model}, serial number {serial}" if serial else model
            self._drain()

    def _target(self) -> None:
        try:
            widget = self._session.get_single_config("capturetarget")
        except gp.GPhoto2Error:
            return  # the camera keeps pictures in one place only
        choice = capture_target(list(widget.get_choices()), keep_on_card=self._part.keep_on_card)
        if choice is not None:
            self._set("capturetarget", choice)

    def _get(self, name: str) -> str | None:
        try:
            return str(self._session.get_single_config(name).get_value())
        except gp.GPhoto2Error:
            return None

    def _choices(self, name: str) -> tuple[str, ...]:
        try:
            widget = self._session.get_single_config(name)
        except gp.GPhoto2Error:
            return ()
        return _choices_of(widget)

    def _free_mb(self) -> tuple[float, ...]:
        try:
            stores = self._session.get_storageinfo()
        except gp.GPhoto2Error:
            return ()
        return tuple(
            store.freekbytes * 1024 / 1e6 for store in stores if store.fields & gp.GP_STORAGEINFO_FREESPACEKBYTES
        )

    def _clock_s(self) -> float | None:
        # The library takes the camera's local time for that of this computer.
        told = self._get("datetime")
        return int(told) - utc_now().timestamp() if told and told.lstrip("-").isdecimal() else None

    def _widget(self, name: str) -> Any:
        try:
            return self._session.get_single_config(name)
        except gp.GPhoto2Error as error:
            raise UserError(
                f"the camera has no setting {name!r}, which its part of the configuration names; it has {self._names()}"
            ) from error

    def _names(self) -> str:
        listed = self._session.list_config()
        return ", ".join(sorted({str(listed.get_name(at)) for at in range(listed.count())}))

    def _set(self, name: str, value: str) -> None:
        widget = self._widget(name)
        choices = _choices_of(widget)
        if choices and value not in choices:
            raise UserError(f"the camera's {name} cannot be {value!r}; it offers {', '.join(choices)}")
        try:
            widget.set_value(_typed(widget.get_type(), value))
            self._session.set_single_config(name, widget)
        except (gp.GPhoto2Error, ValueError) as error:
            raise UserError(f"the camera refuses {name} = {value!r} ({error}); is it set by a dial?") from error

    def _condition(self) -> Condition:
        battery = self._get("batterylevel")
        self._look_around()
        told = [
            self._found,
            f"battery {battery}" if battery else "",
            f"{self._card_mb / 1000:.1f} GB free on the card" if self._card_mb is not None else "",
            *(f"{name} {figure}" for name, figure in self._readings),
        ]
        return Condition(", ".join(filter(None, told)), inspection.percent(battery), self._card_mb)

    def _look_around(self) -> None:
        """Ask now and then for what changes slowly: it costs the camera's attention."""
        if monotonic() < self._look_around_s:
            return
        self._look_around_s = monotonic() + LOOK_AROUND_EVERY_S
        self._readings = self._read()
        if self._part.keep_on_card:
            free_mb = self._free_mb()
            # In tenths of a gigabyte: each change of it is journaled.
            self._card_mb = round(max(free_mb), -2) if free_mb else None

    def _read(self) -> tuple[tuple[str, str], ...]:
        """The figures that the configuration asks for, with their units; those the camera has."""
        told = ((one, self._get(one.entry)) for one in self._part.reading)
        return tuple((one.name, f"{value} {one.unit}".rstrip()) for one, value in told if value is not None)

    # ------------------------------------------------------------------------------------------- shooting

    def _fire(self) -> float:
        self._finished = False
        self._drain()
        self._paths, self._done = [], 0
        at_s = monotonic()
        self._session.trigger_capture()
        return at_s

    def _await_exposed(self, at_s: float, give_up_s: float) -> None:
        # A file can't be there before its exposure is over. The camera's word that it is done counts from this shot's
        # own shutter time on.
        while not (self._listen(POLL_MS) and monotonic() >= at_s + self._part.exposure_s):
            if self._paths:
                self._owed = True
                return
            if monotonic() >= give_up_s:
                raise ShotMissedError("the camera was released, but told of no picture in time; is autofocus off?")

    def _listen(self, wait_ms: int) -> bool:
        """Hear one event and keep the path of a picture of this shot; True for the word that a capture is complete."""
        kind, data = self._wait(wait_ms)
        if kind == gp.GP_EVENT_FILE_ADDED:
            path = (str(data.folder), str(data.name))
            # Raw and JPEG of a shot come as two files, of which even the stems may differ, but never as two of a sort:
            # that is a picture someone took by hand meanwhile.
            if _suffix(path) in map(_suffix, self._paths):
                _log.warning("%s is left on the camera: it belongs to no shot", path[1])
            else:
                self._paths.append(path)
        if kind == gp.GP_EVENT_UNKNOWN and str(data).startswith(STORE_FULL) and not self._paths:
            raise _FullError("its memory or card is full")
        return self._completes(kind)

    def _completes(self, kind: int) -> bool:
        """Whether the event is the word that this shot's capture is complete, and not one that an earlier shot owes.

        The word may follow the file instead of going before it, so late that only the next shot hears it.
        """
        if kind != gp.GP_EVENT_CAPTURE_COMPLETE:
            return False
        owed, self._owed = self._owed, False
        return not owed

    def _wait(self, wait_ms: int) -> tuple[int, Any]:
        begun_s = monotonic()
        kind, data = self._session.wait_for_event(wait_ms)
        if kind == gp.GP_EVENT_TIMEOUT and monotonic() - begun_s < wait_ms / 2000:
            time.sleep(0.002)  # some ports return at once when nothing is queued; don't spin on them
        return kind, data

    def _drain(self) -> None:
        """Read away what is queued, so that no picture of before is taken for one of the next shot."""
        until_s = monotonic() + DRAIN_S
        while monotonic() < until_s:
            kind, data = self._session.wait_for_event(1)
            if kind == gp.GP_EVENT_TIMEOUT:
                return
            self._completes(kind)
            if kind == gp.GP_EVENT_FILE_ADDED:
                _log.warning("%s is left on the camera: it belongs to no shot", data.name)
                self._usual = 0  # perhaps the second file of the last one: learn anew how many come

    def _save(self, path: tuple[str, str], landing: Landing) -> None:
        part = landing.part(path[1])
        self._session.file_get(*path, gp.GP_FILE_TYPE_NORMAL).save(str(part))
        told = self._session.file_get_info(*path).file
        if told.fields & gp.GP_FILE_INFO_SIZE and told.size != part.stat().st_size:
            raise ShotMissedError(f"exposed, but {part.stat().st_size} of {told.size} bytes of the file came over")


def capture_target(choices: list[str], *, keep_on_card: bool) -> str | None:
    """The choice that keeps pictures in the camera's memory only, or on its card as well; None if there is none."""
    cards = [choice for choice in choices if "card" in choice.lower()]
    if keep_on_card:
        return max(cards, key=len, default=None)  # "card and memory" is named longer than "card"
    return next((choice for choice in choices if "ram" in choice.lower() and choice not in cards), None)


def _choices_of(widget: Any) -> tuple[str, ...]:
    """What a setting may be, nothing where it is not a matter of choice."""
    return tuple(widget.get_choices()) if widget.get_type() in (gp.GP_WIDGET_RADIO, gp.GP_WIDGET_MENU) else ()


def _typed(kind: int, value: str) -> str | float | int:
    if kind == gp.GP_WIDGET_RANGE:
        return float(value)
    if kind in (gp.GP_WIDGET_TOGGLE, gp.GP_WIDGET_DATE):
        return int({"on": "1", "off": "0"}.get(value.lower(), value))
    return value


def _suffix(path: tuple[str, str]) -> str:
    return path[1].rpartition(".")[2].lower()


def _why(error: gp.GPhoto2Error | _FullError) -> str:
    return f"{error.string} ({error.code})" if isinstance(error, gp.GPhoto2Error) else str(error)


@contextmanager
def _errors(happened: str) -> Iterator[None]:
    try:
        yield
    except gp.GPhoto2Error as error:
        raise RetryError(f"{happened}: {_why(error)}") from error
