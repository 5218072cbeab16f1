"""Finding the one still camera on USB that is meant. Only a worker imports this."""

from typing import Any

import gphoto2 as gp

from lapsed.errors import RetryError, UserError


def find(serial: str | None) -> Any:
    """A fresh session with the camera of this serial number, or with the only one there is."""
    # Mounted cards show up as cameras on "disk:" ports.
    seen = gp.Camera.autodetect()
    ports = [str(seen.get_value(at)) for at in range(seen.count())]
    ports = [port for port in ports if not port.startswith("disk:")]
    if not ports:
        raise RetryError("no camera is found on USB: switch it on, plug it in, and set it to remote control (PTP)")
    if serial is None and len(ports) > 1:
        raise UserError(f"{len(ports)} cameras are found on USB: name the one that is meant by its serial number")
    known = gp.PortInfoList()
    known.load()
    others: list[str] = []
    for port in ports:
        session = gp.Camera()
        session.set_port_info(known[known.lookup_path(port)])
        try:
            session.init()
            number = str(session.get_single_config("serialnumber").get_value()) if serial else None
        except gp.GPhoto2Error as error:
            others.append(f"one at {port} cannot be opened ({error.string}), perhaps another program holds it")
            continue
        if number == serial:
            return session
        others.append(f"one has serial number {number}")
        session.exit()
    wanted = f"no camera with serial number {serial} is found" if serial else "the camera is not to be had"
    raise RetryError(f"{wanted}: {'; '.join(others)}")
