"""What `lapsed init` writes is a configuration, whatever is found and answered."""

import itertools

import pytest

from lapsed import configuration
from lapsed.__main__ import main
from lapsed.camera import found
from lapsed.camera.found import Device, Found
from lapsed.first_configuration import Answers, camera_of, park_point, written

FACTS = """[printer.link]
url = "ws://192.168.1.20:8130/"

[printer.link.facts]
layer = ["/told/at"]
"""


@pytest.mark.parametrize(
    ("camera", "round_bed", "facts"),
    list(itertools.product(("gphoto", "capture", "release"), (False, True), ("", FACTS))),
)
def test_every_answer_makes_a_configuration(camera, round_bed, facts):
    answers = Answers(
        printer="pier-2",
        facts=facts,
        bed=(235.0, 180.0),
        round_bed=round_bed,
        length_s=7.5,
        camera=camera,
        device="/dev/serial/by-id/an adapter",
        store="/srv/takes",
    )
    read = configuration.parse(written(answers), where="it")
    (printer,) = read.printer
    assert (printer.name, printer.cadence.length_s, printer.camera[0].kind) == ("pier-2", 7.5, camera)
    assert printer.machine.bed.holds(printer.machine.park_point_mm)
    assert printer.link.url == ("ws://192.168.1.20:8130/" if facts else "ws://127.0.0.1:8130/")
    assert str(read.store.folder) == "/srv/takes"


@pytest.mark.parametrize(
    ("seen", "kind"),
    [
        (Found(("a camera",), (Device("/dev/video0", "a webcam"),), ()), ("gphoto", "")),
        (Found((), (Device("/dev/video2", "a webcam"),), (Device("/dev/ttyUSB0", "x"),)), ("capture", "/dev/video2")),
        (Found((), (), (Device("/dev/ttyUSB0", "x"),)), ("gphoto", "")),  # an adapter may be the printer's
    ],
)
def test_the_best_camera_that_is_there_is_chosen(seen, kind):
    assert camera_of(seen) == kind


def test_a_given_park_point_is_kept():
    assert park_point(Answers(park=(7.0, 9.0))) == (7.0, 9.0)


def test_devices_are_found_by_the_names_that_last(tmp_path):
    dev, sysfs = tmp_path / "dev", tmp_path / "sys"
    for node in ("ttyUSB0", "ttyACM1", "video0", "video1", "video4"):
        dev.mkdir(exist_ok=True)
        (dev / node).touch()
    # Linux makes a second node of a capture device for its metadata, with index 1 (kernel docs, uvcvideo).
    for node, index, name in (("video0", "0", "Webcam"), ("video1", "1", "Webcam"), ("video4", "0", "Stick")):
        (sysfs / node).mkdir(parents=True)
        (sysfs / node / "index").write_text(f"{index}\n")
        (sysfs / node / "name").write_text(f"{name}\n")
    for folder, link, node in (("v4l/by-id", "usb-stick", "video4"), ("serial/by-id", "usb-adapter", "ttyUSB0")):
        (dev / folder).mkdir(parents=True)
        (dev / folder / link).symlink_to(dev / node)
    assert found.capture_devices(dev, sysfs) == (
        Device(str(dev / "video0"), "Webcam"),
        Device(str(dev / "v4l/by-id/usb-stick"), "Stick"),
    )
    assert found.serial_ports(dev) == (
        Device(str(dev / "ttyACM1"), "ttyACM1"),
        Device(str(dev / "serial/by-id/usb-adapter"), "ttyUSB0"),
    )


def test_init_finds_the_camera_and_writes_once(tmp_path, capsys, monkeypatch):
    card = tmp_path / "card" / "DCIM" / "100OTTER"
    card.mkdir(parents=True)
    (card / "OTTR0001.JPG").write_bytes(b"\xff\xd8\xff\xd9")
    monkeypatch.setenv("VCAMERADIR", str(tmp_path / "card"))
    out = tmp_path / "new ones" / "lapsed.toml"
    answers = ["--printer", "pier", "--bed", "round:180", "--length", "8", "--store", "/srv/Größe"]
    assert main(["init", "--out", str(out), "--yes", *answers]) == 0
    told = capsys.readouterr().out
    assert "still camera: " in told
    assert f"lapsed check --config '{out}'" in told
    assert configuration.load(out).printer[0].machine.bed.radius_mm == 90
    before = out.read_text()
    assert 'folder = "/srv/Größe"' in before
    assert main(["init", "--out", str(out), "--yes"]) == 2
    assert out.read_text() == before


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--bed", "large"], "no bed"),
        (["--park", "5"], "write it like 5,215"),
        (["--park", "900,900"], "outside the bed"),
        (["--camera", "release"], "needs its port"),
        (["--facts", "/nowhere"], "cannot read /nowhere"),
        (["--printer", "Über"], "argument --printer: 'Über' is not a name: small letters"),
        (["--url", "http://host/"], "argument --url: an address begins with ws:// or wss://"),
        (["--length", "0"], "argument --length: '0' is not a number from 0.01 to 3600"),
    ],
)
def test_answers_that_cannot_be_are_told_and_nothing_is_written(tmp_path, capsys, monkeypatch, words, says):
    monkeypatch.setattr("lapsed.commands_setup.find", lambda: Found((), (), ()))
    out = tmp_path / "lapsed.toml"
    assert main(["init", "--out", str(out), "--yes", *words]) == 2
    assert says in capsys.readouterr().err
    assert not out.exists()


def asked(monkeypatch, answers):
    """Someone at a terminal who gives these answers, and then Ctrl-D."""
    left = iter(answers)

    def answer(_question):
        try:
            return next(left)
        except StopIteration:
            raise EOFError from None

    monkeypatch.setattr("lapsed.commands_setup.find", lambda: Found((), (), ()))
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", answer)


def test_answers_are_asked_for_until_they_are_right(tmp_path, capsys, monkeypatch):
    asked(monkeypatch, ["large", "180x200", "Pier!", "pier", "http://host/", "", "soon", "8"])
    out = tmp_path / "lapsed.toml"
    assert main(["init", "--out", str(out)]) == 0
    (printer,) = configuration.load(out).printer
    assert (printer.name, printer.cadence.length_s, printer.machine.bed.y_mm) == ("pier", 8, (0, 200))
    told = capsys.readouterr().err
    for refused in ("'large' is no bed", "'Pier!' is not a name", "begins with ws://", "'soon' is not a number"):
        assert refused in told


def test_ctrl_d_at_a_question_ends_it_without_a_file(tmp_path, capsys, monkeypatch):
    asked(monkeypatch, ["180x200"])
    assert main(["init", "--out", str(tmp_path / "lapsed.toml")]) == 130
    assert capsys.readouterr().err.endswith("lapsed: interrupted\n")
    assert list(tmp_path.iterdir()) == []
