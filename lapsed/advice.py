"""What to do about a trouble, as the page of messages in `docs` has it; that page is the one place for it."""

import re
from functools import cache
from importlib import resources

_ROW = re.compile(r"^\| (\*.+\*) \| (.+) \|$", re.MULTILINE)
_TELLS_ONLY_WHY = re.compile(r"^\| message \| why \|\n(\|.*\n)*", re.MULTILINE)
_MESSAGE = re.compile(r"\*([^*]+)\*")
_LINK = re.compile(r"\[([^\]]+)\]\([^)]+\)")

Row = tuple[re.Pattern[str], str]


def of(text: str) -> str:
    """Why that is, and what to do, for a message that the page has; empty for others, and those that say it all."""
    found = [row for row in _rows() if row[0].search(text)]
    # Of two that fit, the one with more words of its own is meant.
    return max(found, key=lambda row: len(row[0].pattern))[1] if found else ""


@cache
def _rows() -> tuple[Row, ...]:
    page = resources.files("lapsed").joinpath("docs", "warnings.md").read_text("utf-8")
    return parsed(page)


def parsed(page: str) -> tuple[Row, ...]:
    """The rows of the tables that say what to do: a pattern for each message, and its advice in plain text."""
    rows: list[Row] = []
    before = ""
    named: dict[str, str] = {}
    for messages, cell in _ROW.findall(_TELLS_ONLY_WHY.sub("", page)):
        known = _MESSAGE.findall(messages)
        plain = _LINK.sub(r"\1", cell).replace("`", "")
        if plain.startswith("likewise"):
            plain = before
        elif plain.startswith("see *"):
            plain = named.get(plain.removeprefix("see *").removesuffix("*"), "")
        elif plain in ("as it says", "nothing to do", "ask again in a moment"):
            plain = ""
        before = plain
        for message in known:
            named[message] = plain
            fixed = ".+".join(re.escape(piece) for piece in message.split("..."))
            rows.append((re.compile(fixed.removeprefix(".+").removesuffix(".+")), plain))
    return tuple(rows)
