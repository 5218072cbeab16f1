"""`lapsed check` as a person runs it."""

import json
import signal
import subprocess
import sys

import pytest

from lapsed import app, configuration
from lapsed.__main__ import main
from lapsed.check import place
from lapsed.check.facts import HostFacts
from lapsed.check.survey import Survey
from lapsed.model import PrintInfo
from lapsed.settings import Files, Settings
from lapsed.sim.host import SimHost
from lapsed.sim.part import write_part

EMPTY = """
[store]
folder = "{folder}"
[web]
serve = false
[[printer]]
name = "ottermole"
[printer.link]
url = "ws://127.0.0.1:9/"
[[printer.camera]]
kind = "gphoto"
[printer.camera.power]
argv = ["/nowhere/relay", "cycle"]
"""


@pytest.fixture
def nothing(tmp_path, monkeypatch):
    monkeypatch.delenv("VCAMERADIR", raising=False)
    config = tmp_path / "lapsed.toml"
    config.write_text(EMPTY.format(folder=tmp_path / "takes"))
    return config


def test_with_nothing_there_it_says_what_to_do(nothing, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["check", "--config", str(nothing)]) == 1
    told, err = capsys.readouterr()
    assert "127.0.0.1:9 cannot be reached: connection refused" in told
    assert "no camera is found on USB" in told
    assert "there is no program '/nowhere/relay' that may be run" in " ".join(told.split())
    assert max(len(line) for line in told.splitlines() if str(nothing.parent) not in line) <= 80
    assert told.splitlines()[-1].endswith("3 to mend before the print")
    assert "Traceback" not in told + err


def test_looks_at_host_disk_and_cameras_and_keeps_a_test_frame(host_url, configured, tmp_path, capsys):
    assert main(["check", "--config", str(configured(host_url)), "--shots", "1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    sections = {section["title"]: section for section in told["sections"]}
    checks = {title: {check["what"]: check for check in part["checks"]} for title, part in sections.items()}
    assert list(sections) == ["host", "machine and disk", "camera main", "camera side"]
    assert told["verdict"] == "warn"
    assert checks["host"]["head"]["verdict"] == "pass"
    assert checks["machine and disk"]["disk space"]["found"].count("room for") == 1
    assert checks["camera main"]["battery"]["found"] == "50 %"
    assert "1280x720" in checks["camera main"]["test frame"]["found"]
    assert checks["camera main"]["clip wide"]["verdict"] == "warn"
    # The drawn camera writes its shutter time into Exif, where the check reads it.
    assert "1/50 s" in checks["camera side"]["lamp flicker"]["found"]
    for check in checks["camera main"], checks["camera side"]:
        assert check["shutter closed"]["verdict"] == check["file safe"]["verdict"] == "pass"
    assert sum(sections["camera side"]["light"]["bins"]) == pytest.approx(1)
    assert sorted(path.name for path in (tmp_path / "takes" / "check").iterdir()) == [
        "ottermole-main.jpg",
        "ottermole-side.jpg",
    ]


def test_who_has_a_capture_device_open_is_told(nothing, tmp_path, capsys):
    device = tmp_path / "video7"
    device.write_text("no device")
    (tmp_path / "by-id").symlink_to(device)
    text = nothing.read_text()
    nothing.write_text(
        f'{text[: text.index("[[printer.camera]]")]}[[printer.camera]]\nkind = "capture"\ndevice = "{tmp_path}/by-id"'
    )
    program = f"import sys; file = open({str(device)!r}); print('open', flush=True); sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as viewer:
        viewer.stdout.readline()
        main(["check", "--config", str(nothing), "--json"])
        viewer.stdin.close()
    (found,) = [c for c in json.loads(capsys.readouterr().out)["sections"][2]["checks"] if c["what"] == "found"]
    assert f"(process {viewer.pid}) has it open: end that program" in found["advice"]


def test_a_camera_that_misses_is_told_with_its_reason(configured, tmp_path, capsys):
    config = configured("ws://127.0.0.1:9/")
    (tmp_path / "card" / "DCIM" / "100OTTER" / "OTTR0001.JPG").write_bytes(b"")
    assert main(["check", "--config", str(config), "--json"]) == 1
    sections = json.loads(capsys.readouterr().out)["sections"]
    (missed,) = [check for check in sections[2]["checks"] if check["what"] == "test shots"]
    assert missed["found"].startswith("1 of 1 missed: ")
    assert not (tmp_path / "takes" / "check").exists()


def test_cameras_of_a_running_daemon_are_left_alone(nothing, capsys):
    command = [sys.executable, "-m", "lapsed", "run", "--config", str(nothing)]
    with subprocess.Popen(command, stderr=subprocess.PIPE) as running:
        assert any(b"watching" in line for line in running.stderr)
        main(["check", "--config", str(nothing)])
        running.send_signal(signal.SIGTERM)
        running.stderr.read()
    assert f"the daemon (process {running.pid}) has it" in capsys.readouterr().out


def test_a_sliced_file_is_judged_before_it_is_printed(nothing, tmp_path, capsys):
    (tmp_path / "beacon.gcode").write_text(write_part(20))
    assert main(["check", "--config", str(nothing), "--file", str(tmp_path / "beacon.gcode"), "--json"]) == 1
    lines = {check["what"]: check for check in json.loads(capsys.readouterr().out)["sections"][1]["checks"]}
    assert "20 layers, 8.00 mm high" in lines["printed file"]["found"]
    assert lines["printed file"]["found"].endswith("the rule wants 21 frames")  # the last of the finished part
    assert "above the part's 8.0 mm" in lines["park point"]["found"]


@pytest.mark.parametrize(("running", "wanted"), [(None, 21), (PrintInfo("beacon.gcode"), 6)])
async def test_what_an_idle_host_tells_of_its_last_print_is_not_of_the_next(
    nothing, tmp_path, monkeypatch, running, wanted
):
    (tmp_path / "beacon.gcode").write_text(write_part(20))
    seen = HostFacts("bench:1", reached=True, file="beacon.gcode", running=running, done=0.75)

    async def host(_):
        return seen

    monkeypatch.setattr(place, "host", host)
    printer = configuration.load(nothing).printer[0].model_copy(update={"files": Files(folder=tmp_path)})
    sections = await Survey(Settings(printer=(printer,)), app.CAMERA_KINDS, 1, tmp_path, None, lambda _: ()).of(printer)
    (found,) = [check.found for check in sections[1].checks if check.what == "printed file"]
    assert found.endswith(f"the rule wants {wanted} frames")


async def test_the_file_that_the_host_names_is_read_where_it_keeps_it(nothing, tmp_path):
    part = tmp_path / "share" / "beacon.gcode"
    part.parent.mkdir()
    part.write_text(write_part(20))
    async with SimHost() as host:
        await host.bench.begin(part)
        whole = nothing.read_text().replace("ws://127.0.0.1:9/", host.url)
        files = f'[printer.files]\nfolder = "{part.parent}"\n[[printer.camera]]'
        printer = configuration.parse(whole.replace("[[printer.camera]]", files), where="here").printer[0]
        survey = Survey(Settings(printer=(printer,)), app.CAMERA_KINDS, 1, tmp_path, None, lambda _: ())
        sections = await survey.of(printer)
    lines = {check.what: check for check in sections[1].checks}
    assert lines["printed file"].found.startswith("beacon.gcode: 20 layers")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--printer", "none"), "there is no printer 'none' in the configuration; it has ottermole"),
        (("--shots", "0"), "'0' is not a whole number from 1 to 100"),
    ],
)
def test_bad_input_is_told_in_a_sentence(nothing, arguments, told, capsys):
    assert main(["check", "--config", str(nothing), *arguments]) == 2
    assert told in capsys.readouterr().err


def test_a_store_that_cannot_be_written_fails(nothing, tmp_path, capsys):
    (tmp_path / "takes").write_text("a file where a folder should be")
    assert main(["check", "--config", str(nothing), "--json"]) == 1
    checks = json.loads(capsys.readouterr().out)["sections"][1]["checks"]
    assert {check["what"]: check["verdict"] for check in checks}["folder"] == "fail"
