"""Reading the TOML file into settings, and saying in one sentence what is wrong with it."""

import os
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Literal, get_args, get_origin

from pydantic import ValidationError

from lapsed import refusal
from lapsed.errors import UserError
from lapsed.settings import Part, Settings

_SHOWN = 60
"""As much of a line as a message repeats."""


def usual_places(environ: Mapping[str, str] = os.environ) -> tuple[Path, ...]:
    """Where the configuration is looked for without --config: the user's place (XDG Base Directory), the system's."""
    home = Path(environ.get("XDG_CONFIG_HOME") or Path(environ.get("HOME", "/")) / ".config")
    return (home / "lapsed" / "lapsed.toml", Path("/etc/lapsed/lapsed.toml"))


def locate(path: Path | None) -> Path:
    """`path`, or the first usual place that has a configuration; raises UserError where none has."""
    places = usual_places()
    found = path or next((place for place in places if place.is_file()), None)
    if found is None:
        looked = " and ".join(map(str, places))
        raise UserError(f"no configuration: looked for {looked}; lapsed init writes one, --config names another")
    return found


def load(path: Path) -> Settings:
    """The settings in the file `path`.

    Raises UserError with one sentence that names the file, the key and what would be right.
    """
    try:
        text = path.read_text("utf-8-sig")  # some editors begin a file with a byte order mark, which TOML has not
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise UserError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    return parse(text, where=str(path))


def parse(text: str, *, where: str) -> Settings:
    """The settings from TOML `text`; `where` names it in messages. Raises UserError."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UserError(f"{where} is not TOML: {error}{_line(text, str(error))}") from error
    try:
        return Settings.model_validate(data)
    except ValidationError as error:
        raise UserError(f"{where}: {_sentence(error)}") from error


def _line(text: str, told: str) -> str:
    """The line that the reader of TOML has stumbled over, and what is most often wrong with such a line."""
    found = re.search(r"at line (\d+)", told)
    if found is None:
        return ""
    line = text.splitlines()[int(found[1]) - 1].partition(" #")[0].strip()
    return f": {line[:_SHOWN]}; texts stand in quotes, numbers have a point, yes and no are true and false"


def _sentence(error: ValidationError) -> str:
    problems = error.errors(include_url=False)
    # A list that lost its only element to an error is not a second error.
    places = [problem["loc"] for problem in problems]
    problems = [
        problem
        for problem in problems
        if problem["type"] != "too_short"
        or not any(loc[: len(problem["loc"])] == problem["loc"] and loc != problem["loc"] for loc in places)
    ]
    first = min(problems, key=lambda problem: problem["type"] != "extra_forbidden")
    place, known = _place(first["loc"])
    context = first.get("ctx", {})
    match first["type"]:
        case "extra_forbidden":
            near = refusal.nearest(str(first["loc"][-1]), known)
            hint = f"did you mean {near!r}?" if near else f"known here: {', '.join(sorted(known))}"
            text = f"{place} is not a key; {hint}"
        case "union_tag_invalid":
            near = refusal.nearest(str(context["tag"]), context["expected_tags"].split("'")[1::2])
            hint = f"did you mean {near!r}?" if near else f"choose one of {context['expected_tags']}"
            text = f"{place}: there is no {context['tag']!r}; {hint}"
        case "union_tag_not_found":
            slip = refusal.nearest("kind", first["input"])
            hint = f"; {slip} is not a key, did you mean 'kind'?" if slip else ", such as kind = 'gphoto'"
            text = f"{place} does not say its kind{hint}"
        case _:
            text = refusal.sentence(place, first)
    more = len(problems) - 1
    return text + (f" (and {more} more {'faults' if more > 1 else 'fault'})" if more else "")


def _place(loc: tuple[int | str, ...]) -> tuple[str, list[str]]:
    """The dotted place of an error as the file writes it, and the keys known where its last step stands.

    pydantic's location also names the member of a union that it tried; such a step is no key and is left out.
    """
    models: list[type[Part]] = [Settings]
    parts: list[str] = []
    known = list(Settings.model_fields)
    for step in loc:
        if isinstance(step, int):
            parts[-1] = f"{parts[-1]}[{step + 1}]"
            continue
        if len(models) > 1:
            models = [model for model in models if step in _tags(model)]
            known = list(models[0].model_fields)
            continue
        known = [name for model in models for name in model.model_fields]
        fields = [model.model_fields[step] for model in models if step in model.model_fields]
        models = [model for field in fields for model in _models(field.annotation)]
        parts.append(step)
    return ".".join(parts), known


def _tags(model: type[Part]) -> set[str]:
    """The words that tell `model` from others of its union, as pydantic's locations name them."""
    tags = [model.model_fields.get(name) for name in ("kind", "shape")]
    literals = [tag.annotation for tag in tags if tag is not None and get_origin(tag.annotation) is Literal]
    return {str(value) for literal in literals for value in get_args(literal)}


def _models(annotation: object) -> Iterator[type[Part]]:
    if isinstance(annotation, type) and issubclass(annotation, Part):
        yield annotation
    for argument in get_args(annotation):
        yield from _models(argument)
