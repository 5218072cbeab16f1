"""Against the examples of the JSON-RPC 2.0 specification (jsonrpc.org/specification, section 7)."""

import pytest

from lapsed.sim import rpc
from lapsed.sim.rpc import Problem, Request


def codes(message: str | bytes) -> list[int | str]:
    return [part.code if isinstance(part, Problem) else part.method for part in rpc.read(message)[0]]


@pytest.mark.parametrize(
    ("message", "expected", "batch"),
    [
        pytest.param('{"jsonrpc": "2.0", "method": "foobar, "params": "bar", "baz]', [-32700], False, id="broken"),
        pytest.param('{"jsonrpc": "2.0", "method": 1, "params": "bar"}', [-32600], False, id="no request"),
        pytest.param(
            '[{"jsonrpc": "2.0", "method": "sum", "id": "1"},{"jsonrpc": "2.0", "method"]',
            [-32700],
            False,
            id="broken batch",
        ),
        pytest.param("[]", [-32600], False, id="empty batch"),
        pytest.param("[1]", [-32600], True, id="wrong batch"),
        pytest.param("[1,2,3]", [-32600, -32600, -32600], True, id="wrong batch of three"),
        pytest.param(
            '[{"jsonrpc":"2.0","method":"sum","params":[1],"id":"1"},{"foo":"boo"}]',
            ["sum", -32600],
            True,
            id="mixed batch",
        ),
        pytest.param("[" * 100_000, [-32700], False, id="too deep (ours)"),
        pytest.param(b"\xff\xfe\x00", [-32700], False, id="no text (ours)"),
        pytest.param('{"method":"a","id":1}', [-32600], False, id="no version (ours)"),
        pytest.param('{"jsonrpc":"2.0","method":"a","params":3,"id":1}', [-32600], False, id="odd params (ours)"),
        pytest.param('{"jsonrpc":"2.0","method":"a","id":{}}', [-32600], False, id="odd id (ours)"),
        pytest.param('{"jsonrpc":"2.0","method":"a","id":true}', [-32600], False, id="id is a flag (ours)"),
    ],
)
def test_reading(message: str | bytes, expected: list[int | str], batch: bool) -> None:
    assert (codes(message), rpc.read(message)[1]) == (expected, batch)


def test_call_with_named_parameters() -> None:
    message = '{"jsonrpc": "2.0", "method": "subtract", "params": {"subtrahend": 23, "minuend": 42}, "id": 3}'
    assert rpc.read(message)[0] == [Request("subtract", {"subtrahend": 23, "minuend": 42}, 3)]


def test_notification_wants_no_answer() -> None:
    (request,), _ = rpc.read('{"jsonrpc": "2.0", "method": "update", "params": [1,2,3,4,5]}')
    assert request == Request("update", None, None, wants_answer=False)


def test_null_is_an_id() -> None:
    (request,), _ = rpc.read('{"jsonrpc": "2.0", "method": "a", "id": null}')
    assert request == Request("a", {}, None, wants_answer=True)


def test_answers() -> None:
    assert rpc.result(3, 19) == {"jsonrpc": "2.0", "result": 19, "id": 3}
    assert rpc.error(Problem(-32601, "Method not found", "1")) == {
        "jsonrpc": "2.0",
        "error": {"code": -32601, "message": "Method not found"},
        "id": "1",
    }
