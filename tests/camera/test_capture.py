"""The kind `capture`: frames proven fresh by their times, on a double of the kernel's side and on a real device."""

import errno
import glob
import itertools
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from lapsed.camera import raw_pixels
from lapsed.camera import v4l2_abi as abi
from lapsed.camera.capture import Capture, open_camera
from lapsed.camera.landing import Landing
from lapsed.camera.link_budget import Mode
from lapsed.camera.v4l2 import BUFFERS, Device, Node, Range, usb_speed_mbit
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import CameraTold, Exposed, Landed, Missed, Released, Verdict
from lapsed.settings import CaptureCamera
from tests.camera.kinds.device import JPEG, DeviceDouble

HD = Mode("MJPG", 1920, 1080, (30.0, 15.0))
CONTROLS = {
    "auto_exposure": [3, 0, 3, 1],
    "exposure": [100, 1, 5000, 1],
    "auto_white_balance": [1, 0, 1, 1],
    "white_balance_k": [4000, 2800, 6500, 10],
    "gain": [10, 0, 100, 1],
    "auto_focus": [1, 0, 1, 1],
    "focus": [0, 0, 250, 5],
    "mains": [0, 0, 2, 1],
}


def test_requests_are_those_of_the_kernel(tmp_path):
    """Compiled from the kernel's own header, where there is a compiler."""
    compiler = shutil.which("cc")
    if compiler is None or not Path("/usr/include/linux/videodev2.h").exists():
        pytest.skip("there is no C compiler, or no linux/videodev2.h")
    names = [name for name in vars(abi) if f"{name}".isupper() and isinstance(getattr(abi, name), int)]
    requests = [name for name in names if getattr(abi, name) >> 8 & 0xFF == ord("V") and name[0] != "F"]
    lines = "".join(f'printf("%s %lu\\n", "{name}", (unsigned long)VIDIOC_{name});' for name in requests)
    (tmp_path / "a.c").write_text(
        f"#include <stdio.h>\n#include <linux/videodev2.h>\nint main(void) {{ {lines} return 0; }}\n"
    )
    subprocess.run([compiler, tmp_path / "a.c", "-o", tmp_path / "a"], check=True)
    told = subprocess.run([tmp_path / "a"], check=True, capture_output=True, text=True).stdout
    assert len(requests) == 16
    assert {name: getattr(abi, name) for name in requests} == {
        name: int(number) for name, number in (line.split() for line in told.splitlines())
    }


class Rig:
    """A capture device's double and the kind on it, both on a virtual clock."""

    def __init__(self, tmp_path, modes=(HD,), speed=480.0, settings=None, **double) -> None:
        self.now = 100.0
        self.folder = tmp_path
        self.shots = 0
        self.device = DeviceDouble(tuple(modes), now=lambda: self.now, sleep=self.sleep, **double)
        self.part = CaptureCamera(kind="capture", **(settings or {}))
        self.kind = Capture(self.part, lambda _: self.device, lambda _: speed, lambda: self.now)

    def sleep(self, seconds: float) -> None:
        self.now += seconds + 1e-6

    def shoot(self, within_s: float = 5.0) -> tuple[float, bytes, Path]:
        """One picture: when the order was, its bytes, its file."""
        told = []
        self.shots += 1
        self.kind.release(self.now + within_s, told.append)
        landing = Landing(self.folder, f"{self.shots:06}")
        self.kind.fetch(landing)
        (name,), _ = landing.land()
        self.kind.clear()
        (at_s,) = told
        return at_s, (self.folder / name).read_bytes(), self.folder / name


@pytest.fixture
def rig(tmp_path):
    made = []

    def make(**how):
        made.append(Rig(tmp_path, **how))
        made[-1].kind.ensure_ready()
        return made[-1]

    yield make
    for one in made:
        one.kind.ensure_stopped()
        assert one.device.closed


def exposed_at(picture: bytes) -> float:
    """What the double writes into a frame: when its exposure began."""
    return float(picture[6:-2])


FLAGS = {
    "times of the start of exposure": abi.FLAG_MONOTONIC | abi.FLAG_START_OF_EXPOSURE,
    "times of the end of the frame": abi.FLAG_MONOTONIC,
    "no times that can be compared": 0,
    "times copied from elsewhere": 0x4000,
}


@pytest.mark.parametrize("lag_s", [0.0, 0.2])
@pytest.mark.parametrize("flags", FLAGS.values(), ids=FLAGS.keys())
def test_the_frame_was_exposed_after_the_order_and_the_lag_however_long_the_pause(rig, flags, lag_s):
    bench = rig(flags=flags, settings={"lag_s": lag_s})
    for pause_s in (0.0, 0.01, 0.5, 90.0):
        bench.now += pause_s
        at_s, picture, _ = bench.shoot()
        assert at_s + lag_s <= exposed_at(picture) <= at_s + lag_s + (BUFFERS + 4) / 30


def test_frames_come_as_they_came(rig):
    bench = rig(scene=lambda _: JPEG % b"as it came" + bytes(40))
    _, picture, path = bench.shoot()
    assert picture == JPEG % b"as it came" + bytes(40)
    assert path.suffix == ".jpg"


def test_a_raw_frame_becomes_a_png_that_loses_nothing(rig):
    grey = Mode("GREY", 64, 48, (30.0,))
    noise = np.random.default_rng(1).integers(0, 256, (48, 64), np.uint8)
    bench = rig(modes=(grey,), scene=lambda _: noise.tobytes())
    _, _, path = bench.shoot()
    assert path.suffix == ".png"
    assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), noise)


def test_several_frames_are_averaged_on_wish(rig):
    shades = itertools.cycle([100, 104])
    frame = lambda _: raw_pixels.encoded(np.full((16, 16, 3), next(shades), np.uint8), "jpg")  # noqa: E731 - short
    bench = rig(scene=frame, settings={"average": 4})
    _, picture, _ = bench.shoot()
    assert np.abs(raw_pixels.decoded(picture).astype(int) - 102).max() <= 1


def test_broken_frames_are_passed_over(rig):
    spoilt = itertools.chain([JPEG[:-2] % b"no end", b"", b"\x00" * 9], itertools.repeat(None))
    bench = rig()
    bench.device.scene = lambda at_s: next(spoilt) or JPEG % f"{at_s:.3f}".encode()
    bench.now += 10
    at_s, picture, _ = bench.shoot()
    assert exposed_at(picture) >= at_s
    bench.device.flags |= abi.FLAG_ERROR
    with pytest.raises(ShotMissedError, match=r"gave 0 of 1 frames .* order, and \d+ that were broken"):
        bench.shoot()
    bench.device.flags ^= abi.FLAG_ERROR
    assert bench.shoot()


def test_a_device_that_stops_giving_frames_costs_the_shot_in_time(rig):
    bench = rig()
    bench.device.streams = False
    bench.device.filled.clear()
    begun_s = bench.now
    with pytest.raises(ShotMissedError, match=r"gave 0 of 1 frames exposed after the order$"):
        bench.shoot(within_s=3.0)
    assert bench.now - begun_s < 3.0


def test_a_device_that_stops_giving_frames_is_told_while_idle(rig):
    bench = rig()
    bench.now += 5
    assert bench.kind.idle() == bench.kind.ensure_ready()
    bench.device.streams = False
    bench.device.filled.clear()
    with pytest.raises(RetryError, match="gives no frames any more"):
        bench.kind.idle()


def test_after_a_while_without_shots_it_rests_and_runs_warm_again(rig):
    bench = rig(settings={"standby_s": 60, "warm_up_s": 1.0})
    for _ in range(11):
        bench.now += 5
        bench.kind.idle()
    assert bench.device.streams
    bench.now += 10
    bench.kind.idle()
    assert not bench.device.streams
    asked_s = bench.now
    at_s, picture, _ = bench.shoot()
    assert at_s - asked_s >= 1.0
    assert exposed_at(picture) >= at_s


# ------------------------------------------------------------------------------------------------------- setting up


def test_what_is_offered_is_listed_with_its_rates(rig):
    modes = (HD, Mode("MJPG", 640, 480, (30.0,)), Mode("YUYV", 640, 480, (29.97, 7.5)))
    assert Device(rig(modes=modes).device).modes() == modes


def test_of_a_range_of_sizes_the_largest_is_taken(rig):
    bench = rig(modes=(HD,), stepwise=True)
    assert Device(bench.device).modes() == (HD,)


def test_the_rule_takes_the_bus_into_account(rig):
    modes = (Mode("YUYV", 1920, 1080, (30.0, 5.0)), Mode("MJPG", 1920, 1080, (30.0,)))
    assert "1920x1080 MJPG at 30" in rig(modes=modes, speed=480.0, settings={"least_fps": 10}).kind.ensure_ready()
    assert "1920x1080 YUYV at 30" in rig(modes=modes, speed=5000.0).kind.ensure_ready()
    assert rig(modes=modes, speed=480.0).device.fps == 5


def test_manual_exposure_and_white_balance_are_set_where_there_are_controls(rig):
    known = {name: list(numbers) for name, numbers in CONTROLS.items()}
    wanted = {"exposure_s": 0.02, "white_balance_k": 5104, "gain": 7, "focus": 32, "mains_hz": 50}
    bench = rig(controls=known, settings=wanted)
    assert {name: numbers[0] for name, numbers in known.items()} == {
        "auto_exposure": 1,  # V4L2_EXPOSURE_MANUAL
        "exposure": 200,  # in units of 100 microseconds
        "auto_white_balance": 0,
        "white_balance_k": 5100,
        "gain": 7,
        "auto_focus": 0,
        "focus": 30,
        "mains": 1,  # V4L2_CID_POWER_LINE_FREQUENCY_50HZ
    }
    checks = {check.what: check for check in bench.kind.inspect()}
    assert checks["exposure"].found == "manual, 0.02 s"
    assert checks["white balance"].found == "fixed at 5100; 5104 was asked for"
    assert checks["focus"].advice == "it can do 0 to 250 in steps of 5"


def test_white_balance_that_is_not_given_stays_where_automatic_brought_it(rig):
    known = {"auto_white_balance": [1, 0, 1, 1]}
    checks = {check.what: check for check in rig(controls=known).kind.inspect()}
    assert known["auto_white_balance"][0] == 0
    assert checks["white balance"].verdict is Verdict.PASS
    assert checks["exposure"].found == "the device has no control for it"


def test_what_is_left_automatic_is_warned_of(rig):
    known = {name: list(numbers) for name, numbers in CONTROLS.items()}
    checks = {check.what: check for check in rig(controls=known, settings={"manual": False}).kind.inspect()}
    assert checks["exposure"].verdict is Verdict.WARN
    assert known == CONTROLS


def test_exposure_out_of_reach_is_told(rig):
    known = {"auto_exposure": [3, 0, 3, 1], "exposure": [1, 1, 300, 1], "auto_focus": [1, 0, 1, 1]}
    checks = {check.what: check for check in rig(controls=known, settings={"exposure_s": 0.1}).kind.inspect()}
    assert checks["exposure"].found == "manual, 0.03 s; 0.1 was asked for"
    assert checks["exposure"].advice == "it can do 0.0001 to 0.03 s"
    assert checks["focus"].verdict is Verdict.WARN


def test_the_budget_and_the_loss_are_told_in_numbers(rig):
    modes = (HD, Mode("YUYV", 3840, 2160, (30.0,)))
    checks = {check.what: check for check in rig(modes=modes, settings={"stills_megapixels": 25}).kind.inspect()}
    assert checks["3840x2160 YUYV"].found == "at 30 a second it needs 497.7 MB/s of 24.6 MB/s"
    assert checks["against stills"].found == "1920x1080 is 8% of the 25 megapixels your camera can shoot"
    assert checks["link"].verdict is Verdict.WARN


@pytest.mark.parametrize(("value", "nearest"), [(-3, 0), (6, 5), (8, 10), (99, 20)])
def test_a_control_is_set_to_the_nearest_it_can_do(value, nearest):
    assert Range(0, 20, 5).nearest(value) == nearest


REFUSED = {
    "no frames": ({"caps": abi.CAP_STREAMING}, UserError, "gives no frames: a webcam has a second node"),
    "nothing fits": (
        {"modes": (Mode("YUYV", 3840, 2160, (30.0,)),)},
        UserError,
        "it offers 3840x2160 YUYV: see size_px",
    ),
    "nothing there": ({"modes": ()}, UserError, "it offers nothing"),
    "something else": (
        {"gives": Mode("MJPG", 640, 480, ())},
        UserError,
        "asked for 1920x1080 MJPG and gives 640x480 MJPG",
    ),
    "no room": ({"refuses": {abi.STREAMON: errno.ENOSPC}}, RetryError, "the bus has no room for"),
    "in use": ({"refuses": {abi.S_FMT: errno.EBUSY}}, RetryError, "another program uses"),
    "no device of this sort": ({"refuses": {abi.QUERYCAP: errno.ENOTTY}}, UserError, "is no capture device"),
    "not allowed": ({"refuses": {abi.QUERYCAP: errno.EACCES}}, UserError, "to the group of that device"),
    "broken": ({"refuses": {abi.ENUM_FMT: errno.ENOMEM}}, RetryError, "Cannot allocate memory"),
    "broken sizes": ({"refuses": {abi.ENUM_FRAMESIZES: errno.EIO}}, RetryError, "there is no /dev/none"),
    "broken controls": ({"refuses": {abi.QUERYCTRL: errno.EPERM}}, UserError, "may not be opened"),
    "broken rates": ({"refuses": {abi.S_PARM: errno.EBUSY}}, RetryError, "another program uses"),
}


@pytest.mark.parametrize(("double", "error", "sentence"), REFUSED.values(), ids=REFUSED.keys())
def test_a_device_that_cannot_be_used_is_told_in_a_sentence(tmp_path, double, error, sentence):
    bench = Rig(tmp_path, settings={"device": "/dev/none"}, **double)
    with pytest.raises(error, match=sentence):
        bench.kind.ensure_ready()


def test_a_device_without_rates_to_set_keeps_its_own(rig):
    assert rig(refuses={abi.S_PARM: errno.ENOTTY}).shoot()


def test_a_device_that_is_away_is_waited_for():
    with pytest.raises(RetryError, match="there is no /dev/none: plug the device in"):
        open_camera({"kind": "capture", "device": "/dev/none"}).ensure_ready()


def test_the_speed_that_a_device_really_got_stands_in_sysfs(tmp_path):
    # As in Documentation/ABI/stable/sysfs-bus-usb: the interface's folder has none, the device's has.
    interface = tmp_path / "devices" / "usb1" / "1-2" / "1-2:1.0"
    (tmp_path / "class" / "video0").mkdir(parents=True)
    interface.mkdir(parents=True)
    (interface.parent / "speed").write_text("480\n")
    (tmp_path / "class" / "video0" / "device").symlink_to(interface)
    assert usb_speed_mbit("/dev/video0", tmp_path / "class") == 480
    assert usb_speed_mbit("/dev/video1", tmp_path / "class") is None


# ------------------------------------------------------------------------------------------------ in a real worker


@pytest.fixture
def worker(tend, tmp_path, monkeypatch):
    """Makes a context with a device in a worker, and the folder of its faults."""
    home = tmp_path / "device"
    home.mkdir()
    monkeypatch.setenv("DEVICE_HOME", str(home))
    limits = {"lag_s": 0.05, "warm_up_s": 0.05, "exposure_s": 0.01, "expose_within_s": 1.0, "ready_within_s": 30.0}
    part = CaptureCamera(kind="capture", **limits)
    return lambda: tend(part, "device:open_camera"), home


FAULTS = {
    "unplugged": ("gone", "plug"),
    "zero bytes": ("black", "the device gave 0 of 1 frames"),
    "garbage": ("cut", "the device gave 0 of 1 frames"),
    "hang": ("hang", "its worker was ended"),
}


@pytest.mark.parametrize(("fault", "reason"), FAULTS.values(), ids=FAULTS.keys())
async def test_a_fault_costs_no_more_than_its_shot(worker, fault, reason):
    make, home = worker
    async with make() as camera:
        await camera.ready()
        assert isinstance(await camera.shoot(1), Landed)
        assert camera.stations(1) == [Released, Exposed, Landed]
        (home / fault).touch()
        missed = await camera.shoot(2, within_s=2.0)
        assert isinstance(missed, Missed)
        assert reason in missed.reason
        (home / fault).unlink()
        assert isinstance(await camera.shoot(3, within_s=15.0), Landed)


async def test_frames_of_a_worker_were_exposed_after_their_order(worker):
    make, _ = worker
    async with make() as camera:
        await camera.ready()
        for shot in (1, 2, 3):
            landed = await camera.shoot(shot)
            assert isinstance(landed, Landed)
            released = next(event for event in camera.of(shot) if isinstance(event, Released))
            exposed = next(event for event in camera.of(shot) if isinstance(event, Exposed))
            at_s = exposed_at((camera.folder / landed.files[0]).read_bytes())
            assert released.at_s + 0.05 <= at_s + 0.001 <= exposed.at_s
        news = [event.text for event in camera.told if isinstance(event, CameraTold)]
    assert news == ["Pier eye at /dev/video0, 1920x1080 MJPG at 30 a second"]


# --------------------------------------------------------------------------------------------------- a real device


def virtual_device() -> str | None:
    """A capture device that a kernel's own test driver makes."""
    for path in sorted(glob.glob("/dev/video*")):  # noqa: PTH207 - device nodes
        try:
            device = Device(node := Node(path))
        except OSError:
            continue
        node.close()
        if device.captures and any(word in device.name.lower() for word in ("vivid", "dummy", "loopback")):
            return path
    return None


def test_a_real_device_gives_fresh_frames(tmp_path):
    path = virtual_device()
    if path is None:
        pytest.skip("this kernel has no virtual capture device (modules vivid or v4l2loopback)")
    kind = open_camera({"kind": "capture", "device": path, "warm_up_s": 0.1})
    kind.ensure_ready()
    try:
        told = []
        kind.release(kind._now() + 5, told.append)
        landing = Landing(tmp_path, "000001")
        kind.fetch(landing)
        (name,), _ = landing.land()
        assert cv2.imread(str(tmp_path / name)).shape[:2] == (kind._picture.mode.height, kind._picture.mode.width)
    finally:
        kind.ensure_stopped()
