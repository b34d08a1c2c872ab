# SPDX-License-Identifier: MIT
"""Convert a file's parsed TOML to its model, collecting every problem and not only the first.

If some values are refused, the rest is still read into a `Partial`, so that the cross checks can
examine it.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Iterator
from typing import Annotated, Any, TypeVar, cast

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from rig.config.files.problems import Finding, Where, in_words, key_of, listed, nearest, submodel_of
from rig.config.files.toml_file import plain
from rig.core.json_values import JsonObject

Model = TypeVar("Model", bound=BaseModel)


class Unreadable(Exception):
    """A value needed by a cross check was refused or is missing: that check cannot be made."""


class Partial:
    """Stand-in for a model of which only some fields were readable.

    Fields that were read and the model's properties work; any other raises Unreadable.
    """

    def __init__(self, model: type[BaseModel], values: dict[str, object]) -> None:
        self._model = model
        self._values = values

    def __getattr__(self, name: str) -> Any:
        if name in self._values:
            return self._values[name]
        attribute = inspect.getattr_static(self._model, name, None)
        if isinstance(attribute, property) and attribute.fget is not None:
            return attribute.fget(self)
        raise Unreadable(name)


def read(
    model: type[Model], data: JsonObject, not_keys: Iterable[str] = ()
) -> tuple[Model, list[Finding]]:
    """The model of `data` and its problems.

    With findings the model is a disguised Partial, for cross checks only. `not_keys` are fields
    that a file cannot set.
    """
    pruner = _Pruner(model, frozenset(not_keys))
    known = pruner.prune(model, data, ())
    try:
        read_model = model.model_validate(known)
    except ValidationError as error:
        read_model = cast(Model, _partial(model, known))
        findings = [*pruner.findings, *_translate(model, error, pruner.meant)]
    else:
        findings = pruner.findings
    return read_model, findings


def in_file_order(data: JsonObject, findings: Iterable[Finding]) -> list[Finding]:
    """Findings in file order; missing keys come after their table's head."""
    order = {where: n for n, where in enumerate(_places(data, ()))}

    def place(finding: Finding) -> int:
        where = finding.where
        while where not in order:
            where = where[:-1]
        return order[where] if where else len(order) * (finding.where not in order)

    return sorted(findings, key=place)


def _places(data: object, where: Where) -> Iterator[Where]:
    """Every place of a file in the order written."""
    yield where
    if len(where) >= 4:  # deeper than any model; a file may nest without limit
        return
    if isinstance(data, dict):
        for key, value in data.items():
            yield from _places(value, (*where, key))
    elif isinstance(data, list):
        for n, value in enumerate(data):
            yield from _places(value, (*where, n))


class _Pruner:
    """Remove unknown keys from the data and suggest the known key that was meant."""

    def __init__(self, root: type[BaseModel], not_keys: frozenset[str]) -> None:
        self.findings: list[Finding] = []
        self.meant: set[Where] = set()
        self._not_keys = not_keys
        self._tables: dict[str, dict[str, str]] = {"": self._keys(root)}
        for name, field in root.model_fields.items():
            model, _ = submodel_of(field)
            if model is not None:
                self._tables[key_of(name, field)] = self._keys(model)

    def _keys(self, model: type[BaseModel]) -> dict[str, str]:
        """The field's name for each key that a file may have."""
        fields = model.model_fields.items()
        return {key_of(n, f): n for n, f in fields if n not in self._not_keys}

    def prune(self, model: type[BaseModel], data: JsonObject, where: Where) -> JsonObject:
        known: dict[str, object] = {}
        keys = self._keys(model)
        for key, value in data.items():
            here = (*where, key)
            if key not in keys:
                remedy = self._remedy(key, keys, data, where)
                self.findings.append(Finding(here, "this key is not known", remedy))
                continue
            known[key] = value
            inner, many = submodel_of(model.model_fields[keys[key]])
            if inner is None:
                continue
            if isinstance(value, dict) and not many:
                known[key] = self.prune(inner, value, here)
            elif isinstance(value, list) and many:
                known[key] = [
                    self.prune(inner, item, (*here, n)) if isinstance(item, dict) else item
                    for n, item in enumerate(value)
                ]
        return known

    def _remedy(self, key: str, keys: dict[str, str], data: JsonObject, where: Where) -> str:
        for known, name in keys.items():
            if key == name:  # the program's name for it: fuse_a
                self.meant.add((*where, known))
                return f'write "{known}": the unit stands in the value, not in the key'
        homes = [table for table, known in self._tables.items() if key in known]
        if homes:
            at = [f"below [{h}]" if h else "at the top, before the first [table]" for h in homes]
            return f"it belongs {listed(at)}"
        guess = nearest(key, keys)
        if guess is None:
            return f"keys known here: {plain(', '.join(keys))}"
        if guess not in data:
            self.meant.add((*where, guess))
        return f'did you mean "{guess}"?'


def _translate(
    model: type[BaseModel], error: ValidationError, meant: set[Where]
) -> Iterator[Finding]:
    """One finding for each place that pydantic refused."""
    told: set[Where] = set()
    for item in error.errors(include_url=False):
        where, field = _place(model, item["loc"])
        if where in told or (item["type"] == "missing" and where in meant):
            continue
        told.add(where)
        key = next((part for part in reversed(where) if isinstance(part, str)), "")
        yield Finding(where, *in_words(item, field, key))


def _place(model: type[BaseModel], loc: tuple[str | int, ...]) -> tuple[Where, FieldInfo]:
    """The file's key for pydantic's location, which continues into unions and lists."""
    where: Where = ()
    field = FieldInfo(annotation=model)
    inner: type[BaseModel] | None = model
    for part in loc:
        if isinstance(part, int):
            where = (*where, part)
            continue
        if inner is None:
            break
        for name, candidate in inner.model_fields.items():
            if part in (name, key_of(name, candidate)):
                where, field = (*where, key_of(name, candidate)), candidate
                inner, _ = submodel_of(candidate)
                break
        else:
            break
    return where, field


_ALONE = ConfigDict(strict=True, allow_inf_nan=False)


def _partial(model: type[BaseModel], data: object) -> object:
    """The model of `data`, or as much of it as can be read."""
    try:
        return model.model_validate(data)
    except ValidationError:
        if not isinstance(data, dict):
            raise Unreadable(model.__name__) from None
    values: dict[str, object] = {}
    for name, field in model.model_fields.items():
        key = key_of(name, field)
        try:
            if key in data:
                values[name] = _alone(field, data[key])
            elif not field.is_required():
                values[name] = field.get_default(call_default_factory=True, validated_data={})
        except (ValidationError, Unreadable):
            continue
    return Partial(model, values)


def _alone(field: FieldInfo, value: object) -> object:
    """Read one field by itself."""
    inner, many = submodel_of(field)
    if inner is not None and many:
        if not isinstance(value, list):
            raise Unreadable
        return tuple(
            _partial(inner, item) if isinstance(item, dict) else Partial(inner, {})
            for item in value
        )
    if inner is not None:
        return _partial(inner, value)
    kind: Any = (
        Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation
    )
    adapter: TypeAdapter[object] = TypeAdapter(kind, config=_ALONE)
    return adapter.validate_python(value)
