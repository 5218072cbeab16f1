"""The API's description in OpenAPI 3.1, made from the table of operations."""

import re
from collections.abc import Iterable
from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import models_json_schema

from lapsed import __version__
from lapsed.web.routes import JSON, Operation
from lapsed.web.words import Problem, Word

_PARAMETERS: dict[str, dict[str, Any]] = {
    "printer": {"type": "string"},
    "take": {"type": "string"},
    "camera": {"type": "string"},
    "clip": {"type": "string"},
    "frame": {"type": "string"},
    "signal": {"enum": ["start", "layer", "end", "cue"]},
    "shot": {"type": "integer", "minimum": 1},
}

_PROBLEMS = {
    "401": "Log in first",
    "403": "From a page of another site",
    "404": "Not there",
    "409": "Can't be done now, or with these figures",
    "413": "Too large",
    "415": "Not JSON",
    "421": "Not a name of this lapsed",
    "422": "Not as described",
    "429": "Too many",
    "503": "Later",
}


def described(operations: Iterable[Operation]) -> dict[str, Any]:
    """The whole description as a JSON value."""
    operations = list(operations)
    named = [named for operation in operations for named in (operation.body, operation.answer)]
    words = {Problem} | {word for word in named if word is not None and issubclass(word, Word)}
    ordered = sorted(words, key=lambda word: word.__name__)
    _, schemas = models_json_schema(
        [(word, "serialization") for word in ordered], ref_template="#/components/schemas/{model}"
    )
    known = dict(schemas["$defs"])
    paths: dict[str, dict[str, Any]] = {}
    for operation in operations:
        paths.setdefault(operation.path, {})[operation.method.lower()] = _described(operation, known)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "lapsed",
            "version": __version__,
            "description": "What the daemon does, and what may be asked of it. Nothing here takes G-code.",
        },
        "security": [{}, {"token": []}, {"cookie": []}],
        "paths": paths,
        "components": {
            "schemas": known,
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer"},
                "cookie": {"type": "apiKey", "in": "cookie", "name": "lapsed"},
            },
        },
    }


def _described(operation: Operation, known: dict[str, Any]) -> dict[str, Any]:
    names = re.findall(r"{(\w+)}", operation.path)
    parameters: list[dict[str, Any]] = [
        {"name": name, "in": "path", "required": True, "schema": _PARAMETERS[name]} for name in names
    ]
    parameters += [{"name": name, "in": "query", "schema": schema} for name, schema in operation.query]
    responses: dict[str, Any] = {
        "200": {"description": "Done", "content": {operation.media: _answer(operation, known)}}
    }
    error = {"content": {JSON: {"schema": {"$ref": "#/components/schemas/Problem"}}}}
    responses |= {status: {"description": text, **error} for status, text in _PROBLEMS.items()}
    described: dict[str, Any] = {
        "operationId": operation.handler.__name__,
        "summary": operation.summary,
        "parameters": parameters,
        "responses": responses,
    }
    if operation.body is not None:
        schema = {"$ref": f"#/components/schemas/{operation.body.__name__}"}
        described["requestBody"] = {"required": True, "content": {JSON: {"schema": schema}}}
    return described


def _answer(operation: Operation, known: dict[str, Any]) -> dict[str, Any]:
    if operation.answer is None:
        return {}
    if issubclass(operation.answer, Word):
        return {"schema": {"$ref": f"#/components/schemas/{operation.answer.__name__}"}}
    schema = TypeAdapter(operation.answer).json_schema(
        mode="serialization", ref_template="#/components/schemas/{model}"
    )
    known.update(schema.pop("$defs", {}))
    return {"schema": schema}
