# SPDX-License-Identifier: MIT
"""Convert a sheet to a form, and a form to a sheet's text. The sheet reader does the validation."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from typing import Literal, NamedTuple, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from rig.config.files.problems import dimension_of, key_of, submodel_of
from rig.config.sheet.compare import Compare
from rig.config.sheet.model import KINDS, NOT_KEYS, Accept, EarlyStop
from rig.core.errors import Problem
from rig.core.figures import FIGURES
from rig.core.quantities import DIMENSIONS
from webui import helptexts

TABLES: dict[str, type[BaseModel]] = {"early_stop": EarlyStop, "compare": Compare}
"""Tables of a strokes sheet beside its keys."""
HIDDEN = frozenset({"service_taken"})
"""Written by the program alone."""


class Field(NamedTuple):
    """One key of a sheet in the form: its dotted name, its value, and how it is written.

    `choices` lists the only values, if they are fixed; `example` shows the unit of a quantity.
    """

    name: str
    text: str
    needed: bool
    choices: tuple[str, ...] = ()
    example: str = ""
    help: helptexts.KeyHelp | None = None

    @property
    def id(self) -> str:
        """For the page: a name without dots."""
        return self.name.replace(".", "-")

    @property
    def word(self) -> str:
        """The key in words."""
        return self.name.rpartition(".")[2].replace("_", " ")


class Form(NamedTuple):
    """A sheet in parts, in display order: its own keys, each limit, its tables. The last limit is
    an empty one."""

    kind: str
    keys: list[Field]
    limits: list[list[Field]]
    tables: dict[str, list[Field]]

    @property
    def fields(self) -> list[Field]:
        """All of them."""
        groups = [self.keys, *self.limits, *self.tables.values()]
        return [field for group in groups for field in group]


def form_of(text: str) -> Form:
    """The form of a sheet's text. Raises tomllib.TOMLDecodeError, a ValueError."""
    data = tomllib.loads(text)
    kind = str(data.get("kind"))
    kind = kind if kind in KINDS else "strokes"
    about = helptexts.keys("sheet")

    def fields(
        model: type[BaseModel], given: Mapping[str, object], before: str, *headings: str
    ) -> list[Field]:
        found: list[Field] = []
        for name, field in model.model_fields.items():
            key = key_of(name, field)
            if name in NOT_KEYS | HIDDEN or submodel_of(field)[0] is not None:
                continue
            told = next((about[head, key] for head in headings if (head, key) in about), None)
            found.append(
                Field(
                    before + key, _written(given.get(key)), field.is_required(),
                    _choices(kind, model, name, field), _example(field), told,
                )
            )  # fmt: skip
        return found

    top = fields(KINDS[kind], data, "", f"Kind {kind}", "Keys of every sheet")
    top.sort(key=lambda field: (field.name != "kind", not field.needed, field.name != "title"))
    limits = data.get("accept")
    limits = [one for one in limits if isinstance(one, dict)] if isinstance(limits, list) else []
    return Form(
        kind,
        top,
        [
            fields(Accept, limit, f"accept.{n}.", "[[accept]]")
            for n, limit in enumerate([*limits, {}])
        ],
        {
            table: fields(model, _table(data, table), f"{table}.", f"[{table}]")
            for table, model in TABLES.items()
            if kind == "strokes"
        },
    )


def _table(data: Mapping[str, object], name: str) -> Mapping[str, object]:
    found = data.get(name)
    return found if isinstance(found, dict) else {}


def _choices(kind: str, model: type[BaseModel], name: str, field: FieldInfo) -> tuple[str, ...]:
    """The values of a key with fixed choices; for figures, those of this kind of sheet."""
    if name == "kind":
        return tuple(KINDS)
    if model is Accept and name == "figure":
        return tuple(figure for figure, of in FIGURES.items() if of.kind == kind)
    for part in (field.annotation, *get_args(field.annotation)):
        if get_origin(part) is Literal:
            return tuple(map(str, get_args(part)))
    return ()


def _example(field: FieldInfo) -> str:
    dimension = dimension_of(field)
    if field.examples or dimension is None:
        return str((field.examples or [""])[0]).strip('"')
    example = DIMENSIONS[dimension.name][1]
    return f'["{example}", "{example}"]' if dimension.pair else example


def _written(value: object) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value)


def text_of(form: Mapping[str, str]) -> str:
    """Build a sheet's text from a form's fields, by the names of `form_of`; empty fields are left
    out, as are keys of another kind than the form now has.

    Input that looks like a number, true, false or a list, or is already quoted, is written as it
    is, everything else in quotes; the sheet's own check decides what it is.
    """
    top: list[str] = []
    tables: dict[tuple[str, int], list[str]] = {}
    others = _keys_of_other_kinds(form.get("kind", ""))
    for name, text in form.items():
        table, _, key = name.rpartition(".")
        if not text.strip() or (table or name) in others:
            continue
        line = f"{key} = {_toml(text.strip())}"
        head, _, number = table.partition(".")
        place = (head, int(number) if number.isdecimal() else 0)
        (tables.setdefault(place, []) if table else top).append(line)
    parts = ["\n".join(top)]
    for (head, _), lines in sorted(tables.items()):
        parts.append("\n".join([f"[[{head}]]" if head == "accept" else f"[{head}]", *lines]))
    return "\n\n".join(parts) + "\n"


def _keys_of_other_kinds(kind: str) -> set[str]:
    """Keys that belong only to other kinds of sheet; none if the kind is unknown."""
    if kind not in KINDS:
        return set()
    of = {
        one: {key_of(name, field) for name, field in model.model_fields.items()}
        for one, model in KINDS.items()
    }
    return set().union(*of.values()) - of[kind]


def _toml(text: str) -> str:
    if re.fullmatch(r'[+-]?[0-9]+(\.[0-9]+)?|true|false|\[.*\]|"[^"\\]*"', text):
        return text
    return json.dumps(text, ensure_ascii=False)


_LIMIT = re.compile(r"accept\[([0-9]+)(?: of [0-9]+)?\]\.?(.*)")


def beside(problems: Iterable[Problem], form: Mapping[str, str]) -> dict[str, list[Problem]]:
    """Problems by the name of the form field they belong to; "" for those without one.

    A file counts limits from 1 and leaves out the form's empty ones.
    """
    filled = {
        int(name.split(".")[1])
        for name, text in form.items()
        if name.startswith("accept.") and text.strip()
    }
    found: dict[str, list[Problem]] = {}
    for problem in problems:
        name = problem.key
        if limit := _LIMIT.fullmatch(name):
            at = int(limit[1]) - 1
            place = sorted(filled)[at] if at < len(filled) else at
            name = f"accept.{place}.{limit[2] or 'figure'}"
        found.setdefault(name if name in form else "", []).append(problem)
    return found
