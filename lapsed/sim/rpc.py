"""JSON-RPC 2.0 as the specification has it (jsonrpc.org/specification): reading requests, writing answers. Pure."""

import json
from dataclasses import dataclass, field
from typing import Any

PARSE_ERROR = -32700
INVALID_REQUEST = -32600
METHOD_NOT_FOUND = -32601
INVALID_PARAMS = -32602
NOT_NOW = -32000
"""Ours, from the range left to servers: the call is understood but can't be followed as things stand."""

Id = str | int | float | None


@dataclass(frozen=True, slots=True)
class Request:
    """A call; without `wants_answer` it is a notification, which is carried out in silence.

    `params` is None where they came by position, which no method here takes.
    """

    method: str
    params: dict[str, Any] | None = field(default_factory=dict)
    id: Id = None
    wants_answer: bool = True


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with a message, as an error to answer with."""

    code: int
    message: str
    id: Id = None


class RpcError(Exception):
    """A call failed; `code` and the text go into the answer."""

    def __init__(self, code: int, message: str) -> None:
        super().__init__(message)
        self.code = code


def read(message: str | bytes) -> tuple[list[Request | Problem], bool]:
    """The requests in a message, and whether they came as a batch and want answers as one."""
    try:
        value = json.loads(message)
    except (ValueError, RecursionError):
        return [Problem(PARSE_ERROR, "this is not JSON")], False
    if isinstance(value, list) and value:
        return [_request(part) for part in value], True
    return [_request(value)], False


def _request(value: object) -> Request | Problem:
    if not isinstance(value, dict):
        return Problem(INVALID_REQUEST, "a request is an object")
    ident, method = value.get("id"), value.get("method")
    if isinstance(ident, bool) or not isinstance(ident, str | int | float | None):
        return Problem(INVALID_REQUEST, "id is a string, a number or null")
    if value.get("jsonrpc") != "2.0" or not isinstance(method, str):
        return Problem(INVALID_REQUEST, 'a request has "jsonrpc": "2.0" and a method', ident)
    params = value.get("params", {})
    if not isinstance(params, dict | list):
        return Problem(INVALID_REQUEST, "params is an object or an array", ident)
    return Request(method, params if isinstance(params, dict) else None, ident, "id" in value)


def result(ident: Id, value: object) -> dict[str, object]:
    """The answer to a call that went well."""
    return {"jsonrpc": "2.0", "result": value, "id": ident}


def error(problem: Problem) -> dict[str, object]:
    """The answer to one that didn't."""
    return {"jsonrpc": "2.0", "error": {"code": problem.code, "message": problem.message}, "id": problem.id}


def news(params: dict[str, object]) -> str:
    """The notification with which the host tells what changed."""
    return text({"jsonrpc": "2.0", "method": "bench.news", "params": params})


def text(value: object) -> str:
    """A message as JSON text."""
    return json.dumps(value, separators=(",", ":"))


def lines_in(params: dict[str, Any]) -> list[str]:
    """The parameter `lines`, each a single line. Raises RpcError."""
    lines = params.get("lines")
    if not isinstance(lines, list) or not all(isinstance(line, str) and "\n" not in line for line in lines):
        raise RpcError(INVALID_PARAMS, "lines is a list of single lines")
    return lines


def text_in(params: dict[str, Any], name: str) -> str:
    """A parameter that is a text. Raises RpcError."""
    value = params.get(name)
    if not isinstance(value, str):
        raise RpcError(INVALID_PARAMS, f"{name} is a text")
    return value
