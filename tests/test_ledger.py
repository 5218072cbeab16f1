"""The runner's hand on a journal: what it passes on, and when."""

import asyncio

from lapsed.clock import stamp
from lapsed.errors import TakeEndedError
from lapsed.ledger import Ledger
from lapsed.model import Note, Outcome, PrintInfo
from lapsed.take import reader
from lapsed.take.records import Noted


def noted(text):
    return Noted(Note("test", text), stamp())


def texts(folder):
    return [event.text for event in reader.read_take(folder).events if event.kind == "test"]


async def test_what_is_written_in_one_turn_waits_for_its_end_and_keeps_its_order(tmp_path):
    ledger = Ledger.beginning(tmp_path, PrintInfo("beacon.gcode"), {}, ["main"], lambda *_: None)
    early = ledger.write(noted("early"))
    folder = await ledger.opened()
    given = []
    submit = ledger._journal.submit
    ledger._journal.submit = lambda *records: (given.append(len(records)), submit(*records))[1]
    first, second = ledger.write(noted("one")), ledger.write(noted("two"), noted("three"))
    assert given == []  # a camera ordered now is ordered before the journal's thread wakes up
    async with asyncio.timeout(30):
        assert [await early, await first, await second] == [True, True, True]
    assert texts(folder) == ["early", "one", "two", "three"]
    ledger.write(noted("last"))
    await ledger.close(Outcome.FINISHED, "")
    assert texts(folder)[-1] == "last"
    assert await ledger.written(noted("too late")) is False


async def test_leaving_takes_along_what_was_written_in_the_same_turn(tmp_path):
    ledger = Ledger.beginning(tmp_path, PrintInfo("beacon.gcode"), {}, ["main"], lambda *_: None)
    folder = await ledger.opened()
    answer = ledger.write(noted("last"))
    await ledger.leave()
    assert await answer is True
    assert texts(folder) == ["last"]


async def test_a_take_that_cannot_be_opened_answers_all_that_was_written(tmp_path):
    heard = []

    def refuse():
        raise TakeEndedError("no room")

    ledger = Ledger(refuse, lambda _, error: heard.append(str(error)), 0.0)
    early = ledger.write(noted("early"))
    assert await ledger.opened() is None
    async with asyncio.timeout(30):
        assert (await early, await ledger.written(noted("late"))) == (False, False)
    assert heard == ["no room"]
