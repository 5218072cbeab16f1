"""Bridge and daemon killed at the worst instant: the head is away, and the host's line is withheld."""

import signal

import pytest

from lapsed.model import Outcome
from tests.chaos.day import AFTER, CUES, works
from tests.chaos.serial_day import SerialYard
from tests.chaos.yard import HOLD_LIMIT_S, part

PARK = [8.0, 212.0]


@pytest.mark.slow
async def test_all_killed_with_the_head_away_the_take_is_closed_saying_so_and_the_next_print_is_filmed(tmp_path):
    async with SerialYard(tmp_path, 0, ()) as yard:
        config = yard.config.read_text()
        for key in ("expose_within_s = 1.0", f"hold_limit_s = {HOLD_LIMIT_S}"):
            assert key in config
            config = config.replace(key, f"{key.split()[0]} = 90.0")
        yard.config.write_text(config)
        yard.order("expose hang")
        await yard.start()
        await yard.ready()
        host = yard.send()
        await yard.until(lambda: yard.line.log.stat().st_size and _parked(yard))
        # As in a power cut of the computer: the daemon sees nothing of the bridge's end.
        yard.signal(signal.SIGSTOP)
        yard.line.bridge.kill()
        yard.line.bridge.wait()
        await yard.kill()

        # The host sees its port go; the printer waits where it is, and was sent nothing else.
        await yard.until(lambda: host.poll() is not None)
        assert host.returncode == 1
        sent = yard.line.host_lines()
        assert sent == yard.line.sent()[: len(sent)]
        assert _parked(yard)

        # The next bridge has the same names, the take is closed with the reason, and a print that homes is filmed.
        yard.order()
        yard.line.bridge = yard.line.stand_between()
        await yard.start()
        await yard.until(lambda: [take.outcome for take in yard.takes()] == [Outcome.LOST])
        (cut,) = yard.takes()
        assert "the head was away from the part when it last was" in cut.reason
        assert [shot.outcome for shot in cut.shots] == ["missed"]
        assert _parked(yard)
        await yard.ready()
        yard.line.part.write_text(part(AFTER))
        host = yard.send()
        await yard.until(lambda: host.poll() is not None)
        assert host.returncode == 0
        await yard.until(lambda: all(take.outcome is not None for take in yard.takes()) and len(yard.takes()) == 2)
        assert yard.line.host_lines() == sent + yard.line.sent()
        last = yard.takes()[-1]
        assert len(last.cues) == CUES
        assert works(last)


def _parked(yard):
    last = yard.line.executed()[-1:]
    return bool(last) and last[0]["line"] == "M400" and last[0]["at"][:2] == PARK
