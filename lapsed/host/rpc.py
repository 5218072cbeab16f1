"""JSON-RPC 2.0 as far as a client needs it: requests from the configured calls, replies matched by id.

Source: JSON-RPC 2.0 Specification (2013), sections 4 to 6.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from lapsed.settings import Call

LINES = "{lines}"
_LONGEST_TEXT = 300


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to one of our requests: `error` is the host's complaint, None where it obliged."""

    id: int
    error: str | None = None


def filled(template: object, lines: Sequence[str]) -> object:
    """`template` with "{lines}" standing alone made the list of `lines`, and within a text the lines as a text."""
    if isinstance(template, str):
        return list(lines) if template == LINES else template.replace(LINES, "\n".join(lines))
    if isinstance(template, dict):
        return {key: filled(value, lines) for key, value in template.items()}
    if isinstance(template, list):
        return [filled(value, lines) for value in template]
    return template


def request(call: Call, lines: Sequence[str], number: int) -> object:
    """What is sent for `call`: a JSON-RPC request with `number` as its id, or its plain message."""
    if call.method is None:
        return filled(call.message, lines)
    # Section 4.2: params may be left out; some servers reject an empty object for a method that takes none.
    params = {"params": filled(call.params, lines)} if call.params else {}
    return {"jsonrpc": "2.0", "method": call.method, **params, "id": number}


def parts(message: object) -> Sequence[object]:
    """The single messages in `message`: those of a batch (section 6), or itself."""
    return message if isinstance(message, list) else (message,)


def replies(message: object, waiting: Collection[int]) -> Iterator[Reply]:
    """The replies in `message` to the requests whose ids are `waiting`; all else in it is passed over.

    An error without an id (section 5: the request could not even be read) belongs to the only request waiting,
    and to none if there are several.
    """
    for part in parts(message):
        if not isinstance(part, dict) or "method" in part:
            continue
        complaint = part.get("error")
        if complaint is None and "result" not in part:
            continue
        number = part.get("id")
        if number is None and complaint is not None and len(waiting) == 1:
            number = next(iter(waiting))
        # JSON's true is no number, though Python holds it equal to 1.
        if isinstance(number, int) and not isinstance(number, bool) and number in waiting:
            yield Reply(number, None if complaint is None else _sentence(complaint))


def _sentence(complaint: object) -> str:
    # Section 5.1 wants an object with code and message; hosts have been known to answer with less.
    text = complaint.get("message") if isinstance(complaint, dict) else complaint
    if not isinstance(text, str) or not text.strip():
        code = complaint.get("code") if isinstance(complaint, dict) else None
        text = f"error {code}" if isinstance(code, int | str) else "error without a message"
    words = " ".join(text.split())
    return words if len(words) <= _LONGEST_TEXT else words[:_LONGEST_TEXT] + "..."
