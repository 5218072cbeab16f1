"""Hearing of what is plugged in."""

import asyncio
import socket

import pytest

from lapsed.camera import orders, plugged

TTY = (  # as Linux 6.18 said it
    b"add@/devices/virtual/tty/tty0\0ACTION=add\0DEVPATH=/devices/virtual/tty/tty0\0SUBSYSTEM=tty\0SYNTH_UUID=0\0"
    b"MAJOR=4\0MINOR=0\0DEVNAME=tty0\0SEQNUM=866\0"
)
# Properties from memory.
USB = b"add@/devices/pci0/usb1/1-2\0ACTION=add\0SUBSYSTEM=usb\0DEVNAME=bus/usb/001/007\0DEVTYPE=usb_device\0SEQNUM=9\0"


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        pytest.param(TTY, True, id="a serial adapter"),
        pytest.param(USB, True, id="a USB device"),
        pytest.param(USB.replace(b"SUBSYSTEM=usb", b"SUBSYSTEM=video4linux"), True, id="a capture device"),
        pytest.param(USB.replace(b"=usb_device", b"=usb_interface"), False, id="an interface, as a camera is opened"),
        pytest.param(USB.replace(b"add", b"remove"), False, id="one that went"),
        pytest.param(TTY.replace(b"=tty\0", b"=block\0"), False, id="a disk"),
        pytest.param(b"", False, id="nothing"),
        pytest.param(b"\xff\0\xfeadd@", False, id="noise"),
    ],
)
def test_what_may_be_a_camera_that_was_switched_on(message, expected):
    assert plugged.has_come(message) is expected


async def test_a_camera_that_is_switched_on_is_opened_however_long_the_pause(scripted, monkeypatch):
    kernel, ear = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    ear.settimeout(0)
    monkeypatch.setattr(plugged, "ear", lambda: ear)
    monkeypatch.setattr(orders, "rest_s", lambda *_: 1000.0)
    with kernel:
        async with scripted({"ready": ["away"]}) as camera:
            await camera.until(bool)
            while camera.keeper.worker_pid is not None:  # noqa: ASYNC110 - a process ends
                await asyncio.sleep(0.01)
            kernel.send(USB)
            await camera.ready()
    assert [told.ready for told in camera.told] == [False, True]


async def test_without_a_word_from_the_kernel_nothing_will_be_heard(monkeypatch):
    def refused(*_):
        raise OSError(97, "Address family not supported by protocol")

    monkeypatch.setattr(socket, "socket", refused)
    plugs = plugged.Plugs(lambda: None)
    assert not plugs.hears
    plugs.close()


async def test_in_a_container_with_users_of_its_own_nothing_will_be_heard(monkeypatch, tmp_path):
    users = tmp_path / "uid_map"
    users.write_text("         0     100000      65536\n")
    monkeypatch.setattr(plugged, "_USERS", users)
    plugs = plugged.Plugs(lambda: None)
    assert not plugs.hears
    plugs.close()
