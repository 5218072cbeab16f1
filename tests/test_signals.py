"""A host that can only run a command or call a URL: what its signals come to, from the words to the frames."""

import asyncio
import base64
import json
import urllib.error
import urllib.request
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from lapsed import app, configuration, settings
from lapsed.__main__ import main
from lapsed.by_signal import BySignal, Signal
from lapsed.decide import state as s
from lapsed.errors import BugError, UserError
from lapsed.model import LayerSeen, LinkUp, Outcome, PrintEnded, PrintInfo, PrintStarted, Why
from lapsed.settings import SignalLink
from lapsed.take import reader
from lapsed.web.server import Server
from lapsed.web.words import SignalWish

STILL = {"gphoto": "tests.benchmarks.still_camera:open_camera"}

CONFIG = """
[store]
folder = "{folder}/takes"
min_free_mb = 0
[web]
port = {port}
[[printer]]
name = "pier"
cadence = {{ every_layers = 2, park = false, hold_limit_s = 5 }}
[printer.link]
kind = "signal"
[[printer.camera]]
kind = "gphoto"
exposure_s = 0.05
"""


class Hand:
    """A hand on its own, and what it told."""

    def __init__(self, lost_after_s=3600.0, known=None):
        self.told = []
        self.by = BySignal(SignalLink(kind="signal", lost_after_s=lost_after_s), self.told.append, known)

    def signal(self, kind, **more):
        self.by.signal(Signal(kind, **more))


async def test_signals_become_the_events_of_a_print():
    hand = Hand()
    hand.signal("start", file="beacon.gcode", layers=3)
    hand.signal("layer", layer=1, height_mm=0.2)
    hand.signal("layer")
    hand.signal("cue")
    hand.signal("end", outcome=Outcome.FAILED)
    assert hand.told == [
        PrintStarted(PrintInfo("beacon.gcode", layers=3)),
        LayerSeen(1, 0.2),
        LayerSeen(2),
        s.ShootNow(Why.SIGNAL),
        PrintEnded(Outcome.FAILED),
    ]


async def test_a_host_that_never_signals_a_start_is_filmed_all_the_same():
    hand = Hand()
    hand.signal("layer")
    hand.signal("end")
    hand.signal("end")
    hand.signal("layer", layer=17)
    assert hand.told == [
        PrintStarted(PrintInfo("print")),
        LayerSeen(1),
        PrintEnded(Outcome.FINISHED),
        PrintStarted(PrintInfo("print"), joined=True),
        LayerSeen(17),
    ]


async def test_a_print_that_falls_silent_is_given_up_and_one_of_before_goes_on():
    hand = Hand(lost_after_s=0.05, known=PrintInfo("beacon.gcode"))
    running = asyncio.create_task(hand.by.run())
    async with asyncio.timeout(10):
        while len(hand.told) < 3:  # noqa: ASYNC110 - the time-out under test
            await asyncio.sleep(0.01)
    running.cancel()
    assert hand.told[:2] == [LinkUp(), PrintStarted(PrintInfo("beacon.gcode"), joined=True)]
    assert hand.told[2].outcome is Outcome.LOST


def test_such_a_host_is_never_held():
    with pytest.raises(BugError):
        Hand().by.hold(1)


def test_parking_is_not_asked_of_a_host_that_signals():
    text = CONFIG.format(folder="/tmp/x", port=0).replace("park = false", "park = true")  # noqa: S108 - nothing is written
    with pytest.raises(UserError, match="parks by itself"):
        configuration.parse(text, where="it")


@asynccontextmanager
async def workshop(folder, kinds=STILL, hold_limit_s=5, **web):
    """A daemon whose host signals, its API on a port of its own; gives the desk, the configuration and the address."""
    text = CONFIG.format(folder=folder, port=0).replace("hold_limit_s = 5", f"hold_limit_s = {hold_limit_s}")
    whole = configuration.parse(text, where="it")
    whole = whole.model_copy(update={"web": settings.Web.model_validate({"port": 0, **web})})
    daemon = app.Daemon(whole, None, kinds=kinds)
    server = Server(whole.web, daemon.desk, folder / "takes" / "token")
    server.listen()
    config = folder / "lapsed.toml"
    config.write_text(CONFIG.format(folder=folder, port=server.port))
    tasks = [asyncio.create_task(daemon.run()), asyncio.create_task(server.run())]
    try:
        async with asyncio.timeout(30):
            while not daemon.ready:  # noqa: ASYNC110 - a worker process is waited for
                await asyncio.sleep(0.02)
        yield daemon.desk, config, f"http://127.0.0.1:{server.port}"
    finally:
        daemon.stop()
        await tasks[0]
        tasks[1].cancel()
        await asyncio.gather(tasks[1], return_exceptions=True)


async def ended(desk):
    async with asyncio.timeout(20):
        while desk.now().printers[0].take is not None:  # noqa: ASYNC110 - frames still land
            await asyncio.sleep(0.02)


async def test_a_whole_print_by_the_command(tmp_path, capsys):
    async with workshop(tmp_path) as (desk, config, _):

        async def signal(*words):
            status = await asyncio.to_thread(main, ["signal", *words, "--config", str(config), "--strict"])
            return status, capsys.readouterr().out.strip()

        assert await signal("start", "--file", "/prints/beacon.gcode", "--layers", "4") == (0, "heard")
        said = [await signal("layer", "--layer", str(layer), "--height", str(layer * 0.2)) for layer in range(1, 5)]
        assert [status for status, _ in said] == [0, 0, 0, 0]
        assert [text for _, text in said] == [
            "shot 1: the shutter has closed",
            "no frame is wanted here",
            "shot 2: the shutter has closed",
            "no frame is wanted here",
        ]
        assert await signal("cue") == (0, "shot 3: the shutter has closed")
        assert await signal("end") == (0, "heard")
        await ended(desk)
    (take,) = reader.list_takes(tmp_path / "takes")
    view = reader.read_take(take.folder)
    assert (take.print_name, view.outcome, take.landed) == ("beacon.gcode", Outcome.FINISHED, 4)
    assert [cue.why for cue in view.cues] == [Why.LAYER, Why.LAYER, Why.SIGNAL, Why.END]


async def test_a_retry_with_its_key_is_no_second_shot(tmp_path):
    async with workshop(tmp_path) as (desk, _, _):
        wish = SignalWish(signal="cue", key="layer-7")
        first, second = await asyncio.gather(desk.signal("pier", wish), desk.signal("pier", wish))
        third = await desk.signal("pier", wish)
        assert {first.text, second.text, third.text} == {"shot 1: the shutter has closed"}
        assert (await desk.signal("pier", SignalWish(signal="cue", key="layer-8"))).text.startswith("shot 2")
        desk.end_take("pier")
        await ended(desk)


async def test_a_shutter_that_never_closes_keeps_the_host_no_longer_than_the_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(app, "LEAVE_WITHIN_S", 0.1)
    stuck = {"gphoto": "tests.camera.kinds.stuck:open_camera"}
    async with workshop(tmp_path, stuck, hold_limit_s=1) as (desk, _, _):
        # The shutter stays open for an hour, so that whatever is answered is answered by the limit.
        told = await asyncio.wait_for(desk.signal("pier", SignalWish(signal="cue")), 60)
        assert told.text.startswith("shot 1: ")
        assert "has closed" not in told.text


async def test_without_waiting_the_answer_comes_at_once(tmp_path):
    async with workshop(tmp_path) as (desk, _, _):
        assert (await desk.signal("pier", SignalWish(signal="cue", wait=False))).text == "shot 1: under way"
        desk.end_take("pier")
        await ended(desk)


def fetched(url, **headers):
    try:
        with urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=20) as answer:  # noqa: S310 - ours
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.load(error)


async def test_a_host_that_can_only_call_a_url(tmp_path):
    async with workshop(tmp_path, address="0.0.0.0") as (desk, _, url):  # noqa: S104 - so that a token is asked for
        token = (tmp_path / "takes" / "token").read_text().strip()
        # RFC 7617, 2: the word Basic and user:password in Base64.
        basic = {"Authorization": "Basic " + base64.b64encode(f"host:{token}".encode()).decode()}
        call = f"{url}/signal/pier/layer?layer=1&height_mm=0.2&key=a"
        assert (await asyncio.to_thread(fetched, call))[0] == 401
        status, told = await asyncio.to_thread(lambda: fetched(call, **basic))
        assert (status, told["text"]) == (200, "shot 1: the shutter has closed")
        site = {**basic, "Sec-Fetch-Site": "cross-site"}
        assert (await asyncio.to_thread(lambda: fetched(f"{url}/signal/pier/cue", **site)))[0] == 403
        assert (await asyncio.to_thread(lambda: fetched(f"{url}/signal/pier/jump", **basic)))[0] == 422
        desk.end_take("pier")
        await ended(desk)


@pytest.mark.parametrize(("words", "status"), [([], 0), (["--strict"], 1)])
def test_without_a_daemon_a_host_that_runs_the_command_is_not_made_to_fail(tmp_path, capsys, words, status):
    config = tmp_path / "lapsed.toml"
    config.write_text(CONFIG.format(folder=tmp_path, port=9))
    assert main(["signal", "layer", "--config", str(config), *words]) == status
    assert "no daemon answers at 127.0.0.1 port 9" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--printer", "mole"], "there is no printer 'mole'"),
        (["--layer", ""], "'' is not a whole number"),
        (["--height", "1,2"], "'1,2' is not a number"),
        (["--config", "broken.toml"], "broken.toml: printer is missing"),
    ],
)
def test_what_a_macro_or_an_editor_got_wrong_is_told_and_ends_no_print(tmp_path, capsys, monkeypatch, words, told):
    monkeypatch.chdir(tmp_path)
    Path("broken.toml").touch()
    Path("lapsed.toml").write_text(CONFIG.format(folder=tmp_path, port=9))
    assert main(["signal", "layer", "--config", "lapsed.toml", *words]) == 0
    assert told in capsys.readouterr().err
    assert main(["signal", "layer", "--config", "lapsed.toml", *words, "--strict"]) == 1


def test_a_signal_that_there_is_not_is_refused(capsys):
    assert main(["signal", "leap"]) == 2
    assert "invalid choice: 'leap'" in capsys.readouterr().err


async def test_takes_shoot_and_check_go_through_a_daemon_that_runs(tmp_path, capsys, monkeypatch):
    async with workshop(tmp_path) as (desk, config, _):
        monkeypatch.setattr("lapsed.commands_camera.daemon", lambda *_: 4711)
        out = tmp_path / "test.jpg"
        words = ["shoot", "--config", str(config), "--out", str(out)]
        assert await asyncio.to_thread(main, words) == 0
        assert out.read_bytes()[:2] == b"\xff\xd8"
        capsys.readouterr()
        words = ["check", "--config", str(config), "--json"]
        assert await asyncio.to_thread(main, words) == 0
        sections = {part["title"]: part["checks"] for part in json.loads(capsys.readouterr().out)["sections"]}
        assert sections["camera main"][0]["found"] == "the daemon (process 4711) has it"
        assert len(sections["camera main"]) > 1  # what the daemon's camera says of itself
        await desk.signal("pier", SignalWish(signal="start", file="beacon.gcode"))
        await desk.signal("pier", SignalWish(signal="layer"))
        assert await asyncio.to_thread(main, ["takes", "--config", str(config)]) == 0
        assert "pier films beacon.gcode now: " in capsys.readouterr().out
        desk.end_take("pier")
        await ended(desk)
