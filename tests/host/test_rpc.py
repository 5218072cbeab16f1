from collections.abc import Collection

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.host.rpc import Reply, filled, replies, request
from lapsed.settings import Call

LINES = ("G1 X1", "G1 X2")


@pytest.mark.parametrize(
    ("template", "expected"),
    [
        ("{lines}", ["G1 X1", "G1 X2"]),
        ("say {lines}!", "say G1 X1\nG1 X2!"),
        ({"a": ["{lines}", 1, None], "{lines}": True}, {"a": [["G1 X1", "G1 X2"], 1, None], "{lines}": True}),
        ("{line}", "{line}"),
        (7.5, 7.5),
    ],
)
def test_lines_are_filled_in(template: object, expected: object) -> None:
    assert filled(template, LINES) == expected


@given(st.lists(st.text()))
def test_lines_that_hold_braces_are_left_as_they_are(lines: list[str]) -> None:
    assert filled({"x": "{lines}"}, lines) == {"x": lines}
    assert filled(" {lines}", ["{lines}"]) == " {lines}"


def test_requests_are_framed() -> None:
    assert request(Call(method="lines.run", params={"lines": "{lines}"}), LINES, 3) == {
        "jsonrpc": "2.0",
        "method": "lines.run",
        "params": {"lines": ["G1 X1", "G1 X2"]},
        "id": 3,
    }
    # JSON-RPC 2.0, section 4: params may be omitted.
    assert request(Call(method="job.hold"), (), 4) == {"jsonrpc": "2.0", "method": "job.hold", "id": 4}
    assert request(Call(message={"do": "{lines}"}), ["M400"], 5) == {"do": ["M400"]}


# Section 7 of the JSON-RPC 2.0 specification holds those marked with *.
@pytest.mark.parametrize(
    ("message", "waiting", "expected"),
    [
        pytest.param({"jsonrpc": "2.0", "result": 19, "id": 1}, {1, 2}, [Reply(1)], id="result *"),
        pytest.param(
            {"jsonrpc": "2.0", "error": {"code": -32601, "message": "Method not found"}, "id": 1},
            {1, 2},
            [Reply(1, "Method not found")],
            id="error *",
        ),
        pytest.param(
            {"jsonrpc": "2.0", "error": {"code": -32700, "message": "Parse error"}, "id": None},
            {7},
            [Reply(7, "Parse error")],
            id="error without id, one waiting *",
        ),
        pytest.param(
            {"jsonrpc": "2.0", "error": {"code": -32700, "message": "Parse error"}, "id": None},
            {7, 8},
            [],
            id="error without id, two waiting",
        ),
        pytest.param(
            [
                {"jsonrpc": "2.0", "result": 7, "id": 1},
                {"jsonrpc": "2.0", "result": 19, "id": 2},
                {"jsonrpc": "2.0", "error": {"code": -32600, "message": "Invalid Request"}, "id": None},
                {"jsonrpc": "2.0", "error": {"code": -32601, "message": "Method not found"}, "id": 5},
                {"jsonrpc": "2.0", "result": ["hello", 5], "id": 9},
            ],
            {1, 2, 5, 9},
            [Reply(1), Reply(2), Reply(5, "Method not found"), Reply(9)],
            id="batch *",
        ),
        pytest.param({"result": None, "id": 1}, {1}, [Reply(1)], id="null result"),
        pytest.param({"result": 1, "error": None, "id": 1}, {1}, [Reply(1)], id="both, error null"),
        pytest.param({"id": 1}, {1}, [], id="neither result nor error"),
        pytest.param({"result": 1, "id": 4}, {1}, [], id="unknown id"),
        pytest.param({"result": 1, "id": "1"}, {1}, [], id="id of another type"),
        pytest.param({"result": 1, "id": True}, {1}, [], id="true is not 1"),
        pytest.param({"result": 1, "id": [1]}, {1}, [], id="id that is no id"),
        pytest.param({"result": 1}, {1}, [], id="result without id"),
        pytest.param({"method": "x", "params": {}, "id": 1}, {1}, [], id="a request of the host's"),
        pytest.param({"error": "no", "id": 1}, {1}, [Reply(1, "no")], id="error that is a text"),
        pytest.param({"error": {"code": 5}, "id": 1}, {1}, [Reply(1, "error 5")], id="error without message"),
        pytest.param({"error": [], "id": 1}, {1}, [Reply(1, "error without a message")], id="error of no shape"),
        pytest.param({"error": {"message": "a\n b"}, "id": 1}, {1}, [Reply(1, "a b")], id="one line"),
        pytest.param({"error": "x" * 999, "id": 1}, {1}, [Reply(1, "x" * 300 + "...")], id="cut"),
        pytest.param([[{"result": 1, "id": 1}]], {1}, [], id="batch in a batch"),
    ],
)
def test_replies_are_matched(message: object, waiting: Collection[int], expected: list[Reply]) -> None:
    assert list(replies(message, waiting)) == expected


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-2, 3) | st.floats() | st.text(max_size=3),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["id", "result", "error", "code", "message", "method"]), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(json_values, st.sets(st.integers(0, 3)))
def test_any_message_is_survived_and_only_waiting_ids_are_answered(message: object, waiting: set[int]) -> None:
    assert {reply.id for reply in replies(message, waiting)} <= waiting
