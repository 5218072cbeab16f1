"""`lapsed bridge`: a plain cable by three options, and what a configuration makes of it."""

import os
import subprocess
import sys
import tty

import pytest

from lapsed.__main__ import main
from lapsed.bridge.options import parsed
from lapsed.commands_bridge import configured
from lapsed.settings import BridgeLink, Printer
from tests.bridge.line import squares
from tests.bridge.test_process import got, until

CAMERAS = ({"kind": "gphoto"},)


def test_port_rate_and_link_alone_make_a_plain_cable(tmp_path):
    master, slave = os.openpty()
    tty.setraw(slave)
    link = tmp_path / "host"
    command = [sys.executable, "-m", "lapsed", "bridge", "--port", os.ttyname(slave), "--baud", "250000"]
    bridge = subprocess.Popen([*command, "--link", str(link)], stderr=subprocess.DEVNULL)
    try:
        until(link.is_symlink)
        host = os.open(link, os.O_RDWR | os.O_NOCTTY)
        sent = "".join(f"{text}\n" for text in squares(9)).encode()
        os.write(host, sent)
        # Nothing is answered, and all comes through: nothing waits, not even for answers.
        assert got(master, len(sent)) == sent
        assert [path.name for path in tmp_path.iterdir() if path.is_socket()] == []
        os.close(host)
    finally:
        bridge.terminate()
        assert bridge.wait(20) == 0
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ([], "give either --printer NAME, or --port and --link"),
        (["--printer", "ottermole", "--port", "/dev/x"], "give either --printer NAME, or --port and --link"),
        (["--port", "/dev/x"], "a plain cable needs --port, the printer's, and --link, the host's"),
        (["--port", "/dev/x", "--link", "x", "--baud", "5"], "'5' is not a whole number from 50"),
    ],
)
def test_options_that_do_not_go_together_are_refused_in_a_sentence(capsys, options, sentence):
    assert main(["bridge", *options]) == 2
    assert sentence in capsys.readouterr().err


def test_all_that_the_configuration_says_of_a_bridge_reaches_its_process(tmp_path):
    link = BridgeLink(
        kind="bridge",
        port="socket://printer.example:8000",
        baud=57600,
        folder=tmp_path,
        mode="600",
        reset=True,
        answer_within_s=0.2,
        drain_within_s=7,
        check_position=False,
        card_poll_s=3,
        over_after_h=2,
        harmless=("M9999",),
    )
    options = parsed(configured(Printer(name="ottermole", link=link, camera=CAMERAS)).text())
    assert (options.port, options.baud, options.mode, options.reset) == (link.port, 57600, 0o600, True)
    assert options.link == str(tmp_path / "ottermole.port")
    assert options.socket == str(tmp_path / "ottermole.sock")
    ways = options.ways
    assert (ways.answer_within_s, ways.drain_within_s, ways.card_poll_s, ways.over_after_s) == (0.2, 7, 3, 7200)
    assert (ways.check_position, ways.harmless) == (False, {"M9999"})
    plain = configured(Printer(name="ottermole", link=BridgeLink(kind="bridge", port="/dev/x"), camera=CAMERAS)).ways
    assert (plain.check_position, plain.card_poll_s) == (True, None)
