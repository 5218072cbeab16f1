"""The real kind `gphoto` on the virtual camera, where a picture turns up on the camera before each release."""

import json
import os
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from lapsed.camera.gphoto import Gphoto
from lapsed.settings import GphotoCamera


def open_camera(options: Mapping[str, object]) -> "Leftover":
    return Leftover(GphotoCamera.model_validate(options))


class Leftover(Gphoto):
    def release(self, by_s: float, released: Callable[[float], None]) -> None:
        # The virtual camera takes this as an order to add a picture of its own after so many milliseconds.
        opcode = self._session.get_single_config("opcode")
        opcode.set_value("0x9999,0x0,0x1")
        self._session.set_single_config("opcode", opcode)
        time.sleep(0.05)
        super().release(by_s, released)

    def clear(self) -> None:
        taken = [name for _, name in self._paths[: self._done]]
        there = self._files("/")
        super().clear()
        told = {"taken": taken, "there": there, "left": self._files("/")}
        with Path(os.environ["LEFTOVER_TOLD"]).open("a") as file:
            file.write(json.dumps(told) + "\n")

    def _files(self, folder: str) -> list[str]:
        listed, folders = self._session.folder_list_files(folder), self._session.folder_list_folders(folder)
        found = [listed.get_name(at) for at in range(listed.count())]
        for at in range(folders.count()):
            found += self._files(f"{folder.rstrip('/')}/{folders.get_name(at)}")
        return found
