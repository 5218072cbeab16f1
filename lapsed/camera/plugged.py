"""Hears from the kernel what is plugged in, so that a camera that is off need not be looked for all the time."""

import asyncio
import socket
from collections.abc import Callable
from pathlib import Path

_UEVENT = 15  # NETLINK_KOBJECT_UEVENT (linux/netlink.h); group 1 is of the kernel's own messages
_GROUP = 1
_MOST_BYTES = 8192
# The kernel tells nothing to a container with users of its own (user_namespaces(7)): not all are mapped to themselves.
_USERS, _ALL = Path("/proc/self/uid_map"), ["0", "0", "4294967295"]
# Not the interfaces of USB devices: those come anew when a program that opens a camera configures it.
_OURS = frozenset({b"DEVTYPE=usb_device", b"SUBSYSTEM=video4linux", b"SUBSYSTEM=tty"})


def has_come(message: bytes) -> bool:
    """Whether the kernel tells with `message` that a device has come which may be a camera or lead to one.

    It is "add@" and the device's path, then a word for each property, all ended by zeros (lib/kobject_uevent.c).
    """
    action, *words = message.split(b"\0")
    return action.startswith(b"add@") and not _OURS.isdisjoint(words)


def ear() -> socket.socket | None:
    """A socket on which the kernel tells of devices; None where it may not be had, or would stay silent."""
    try:
        if _USERS.read_text("ascii").split() != _ALL:
            return None
        made = socket.socket(socket.AF_NETLINK, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK, _UEVENT)
    except OSError:
        return None
    try:
        made.bind((0, _GROUP))
    except OSError:
        made.close()
        return None
    return made


class Plugs:
    """Calls `heard` on the running event loop whenever something has come, until `close`; `hears` tells if it can."""

    def __init__(self, heard: Callable[[], None]) -> None:
        self._heard = heard
        self._ear = ear()
        if self._ear is not None:
            asyncio.get_running_loop().add_reader(self._ear, self._read, self._ear)

    @property
    def hears(self) -> bool:
        """Whether what is plugged in will be heard of."""
        return self._ear is not None

    def close(self) -> None:
        """Hear nothing any more."""
        if self._ear is not None:
            asyncio.get_running_loop().remove_reader(self._ear)
            self._ear.close()
            self._ear = None

    def _read(self, ear: socket.socket) -> None:
        try:
            come = has_come(ear.recv(_MOST_BYTES))
        except OSError:
            come = True  # more was told than the socket holds (ENOBUFS, netlink(7)): any of it may have been ours
        if come:
            self._heard()
