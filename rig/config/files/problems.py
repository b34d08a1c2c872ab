# SPDX-License-Identifier: MIT
"""Pydantic's refusals in words for a person with the file open in an editor."""

from __future__ import annotations

import datetime
import difflib
import json
import math
from collections.abc import Iterable
from typing import Any, NamedTuple, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from rig.config.files.toml_file import plain
from rig.config.quantity_types import Dimension
from rig.core.quantities import DIMENSIONS, SYMBOLS

_LONGEST = 60


Where = tuple[str | int, ...]
"""The path to a value in a file: keys, and positions in lists from 0."""


class Finding(NamedTuple):
    """A problem before its file is known."""

    where: Where
    what: str
    remedy: str


def show(value: object) -> str:
    """A value of the file, as written there, on one short line."""
    match value:
        case bool():
            text = "true" if value else "false"
        case str():
            text = json.dumps(value[: _LONGEST + 1], ensure_ascii=False)
        case int():
            text = str(value) if abs(value) < 10**_LONGEST else "a very large number"
        case float():
            text = repr(value) if math.isfinite(value) else str(value)
        case datetime.date() | datetime.time():
            text = value.isoformat()
        case list() | tuple():
            items = [_inside(item) for item in value[:4]] + ["..."] * (len(value) > 4)
            text = f"[{', '.join(items)}]"
        case dict():
            text = "a table"
        case _:
            text = ""
    text = plain(text)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def _inside(value: object) -> str:
    """A value inside a list; lists may be nested without limit."""
    return (
        "[...]" if isinstance(value, list) else "{...}" if isinstance(value, dict) else show(value)
    )


def key_of(name: str, field: FieldInfo) -> str:
    """The file's key for a model's field."""
    return field.alias or name


def look_up(data: Any, where: Where) -> object:
    """The value at a place in the file; None if there is none."""
    for part in where:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def dotted(data: object, where: Where) -> str:
    """A place in a file in readable form: `coil.fuse`, `accept[1 of 2].max`."""
    text = ""
    for n, part in enumerate(where):
        if isinstance(part, int):
            several = look_up(data, where[:n])
            of = f" of {len(several)}" if isinstance(several, list | tuple) else ""
            text += f"[{part + 1}{of}]"
        else:
            text += ("." if text else "") + plain(part)
    return text


def dimension_of(field: FieldInfo) -> Dimension | None:
    """The dimension of a field that is a quantity."""
    marks = list(field.metadata)
    for optional in get_args(field.annotation):  # the mark of `Annotated[...] | None` stays inside
        marks += getattr(optional, "__metadata__", ())
    return next((mark for mark in marks if isinstance(mark, Dimension)), None)


def submodel_of(field: FieldInfo) -> tuple[type[BaseModel] | None, bool]:
    """The one model a field holds, and whether it is a list of them."""
    annotation: object = field.annotation
    many = get_origin(annotation) is tuple
    found = [
        item
        for item in (annotation, *get_args(annotation))
        if isinstance(item, type) and issubclass(item, BaseModel)
    ]
    return (found[0] if len(found) == 1 else None), many


def required_of(model: type[BaseModel]) -> list[str]:
    """The required keys of a table."""
    return [key_of(n, f) for n, f in model.model_fields.items() if f.is_required()]


def words_of(field: FieldInfo) -> list[str]:
    """The words or numbers allowed in a field with fixed choices."""
    found: list[str] = []
    for item in (field.annotation, *get_args(field.annotation)):
        found += [show(choice) for choice in get_args(item) if isinstance(choice, str | int)]
    if not found:
        found = [show(c) for c in get_args(field.annotation) if isinstance(c, str | int)]
    return list(dict.fromkeys(found))


def example_of(field: FieldInfo) -> str:
    """A sample value for this field that a person can copy."""
    if field.examples:
        return str(field.examples[0])
    dimension = dimension_of(field)
    if dimension is not None:
        example = DIMENSIONS[dimension.name][1]
        zero = f"0 {example.split()[-1]}"
        return f'["{zero}", "{example}"]' if dimension.pair else f'"{example}"'
    words = words_of(field)
    if words:
        return words[0]
    plain_examples = {int: "17", float: "0.5", bool: "true"}
    for kind in (field.annotation, *get_args(field.annotation)):
        if kind in plain_examples:
            return plain_examples[kind]
    return '"a text"'


def listed(words: Iterable[str], joined_by: str = "or") -> str:
    """`a, b or c`."""
    *first, last = words
    return f"{', '.join(first)} {joined_by} {last}" if first else last


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most likely meant."""
    by_plain = {name.casefold(): name for name in known}
    found = difflib.get_close_matches(word.casefold(), by_plain, n=1, cutoff=0.55)
    return by_plain[found[0]] if found else None


_BOUNDS = {
    "greater_than": ("gt", "too small: it must be above {}", "a value above {}"),
    "greater_than_equal": ("ge", "too small: it must be at least {}", "{} or more"),
    "less_than": ("lt", "too large: it must be below {}", "a value below {}"),
    "less_than_equal": ("le", "too large: it must be at most {}", "{} or less"),
}

_TYPES = {
    "int_type": ("a whole number is needed here", "write a whole number without quotes, like {}"),
    "int_from_float": (
        "a whole number is needed here",
        "write it without a decimal point, like {}",
    ),
    "float_type": ("a number is needed here", "write a number without quotes, like {}"),
    "finite_number": ("this is not a finite number", "write a finite number, like {}"),
    "bool_type": ("true or false is needed here", "write true or false, without quotes"),
    "string_type": ("a text is needed here", "write a text between quotes, like {}"),
    "string_too_short": ("the text is empty", "write a text between quotes, like {}"),
    "tuple_type": ("a list is needed here", "write each below its own head: [[{key}]]"),
}


def in_words(error: ErrorDetails, field: FieldInfo, key: str) -> tuple[str, str]:
    """The problem and the remedy for one error of pydantic at `field`, the key `key`."""
    kind, context = error["type"], error.get("ctx") or {}
    if kind == "refused":
        return context["what"], context["remedy"]
    model, many = submodel_of(field)
    if kind == "missing":
        if model is not None and not many:
            return (
                "this table is missing",
                f"add it with its keys: {listed(required_of(model), 'and')}",
            )
        return "this key is missing", f"add a line like: {key} = {example_of(field)}"
    if kind in _BOUNDS:
        name, what, remedy = _BOUNDS[kind]
        dimension = dimension_of(field)
        unit = SYMBOLS[dimension.name] if dimension else ""
        bound = f"{context[name]:g} {unit}".strip()
        return what.format(bound), f"write {remedy.format(bound)}"
    if kind == "literal_error":
        words = words_of(field)
        written = error.get("input")
        guess = (
            nearest(written, [w.strip('"') for w in words]) if isinstance(written, str) else None
        )
        meant = f'did you mean "{guess}"? ' if guess else ""
        return "this is not one of the words known here", f"{meant}write {listed(words)}"
    if kind in ("model_type", "model_attributes_type"):
        return "a table is needed here", f"write [{key}] on a line of its own, its keys below it"
    if kind in _TYPES:
        what, remedy = _TYPES[kind]
        return what, remedy.format(example_of(field), key=key)
    # A model's validator raised ValueError with its own message.
    reason = str(context["error"]) if "error" in context else str(error["msg"])
    return plain(reason), f"write it like {example_of(field)}"
