"""The daemon's hand on a print that streams through a bridge, against a bridge that the test plays."""

import asyncio
import contextlib
import json

import pytest

from lapsed.bridge import talk
from lapsed.by_bridge import ByBridge
from lapsed.decide import state as s
from lapsed.model import (
    Block,
    HeightSeen,
    LayerSeen,
    LinkDown,
    LinkUp,
    MotionSeen,
    Outcome,
    PrintEnded,
    PrintResumed,
    PrintStarted,
)
from lapsed.settings import BridgeLink

HELD = talk.Held(7, (50.0, 50.0, 0.4, 0.0), (0.0, 0.0, 0.0, 0.0), 1500.0, True, True, False, False, 0.2)  # noqa: FBT003


class Played:
    """A bridge at a socket; `events` are what the daemon made of its words, `wants` whether a layer is to be shot."""

    def __init__(self, folder, **left):
        self.events = []
        self.wants = False
        link = BridgeLink(kind="bridge", port="/dev/x", folder=folder, retry_most_s=0.02)
        self.hand = ByBridge(link, "ottermole", 8.0, self._tell, **left)
        self._path = link.socket_of("ottermole")
        self.calls = asyncio.Queue()

    def _tell(self, event):
        self.events.append(event)
        if isinstance(event, LayerSeen) and self.wants:
            self.hand.hold(7)

    async def listen(self):
        return await asyncio.start_unix_server(lambda *ends: self.calls.put_nowait(ends), self._path)

    async def called(self, *, printing=True, printer=True):
        """The next connection, greeted both ways."""
        self.reader, self.writer = await asyncio.wait_for(self.calls.get(), 30)
        assert (await self.word())["say"] == "hello"
        self.says(talk.Hello(talk.VERSION, host=True, printer=printer, printing=printing))

    def says(self, *messages):
        self.writer.write(b"".join(map(talk.line_of, messages)))

    async def word(self):
        return json.loads(await asyncio.wait_for(self.reader.readline(), 30))

    async def made_of(self, *messages):
        """The events that the daemon makes of some words."""
        before = len(self.events)
        self.says(*messages, talk.Height(99.0))
        async with asyncio.timeout(30):
            while not self.events[before:] or self.events[-1] != HeightSeen(99.0):  # noqa: ASYNC110 - a list has no event
                await asyncio.sleep(0.002)
        return self.events[before:-1]


@contextlib.asynccontextmanager
async def played(folder, *, printing=True, **left):
    bridge = Played(folder, **left)
    server = await bridge.listen()
    following = asyncio.create_task(bridge.hand.run())
    try:
        await bridge.called(printing=printing)
        await bridge.made_of()
        yield bridge
    finally:
        following.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await following
        server.close()
        while not bridge.calls.empty():
            bridge.calls.get_nowait()[1].close()
        bridge.writer.close()
        await server.wait_closed()


LAYER = talk.Layer(3, 2, 0.4, waits=True)


async def test_a_layer_of_which_no_frame_is_wanted_is_passed_at_once(tmp_path):
    """So it is too where the take has ended with an error of the journal: nobody orders a hold then."""
    async with played(tmp_path) as bridge:
        assert await bridge.made_of(LAYER) == [LayerSeen(2, 0.4)]
        assert await bridge.word() == {"say": "pass", "token": 3}


async def test_a_shot_holds_the_waiting_line_leaves_and_comes_back_by_the_bridges_words(tmp_path):
    async with played(tmp_path) as bridge:
        bridge.wants = True
        await bridge.made_of(LAYER)
        assert await bridge.word() == {"say": "hold", "shot": 7, "token": 3, "limit_s": 8.0}
        seen = await bridge.made_of(HELD)
        assert isinstance(seen[0], MotionSeen)
        assert seen[1:] == [s.Done(7, s.Phase.HOLDING)]
        assert bridge.hand.top_mm(40.0) == 0.2  # what the bridge has seen laid, not the height of the whole part
        bridge.hand.leave(7, Block(("G1 X0",), ("G1 X50",), leave_s=1.0, come_back_s=1.5))
        assert await bridge.word() == {
            "say": "leave",
            "shot": 7,
            "leave": ["G1 X0"],
            "come_back": ["G1 X50"],
            "come_back_s": 1.5,
        }
        assert await bridge.made_of(talk.Parked(7)) == [s.Done(7, s.Phase.PARKING)]
        bridge.hand.back(7, ())
        assert await bridge.word() == {"say": "free", "shot": 7}
        assert await bridge.made_of(talk.Freed(7)) == [s.Done(7, s.Phase.RETURNING)]


@pytest.mark.parametrize(
    ("word", "event"),
    [
        (talk.Refused(7, "not homed"), s.Failed(7, s.Phase.HOLDING, "not homed")),
        (talk.Freed(7, "the hold limit was reached"), PrintResumed("the hold limit was reached")),
        (talk.Refused(6, "not homed"), None),
    ],
)
async def test_why_a_print_is_not_held_reaches_the_shot_that_ordered_it(tmp_path, word, event):
    async with played(tmp_path) as bridge:
        bridge.wants = True
        await bridge.made_of(LAYER)
        assert await bridge.made_of(word) == ([] if event is None else [event])


async def test_a_bridge_that_goes_away_in_a_hold_is_told_and_called_again(tmp_path):
    async with played(tmp_path) as bridge:
        bridge.wants = True
        await bridge.made_of(LAYER)
        before = len(bridge.events)
        bridge.writer.close()
        await bridge.called()
        await bridge.made_of()
        down, gone, up = bridge.events[before : before + 3]
        assert gone == PrintResumed("the bridge went away")
        assert down == LinkDown("the bridge hung up")
        assert isinstance(up, LinkUp)
        assert up.gap_s is not None
        bridge.hand.hold(8)
        assert await bridge.word() == {"say": "hold", "shot": 8, "token": None, "limit_s": 8.0}


@pytest.mark.parametrize(("printing", "printer"), [(True, True), (False, True), (False, False)])
async def test_a_bridge_that_goes_away_with_the_head_away_is_told_with_what_that_may_mean(tmp_path, printing, printer):
    async with played(tmp_path) as bridge:
        bridge.wants = True
        await bridge.made_of(LAYER, HELD)
        bridge.hand.leave(7, Block(("G1 X0",), ("G1 X50",), leave_s=1.0, come_back_s=1.5))
        await bridge.made_of(talk.Parked(7))
        before = len(bridge.events)
        bridge.writer.close()
        await bridge.called(printing=printing, printer=printer)
        await bridge.made_of()
        down, gone, *then = bridge.events[before:]
        assert "with the heaters on: see to the printer" in down.reason
        assert gone == PrintResumed("the bridge went away")
        ended = [event for event in then if isinstance(event, PrintEnded)]
        reason = "the print ended while the bridge could not be heard; the head was away from the part when it last was"
        assert ended == ([] if printing else [PrintEnded(Outcome.LOST, reason)])


@pytest.mark.parametrize(("away", "told"), [(True, True), (False, False)])
async def test_where_daemon_and_bridge_were_ended_at_once_the_journal_tells_where_the_head_was(tmp_path, away, told):
    async with played(tmp_path, printing=False, away=away) as bridge:
        (ended,) = [event for event in bridge.events if isinstance(event, PrintEnded)]
        assert ("the head was away from the part" in ended.detail) is told


@pytest.mark.parametrize(
    ("outcome", "reason"),
    [
        (Outcome.FINISHED, ""),
        (Outcome.CANCELLED, "the print was cancelled at the printer"),
        (Outcome.FAILED, "the printer was reset"),
        (Outcome.FAILED, "the host closed its port in mid-print"),
        (Outcome.LOST, "the host has sent no move for 60 minutes"),
    ],
)
async def test_how_a_print_ended_is_told_with_the_bridges_reason(tmp_path, outcome, reason):
    async with played(tmp_path) as bridge:
        assert await bridge.made_of(talk.PrintOver(outcome.value, reason)) == [PrintEnded(outcome, reason)]


async def test_an_order_while_the_bridge_is_away_fails_at_once(tmp_path):
    bridge = Played(tmp_path)
    bridge.hand.hold(7)
    bridge.hand.resume(7)
    assert bridge.events == [
        s.Failed(7, s.Phase.HOLDING, "the bridge can't be heard"),
        s.Done(7, s.Phase.RESUMING),
    ]


async def test_a_print_from_the_printers_card_begins_a_take_of_its_own_name_whose_heights_are_seen(tmp_path):
    async with played(tmp_path) as bridge:
        began, height = await bridge.made_of(
            talk.PrintBegan("1-1", joined=False, name="PIER.G", card=True), talk.Height(3.4)
        )
        assert isinstance(began, PrintStarted)
        assert (began.print.name, began.joined) == ("PIER.G", False)
        assert height == HeightSeen(3.4)
