# SPDX-License-Identifier: MIT
"""The JSON interface as an OpenAPI 3.1 document, generated from the views.

A view under /api/ declares its query and answer with `described`; one that does not is listed with
its docstring and an open answer, so that none is missing.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Iterable, Mapping
from typing import ParamSpec, TypeVar

from flask import Blueprint, Response, current_app, jsonify
from pydantic import BaseModel, TypeAdapter
from werkzeug.routing import Rule

from rig import __version__
from rig.core.json_values import JsonObject
from rig.core.results.message_id import MessageId

P = ParamSpec("P")
R = TypeVar("R")
blueprint = Blueprint("openapi", __name__)
_SAID = "_openapi"
REF = "#/components/schemas/{model}"
FAULTS = {"400": "the question was not understood", "404": "there is nothing of this number",
          "429": "too much at once", "500": "it is stored and cannot be read"}  # fmt: skip


class Fault(BaseModel):
    """Every refusal: its id, what happened and what to do about it."""

    id: MessageId
    error: str
    what: str
    remedy: str


def described(
    query: type[BaseModel] | None = None,
    answer: type | None = None,
    media: str = "application/json",
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Declare a view's query parameters and its answer."""

    def mark(view: Callable[P, R]) -> Callable[P, R]:
        setattr(view, _SAID, (query, answer, media))
        return view

    return mark


@blueprint.get("/api/openapi.json")
@described()
def document() -> Response:
    """This document."""
    return jsonify(build(current_app.url_map.iter_rules(), current_app.view_functions))


def build(rules: Iterable[Rule], views: Mapping[str, Callable[..., object]]) -> JsonObject:
    """Build the document of all views under /api/."""
    paths: JsonObject = {}
    models: JsonObject = {"Fault": Fault.model_json_schema(ref_template=REF)}
    for rule in sorted(rules, key=lambda one: str(one.rule)):
        if not rule.rule.startswith("/api/"):
            continue
        view = views[rule.endpoint]
        address = re.sub(r"<(?:[^:<>]*:)?([a-z_]+)>", r"{\1}", rule.rule)
        for method in sorted(set(rule.methods or ()) - {"HEAD", "OPTIONS"}):
            paths.setdefault(address, {})[method.lower()] = _operation(rule, view, models)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Solenoid rig",
            "version": __version__,
            "description": "What was recorded, and what the bench does now. Nothing here energises "
            "a coil. Unknown numbers are null; keys are added, never changed or removed.",
        },
        "paths": paths,
        "components": {"schemas": models},
    }


def _operation(rule: Rule, view: Callable[..., object], models: JsonObject) -> JsonObject:
    query, answer, media = getattr(view, _SAID, (None, None, "application/json"))
    words = inspect.getdoc(view) or rule.endpoint
    schema: JsonObject = {} if media == "application/json" else {"type": "string"}
    if answer is not None:
        schema = {"$ref": REF.format(model=_keep(answer, models))}
    fault = {"application/json": {"schema": {"$ref": REF.format(model="Fault")}}}
    return {
        "operationId": rule.endpoint.replace(".", "_"),
        "summary": words.partition("\n")[0],
        "parameters": [*_path(rule), *_query(query, models)],
        "responses": {
            "200": {"description": "the answer", "content": {media: {"schema": schema}}},
            **{code: {"description": text, "content": fault} for code, text in FAULTS.items()},
        },
    }


def _path(rule: Rule) -> list[JsonObject]:
    found = []
    for name in sorted(rule.arguments):
        whole = re.search(rf"<int[^>]*:{name}>", rule.rule) is not None
        schema = (
            {"type": "integer", "minimum": 0, "maximum": 2**31 - 1} if whole else {"type": "string"}
        )
        found.append({"name": name, "in": "path", "required": True, "schema": schema})
    return found


def _query(model: type[BaseModel] | None, models: JsonObject) -> list[JsonObject]:
    if model is None:
        return []
    schema = model.model_json_schema(ref_template=REF)
    models.update(schema.pop("$defs", {}))
    needed = schema.get("required", [])
    return [
        {"name": name, "in": "query", "required": name in needed, "schema": part}
        for name, part in schema.get("properties", {}).items()
    ]


def _keep(model: type, models: JsonObject) -> str:
    schema = TypeAdapter(model).json_schema(ref_template=REF, mode="serialization")
    models.update(schema.pop("$defs", {}))
    models[model.__name__] = schema
    return model.__name__
