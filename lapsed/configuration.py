"""Reading the TOML file into settings, and saying in one sentence what is wrong with it."""

import difflib
import os
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Literal, get_args, get_origin

from pydantic import ValidationError

from lapsed.errors import UserError
from lapsed.settings import Part, Settings


def usual_places(environ: Mapping[str, str] = os.environ) -> tuple[Path, ...]:
    """Where the configuration is looked for without --config: the user's place (XDG Base Directory), the system's."""
    home = Path(environ.get("XDG_CONFIG_HOME") or Path(environ.get("HOME", "/")) / ".config")
    return (home / "lapsed" / "lapsed.toml", Path("/etc/lapsed/lapsed.toml"))


def locate(path: Path | None) -> Path:
    """`path`, or the first usual place that has a configuration; raises UserError where none has."""
    places = usual_places()
    found = path or next((place for place in places if place.is_file()), None)
    if found is None:
        looked = " or ".join(map(str, places))
        raise UserError(f"no configuration: looked for {looked}; have lapsed init write one, or name it with --config")
    return found


def load(path: Path) -> Settings:
    """The settings in the file `path`.

    Raises UserError with one sentence that names the file, the key and what would be right.
    """
    try:
        text = path.read_text("utf-8")
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
        raise UserError(f"{where} is not TOML: {error}") from error
    try:
        return Settings.model_validate(data)
    except ValidationError as error:
        raise UserError(f"{where}: {_sentence(error)}") from error


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
            key = str(first["loc"][-1])
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(sorted(known))}"
            text = f"{place} is not a key; {hint}"
        case "value_error":
            text = f"{place}: {context['error']}"
        case "union_tag_invalid":
            text = f"{place}: there is no {context['tag']!r}; choose one of {context['expected_tags']}"
        case "union_tag_not_found":
            text = f"{place} does not say its kind, such as kind = 'gphoto'"
        case "missing":
            text = f"{place} is missing"
        case "too_short":
            text = f"{place} is empty; there has to be at least one"
        case _:
            text = f"{place}: {first['msg'][0].lower()}{first['msg'][1:]} (got {first['input']!r:.60})"
    more = len(problems) - 1
    return text + (f" (and {more} more)" if more else "")


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
        tagged = [model for model in models if step in _tags(model)]
        if tagged and step != loc[-1]:
            models = tagged
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
