import json
import subprocess
import sys
from pathlib import Path

import pytest

CONFIG = """
[store]
folder = "{folder}/takes"
min_free_mb = 10
[[clip]]
name = "wide"
size_px = [3840, 2160]
[[printer]]
name = "ottermole"
[printer.link]
url = "{url}"
reply_within_s = 20
[printer.machine]
park_point_mm = [8, 212]
[[printer.camera]]
kind = "gphoto"
exposure_s = 0.01
[[printer.camera]]
kind = "scene"
name = "side"
url = "{url}"
exposure_s = 0.02
width_px = 480
height_px = 320
"""


@pytest.fixture(scope="module")
def host_url():
    """The address of a simulated host, a process of its own."""
    host = subprocess.Popen([sys.executable, "-m", "lapsed.sim.host"], stdout=subprocess.PIPE)
    yield json.loads(host.stdout.readline())["url"]
    host.terminate()
    host.wait(20)
    host.stdout.close()


@pytest.fixture
def configured(tmp_path, monkeypatch):
    """Makes a configuration with the virtual camera, which sees the demo's picture, and a drawn one."""

    def make(url):
        card = tmp_path / "card" / "DCIM" / "100OTTER"
        card.mkdir(parents=True)
        picture = Path(__file__).parents[2] / "configs" / "demo.jpg"
        (card / "OTTR0001.JPG").write_bytes(picture.read_bytes())
        monkeypatch.setenv("VCAMERADIR", str(tmp_path / "card"))
        config = tmp_path / "lapsed.toml"
        config.write_text(CONFIG.format(folder=tmp_path, url=url))
        return config

    return make
