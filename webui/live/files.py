# SPDX-License-Identifier: MIT
"""The setups and sheets that the page may use: those it was started with, and sheets edited on it.

A name from a browser is only ever looked up here; it is never a path.
"""

from __future__ import annotations

import json
import re
import threading
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import BaseModel

from rig.config.files.loading import LoadedSetup, LoadedSheet, load_pair, pair_from_texts
from rig.config.setup.model import Setup
from rig.core.atomic_file import whole_file
from rig.core.errors import FileProblems, Problem, RefusedError, RigError, StorageError, UsageError

SHEET_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,60}")
KEEP_AS = "Keep as"
"""The form's own word for the sheet's name."""
SETUP_END, SHEET_END = ".setup.toml", ".sheet.toml"


class SheetKept(RefusedError):
    """A sheet of this name was kept before; a person has to say that it is to be replaced."""

    def __init__(self, name: str) -> None:
        self.name = name
        super().__init__(
            f'There is a sheet "{name}" already. Nothing was kept: tick that it is to be replaced, '
            "or give yours another name."
        )


class Field(NamedTuple):
    """One key of a sheet in the form: its dotted name, what stands there, and what stands if left
    out."""

    name: str
    text: str
    usual: str
    needed: bool


class Files:
    """`setups` and `sheets` by name. `own` is the folder for sheets edited on the page."""

    def __init__(self, setups: Iterable[Path], sheets: Iterable[Path], own: Path) -> None:
        self.setups = _named(setups, SETUP_END)
        self._given = _named(sheets, SHEET_END)
        self._own = own
        self._keeping = threading.Lock()

    @property
    def sheets(self) -> dict[str, Path]:
        own = _named([self._own], SHEET_END) if self._own.is_dir() else {}
        return {**self._given, **own}

    def sheet_path(self, name: str) -> Path:
        """Raises UsageError for a name that was never offered."""
        try:
            return self.sheets[name]
        except KeyError:
            raise UsageError(
                f'There is no sheet "{name:.60}" here. Choose one of the list.'
            ) from None

    def pair(self, setup: str, sheet: str) -> tuple[LoadedSetup, LoadedSheet]:
        """Both loaded and checked together. Raises UsageError and FileProblems."""
        if setup not in self.setups:
            raise UsageError(f'There is no setup "{setup:.60}" here. Choose one of the list.')
        loaded, loaded_sheet = load_pair(self.setups[setup], self.sheet_path(sheet))
        if loaded_sheet is None:
            raise UsageError("A run needs a sheet.")
        return loaded, loaded_sheet

    def read_setups(self) -> dict[str, Setup | None]:
        """Each setup as its file says now; None where the file cannot be used."""
        found: dict[str, Setup | None] = {}
        for name, path in self.setups.items():
            try:
                found[name] = load_pair(path, None)[0].setup
            except (RigError, OSError):
                found[name] = None
        return found

    def save_sheet(self, setup: str, name: str, text: str, *, replace: bool = False) -> Path:
        """Check a sheet's text together with a setup, and keep it. Raises UsageError and
        FileProblems with every problem, as for a file; SheetKept where one of this name was kept
        before and `replace` does not say that it may go, StorageError where the disk refuses."""
        if setup not in self.setups:
            raise UsageError(f'There is no setup "{setup:.60}" here. Choose one of the list.')
        problems = self._name_wrong(name)
        path = self.setups[setup]
        try:
            pair_from_texts(path.read_text(), path.name, text, f"{name}{SHEET_END}")
        except FileProblems as error:
            problems += error.problems
        if problems:
            raise FileProblems(problems)
        self._own.mkdir(parents=True, exist_ok=True)
        kept = self._own / f"{name}{SHEET_END}"
        with self._keeping:
            if kept.exists() and not replace:
                raise SheetKept(name)
            try:
                with whole_file(kept, lasting=True) as file:
                    file.write(text)
            except OSError as error:
                raise StorageError(
                    f"{kept} could not be written ({error}); what was there is as it was. "
                    "Look whether the disk is full or may not be written."
                ) from error
        return kept

    def _name_wrong(self, name: str) -> list[Problem]:
        """What is wrong with the name to keep a sheet under."""
        if name in self._given:
            what = "This is a sheet of this rig's own."
            return [Problem("", KEEP_AS, name, what, "Give yours another name.")]
        if SHEET_NAME.fullmatch(name):
            return []
        what = "This cannot be a sheet's name." if name else "The sheet has no name yet."
        remedy = "Write letters, digits, spaces, - and _, at most 61 of them."
        return [Problem("", KEEP_AS, name[:80], what, remedy)]


def _named(paths: Iterable[Path], ending: str) -> dict[str, Path]:
    """Files by their names without the ending; a folder stands for the files in it."""
    found: dict[str, Path] = {}
    for path in paths:
        for file in sorted(path.glob(f"*{ending}")) if path.is_dir() else [path]:
            name = file.name.removesuffix(ending)
            while name in found:
                name += "_"
            found[name] = file.resolve()
    return found


# -- a sheet as a form


def fields_of(text: str) -> list[Field]:
    """The keys of a sheet's text, those left out behind those that stand there. Limits are
    `accept.0.max` and so on, with one empty limit more than there are."""
    from rig.config.files.problems import key_of, submodel_of
    from rig.config.sheet.model import NOT_KEYS, Accept, HoldSheet, RampSheet, StrokesSheet

    data = tomllib.loads(text)
    models: dict[str, type[BaseModel]] = {
        "strokes": StrokesSheet, "hold": HoldSheet, "ramp": RampSheet,
    }  # fmt: skip
    model = models.get(str(data.get("kind")), StrokesSheet)
    found: list[Field] = []
    for name, field in model.model_fields.items():
        if name in NOT_KEYS or submodel_of(field)[0] is not None:
            continue
        key = key_of(name, field)
        usual = "" if field.is_required() or field.default is None else str(field.default)
        found.append(Field(key, _written(data.get(key)), usual, field.is_required()))
    limits = data.get("accept", [])
    for n in range(len(limits) + 1):
        limit = limits[n] if n < len(limits) else {}
        for name, field in Accept.model_fields.items():
            key = key_of(name, field)
            if name not in NOT_KEYS:
                found.append(Field(f"accept.{n}.{key}", _written(limit.get(key)), "", False))
    stop = data.get("early_stop", {})
    found += [Field(f"early_stop.{key}", _written(value), "", False) for key, value in stop.items()]
    return found


def _written(value: Any) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value)


def text_of(form: Mapping[str, str]) -> str:
    """A sheet's text from a form's fields, by the names of `fields_of`; empty ones are left out.

    What looks like a number, true, false or a list is written as it is, anything else between
    quotes; what it then is, the sheet's own check says.
    """
    top: list[str] = []
    tables: dict[str, list[str]] = {}
    for name, text in form.items():
        if not text.strip():
            continue
        table, _, key = name.rpartition(".")
        line = f"{key} = {_toml(text.strip())}"
        (tables.setdefault(table, []) if table else top).append(line)
    parts = ["\n".join(top)]
    for table, lines in sorted(tables.items()):
        head = "[[accept]]" if table.startswith("accept.") else f"[{table}]"
        parts.append("\n".join([head, *lines]))
    return "\n\n".join(parts) + "\n"


def _toml(text: str) -> str:
    if re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?|true|false|\[.*\]", text):
        return text
    return json.dumps(text, ensure_ascii=False)


def problems_of(error: Exception) -> list[Problem]:
    """What is wrong, one by one, for a page to show beside the keys."""
    if isinstance(error, FileProblems):
        return list(error.problems)
    return [Problem("", "", "", str(error), "")]
