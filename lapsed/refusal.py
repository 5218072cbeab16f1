"""What is wrong with a value, in words: one sentence from what pydantic found."""

import difflib
import re
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

_SHOWN = 60
"""As much of a value that is refused as a sentence repeats."""

_UNITS = {
    "_mm_s2": " mm/s²",
    "_mm_s": " mm/s",
    "_mm_min": " mm/min",
    "_ms": " ms",
    "_mm": " mm",
    "_px": " px",
    "_mb": " MB",
    "_ev": " EV",
    "_fps": " frames a second",
    "_h": " h",
    "_s": " s",
}
"""By what a key's name ends in; the first that fits."""

_WANTED = {
    "bool_parsing": "true or false",
    "bool_type": "true or false",
    "string_type": "a text in quotes",
    "path_type": "a file or folder in quotes",
    "tuple_type": "a list in brackets",
    "list_type": "a list in brackets",
    "dict_type": "a table of keys",
    "model_type": "a table of keys",
    "model_attributes_type": "a table of keys",
}


def wanted(problem: ErrorDetails) -> str | None:
    """What the value has to be, without the value; None where pydantic's own words are as good."""
    context: dict[str, Any] = problem.get("ctx", {})
    unit = _unit(problem)
    match problem["type"]:
        case "greater_than":
            return f"more than {context['gt']:g}{unit}"
        case "greater_than_equal":
            return f"{context['ge']:g}{unit} or more"
        case "less_than":
            return f"less than {context['lt']:g}{unit}"
        case "less_than_equal":
            return f"{context['le']:g}{unit} or less"
        case "literal_error" | "enum":
            return str(context["expected"])
        case "float_parsing" | "float_type" | "finite_number":
            return f"a number{f', in{unit}' if unit else ''}"
        case "int_parsing" | "int_type" | "int_from_float" | "int_parsing_size":
            return f"a whole number{f', in{unit}' if unit else ''}"
        case found:
            return _WANTED.get(found)


def sentence(place: str, problem: ErrorDetails) -> str:
    """What is wrong at `place`, where the reader finds the value."""
    context: dict[str, Any] = problem.get("ctx", {})
    match problem["type"]:
        case "value_error":
            return f"{place}: {context['error']}" if place else str(context["error"])
        case "extra_forbidden" | "unexpected_keyword_argument":
            return f"{place} is not a key"
        case "missing":
            return f"{place} is missing"
        case "too_short":
            return f"{place} is empty; there has to be at least one"
        case "too_long":
            return f"{place} has {context['actual_length']} entries; there can be {context['max_length']}"
    wish = wanted(problem)
    if wish is None:
        text = problem["msg"]
        return f"{place}: {text[:1].lower()}{text[1:]} (it is {problem['input']!r:.{_SHOWN}})"
    if isinstance(problem["input"], dict) and problem["type"] == "tuple_type":
        name = re.sub(r"\[\d+\]", "", place)
        return f"{place} is a table and has to be a list of tables: write [[{name}]]"
    return f"{place} is {problem['input']!r:.{_SHOWN}} and has to be {wish}"


def first(error: ValidationError, whole: str) -> str:
    """The first that is wrong, at its place or in the `whole`."""
    problem = error.errors(include_url=False)[0]
    return sentence(".".join(map(str, problem["loc"])) or whole, problem)


def nearest(word: str, known: Any) -> str | None:
    """The word of `known` that `word` may be a slip for."""
    return next(iter(difflib.get_close_matches(word, known, n=1, cutoff=0.5)), None)


def _unit(problem: ErrorDetails) -> str:
    name = next((step for step in reversed(problem["loc"]) if isinstance(step, str)), "")
    return next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
