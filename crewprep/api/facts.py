"""JSON Schemas of the core's results, read off their types, so that the API's document cannot fall behind them."""

from __future__ import annotations

import dataclasses
import types
import typing
from functools import cache
from typing import Any

from analysis_worker.core.results import TrackAnalysis

_PLAIN = {str: "string", int: "integer", float: "number", bool: "boolean"}


@cache
def analysis_schema() -> dict[str, Any]:
    """The schema of ``TrackAnalysis.to_document()``: times in seconds."""
    schema = schema_of(TrackAnalysis)
    for form in schema["properties"]["key"]["anyOf"]:
        if form["type"] == "object":
            form["properties"]["name"] = {"type": "string"}
            form["required"].append("name")
    return schema


def schema_of(kind: Any) -> dict[str, Any]:
    """The schema of a frozen dataclass; names that end in ``_us`` end in ``_s`` and are numbers in the document."""
    hints = typing.get_type_hints(kind)
    properties = {}
    for field in dataclasses.fields(kind):
        form = _form(hints[field.name])
        if field.name.endswith("_us"):
            properties[field.name.removesuffix("_us") + "_s"] = _in_seconds(form)
        else:
            properties[field.name] = form
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _form(hint: Any) -> dict[str, Any]:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if hint in _PLAIN:
        return {"type": _PLAIN[hint]}
    if dataclasses.is_dataclass(hint):
        return schema_of(hint)
    if origin is typing.Literal:
        return {"type": "string", "enum": list(arguments)}
    if origin is tuple:
        return {"type": "array", "items": _form(arguments[0])}
    if origin in {types.UnionType, typing.Union}:
        return {"anyOf": [_form(argument) for argument in arguments]}
    if hint is type(None):
        return {"type": "null"}
    raise TypeError(f"No schema for {hint}.")


def _in_seconds(form: dict[str, Any]) -> dict[str, Any]:
    if "items" in form:
        return {**form, "items": _in_seconds(form["items"])}
    if "anyOf" in form:
        return {**form, "anyOf": [_in_seconds(inner) for inner in form["anyOf"]]}
    return {"type": "number"} if form["type"] == "integer" else form
