"""Writes lapsed/docs/keys.md, the list of all keys, from the settings: python -m tests.keys_page."""

import types
from enum import Enum
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from lapsed import settings

PAGE = Path(__file__).parents[1] / "lapsed/docs/keys.md"

HEAD = """\
# All keys of the configuration

Made from the program's own descriptions. A key that isn't here is refused, with the nearest that is. Units stand in
the names: `_s` seconds, `_mm` millimetres, `_mm_s` millimetres a second, `_mm_s2` a second and a second again, `_px`
pixels, `_mb` megabytes. `configs/lapsed.toml` shows most of them at work.
"""


def models(annotation: object) -> list[type[BaseModel]]:
    """The parts of the configuration that a type is made of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [part for argument in get_args(annotation) for part in models(argument)]


def shown(default: object) -> str:
    """A default as the configuration writes it; nothing where there is none."""
    if default is PydanticUndefined:
        return "must be given"
    if default is None:
        return ""
    if isinstance(default, bool):
        return f"`{str(default).lower()}`"
    if isinstance(default, Fraction):
        return f"`{default}`"
    if isinstance(default, tuple | list):
        return "`[" + ", ".join(shown(one).strip("`") for one in default) + "]`"
    if isinstance(default, int | float):
        return f"`{default:g}`" if abs(default) < 1e6 else f"`{default}`"
    return f'`"{default}"`' if isinstance(default, str | Path | Enum) else "see its keys"


def words(annotation: object) -> str:
    """The words that a key may be, where they are few."""
    if get_origin(annotation) is Literal:
        return ", ".join(f'`"{word}"`' if isinstance(word, str) else f"`{word}`" for word in get_args(annotation))
    if get_origin(annotation) in (Union, types.UnionType):
        return ", ".join(found for one in get_args(annotation) if (found := words(one)))
    return ""


def row(name: str, field: Any) -> str:
    """One key."""
    choice = words(field.annotation)
    default = shown(field.default) if field.default_factory is None else ""
    told = field.description or ""
    text = f"{told}{'; ' if told and choice else ''}{f'one of {choice}' if choice else ''}".replace("|", "\\|")
    return f"| `{name}` | {default} | {text or 'what to call it'} |"


def section(title: str, model: type[BaseModel]) -> list[str]:
    """The table of a part, and of the parts in it."""
    rows, below = [], []
    for name, field in model.model_fields.items():
        parts = models(field.annotation)
        if not parts:
            rows.append(row(name, field))
        for part in parts:
            many = "tuple" in str(field.annotation)
            path = f"{title.strip('[]')}.{name}" if title else name
            kind = part.model_fields.get("kind") or part.model_fields.get("shape")
            of = f" of {words(kind.annotation)}" if kind is not None and len(parts) > 1 else ""
            below += ["", f"## `{'[[' if many else '['}{path}{']]' if many else ']'}`{of}", ""]
            below += [(part.__doc__ or "").strip().splitlines()[0]]
            below += section(f"[{path}]", part)
    table = ["", "| key | default | |", "| --- | --- | --- |", *rows] if rows else []
    return [*table, *below]


def written() -> str:
    """The page."""
    return "\n".join([HEAD.rstrip(), *section("", settings.Settings)]) + "\n"


if __name__ == "__main__":
    PAGE.write_text(written())
