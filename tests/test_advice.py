"""Advice is what the page of messages says, found again for what the daemon says."""

import pytest

from lapsed import advice

PAGE = """
| message | why, and what to do |
| --- | --- |
| *the host went ...*, *... left in a hurry* | mend `reply_within_s`, see [hosts](hosts.md) |
| *the host went away for ... s* | wait |
| *the head fell* | likewise, and pick it up |
| *the tripod fell* | see *the host went ...* |
| *mind the step* | as it says |

| message | why |
| --- | --- |
| *failed: ...* | as the host said |
"""


def test_rows_are_read_as_plain_text_and_point_to_each_other() -> None:
    rows = {pattern.pattern.replace("\\", ""): told for pattern, told in advice.parsed(PAGE)}
    assert rows == {
        "the host went ": "mend reply_within_s, see hosts",
        " left in a hurry": "mend reply_within_s, see hosts",
        "the host went away for .+ s": "wait",
        "the head fell": "wait",
        "the tripod fell": "mend reply_within_s, see hosts",
        "mind the step": "",
    }


@pytest.mark.parametrize(
    ("text", "begins"),
    [
        ("shot 3 missed: the host did not answer in time", "the host is busy or the network slow"),
        ("camera main: no camera is found on USB: is it on?", "switch it on, plug it in"),
        ("shot 4 of camera main missed: the camera was still exposing shot 3", "layers come faster than the camera"),
        ("the host can't be heard: connection refused", "the print goes on without shots"),
        ("shot 9 missed: the disk has 3 MB left and min_free_mb is 500", "free some"),
        ("the worker hangs in the kernel and cannot be ended; unplug the camera and plug it in again", ""),
        ("the disk has room for 12 more shots of 9.1 MB, and 300 are still to come", "free some"),
        ("the card of camera main has room for 3 more shots of 9.1 MB, and 9 are still to come", "another card"),
        ("the battery of camera main is at 61 %, lost 6 % an hour: enough for only 9 h of the 14 h", "feed it"),
        ("reading failed: no reason", ""),
    ],
)
def test_a_trouble_finds_its_advice(text: str, begins: str) -> None:
    found = advice.of(text)
    assert (bool(found), found.startswith(begins)) == (bool(begins), True)
