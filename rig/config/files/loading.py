# SPDX-License-Identifier: MIT
"""Load setups and sheets; refuse them with every problem at once, in plain words."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rig.config.files.problems import Finding, dotted, listed, look_up, nearest, show
from rig.config.files.reading import Unreadable, in_file_order, read
from rig.config.files.service_file import Service, taken_in
from rig.config.files.simulated_table import with_faults
from rig.config.files.toml_file import Parsed, parse_file, parse_text, plain
from rig.config.plant.fault_names import Fault
from rig.config.ranges import setup_in_range, sheet_in_range
from rig.config.service.model import ServiceLimits
from rig.config.service.rules import SERVICE_RULES, SETUP_SERVICE_RULES, SHEET_SERVICE_RULES
from rig.config.setup.model import Setup
from rig.config.setup.rules import SETUP_RULES
from rig.config.sheet.model import KINDS, NOT_KEYS, Sheet
from rig.config.sheet.rules import ACCEPT_RULES, OWN_ACCEPT_RULES, PAIR_RULES, SHEET_RULES
from rig.core.errors import FileProblems, Problem

HASH_DIGITS = 16
MEASURED_TABLES = ("timing", "calibration")
"""Tables with measurements of the rig's own instruments: without them the assumed and stated bounds
apply."""
Rule = Callable[..., Iterator[Finding]]


@dataclass(frozen=True)
class LoadedSetup:
    """A usable setup. `hash` is the start of the SHA-256 of `text`."""

    setup: Setup
    text: str
    path: str
    hash: str
    left_out: tuple[Problem, ...] = ()
    """Why earlier measurements of the instruments are not in `setup` (stored_setup)."""


@dataclass(frozen=True)
class LoadedSheet:
    """A usable sheet. `hash` is the start of the SHA-256 of `text`."""

    sheet: Sheet
    text: str
    path: str
    hash: str
    service: ServiceLimits | None = None
    """The service information inserted; None for a sheet without any, and for a stored one."""


def load_setup(path: str | os.PathLike[str]) -> LoadedSetup:
    """Load a setup. Raises FileProblems."""
    return load_pair(path, None)[0]


def load_sheet(path: str | os.PathLike[str]) -> LoadedSheet:
    """Load a sheet, without checking it against a setup. Raises FileProblems."""
    return _sheet_of(_read_sheet(*_from_file(parse_file(path), Path(path).parent)))


def load_pair(
    setup_path: str | os.PathLike[str],
    sheet_path: str | os.PathLike[str] | None,
    faults: Sequence[Fault] | None = None,
) -> tuple[LoadedSetup, LoadedSheet | None]:
    """Load a setup and a sheet and check that they fit. Raises FileProblems with the problems of
    both files.

    `faults` replace those that the setup of a simulated rig names, in its text as well.
    """
    setup_file = parse_file(setup_path)
    if faults is not None and setup_file.data.get("backend") == "simulated":
        setup_file = _with_faults(setup_file, faults)
    sheet_file = None if sheet_path is None else parse_file(sheet_path)
    _refuse_swapped(setup_file, sheet_file)
    setup = _read_setup(setup_file)
    if sheet_file is None:
        return _setup_of(setup), None
    folders = [Path(path).parent for path in (sheet_path, setup_path) if path is not None]
    return _pair_of(setup, _read_sheet(*_from_file(sheet_file, *folders)))


def _from_file(file: Parsed, *folders: Path) -> tuple[Parsed, Service]:
    """A sheet as a person wrote it, with the limits it takes from service information."""
    service = taken_in(file, folders, _read_limits)
    return service.sheet, service


def _read_limits(file: Parsed) -> tuple[ServiceLimits | None, list[Problem]]:
    found = _start(file)
    if not found.problems:
        found.model, findings = read(ServiceLimits, file.data, NOT_KEYS)
        more = _with_accepts(found.model, SERVICE_RULES, OWN_ACCEPT_RULES)
        found.note(in_file_order(file.data, [*findings, *more]))
    return found.model, found.problems


def _with_faults(file: Parsed, faults: Sequence[Fault]) -> Parsed:
    text = with_faults(file.text, faults)
    if text is not None:
        return parse_text(text, file.name)
    what = "No fault can be written into this table as it stands."
    remedy = "Write [simulated] on a line of its own and its keys below it, or leave out --fault."
    return Parsed(file.name, file.text, problem=Problem(file.name, "simulated", "", what, remedy))


def _refuse_swapped(setup: Parsed, sheet: Parsed | None) -> None:
    """One plain message instead of a problem for every key of a file given in the wrong place."""
    found = []
    order = "Give the setup first, then the sheet."
    if "kind" in (setup.data or {}) and "backend" not in (setup.data or {}):
        found.append(
            Problem(setup.name, "", "", "This is a sheet, and a setup was expected.", order)
        )
    if sheet is not None and "backend" in (sheet.data or {}) and "kind" not in (sheet.data or {}):
        found.append(
            Problem(sheet.name, "", "", "This is a setup, and a sheet was expected.", order)
        )
    _refuse(found)


def setup_from_text(text: str, name: str) -> LoadedSetup:
    """A setup from its text, as stored with a run; `name` stands for the file in messages."""
    return _setup_of(_read_setup(parse_text(text, name), stored=True))


def stored_setup(text: str, name: str) -> LoadedSetup:
    """Like setup_from_text, for a recorded run. A measured table that an earlier version wrote and
    this one refuses is left out, with a remark: the wiring does not depend on it. Raises
    FileProblems for anything else."""
    file = parse_text(text, name)
    found = _read_setup(file, stored=True)
    refused = {problem.key.partition(".")[0].partition("[")[0] for problem in found.problems}
    if not refused or not refused <= set(MEASURED_TABLES):
        return _setup_of(found)
    left = {key: value for key, value in file.data.items() if key not in refused}
    loaded = _setup_of(_read_setup(replace(file, data=left), stored=True))
    return replace(loaded, left_out=tuple(found.problems))


def sheet_from_text(text: str, name: str) -> LoadedSheet:
    """A sheet from its text, as stored with a run; `name` stands for the file in messages."""
    return _sheet_of(_read_sheet(parse_text(text, name), stored=True))


def pair_from_texts(
    setup_text: str, setup_name: str, sheet_text: str, sheet_name: str
) -> tuple[LoadedSetup, LoadedSheet]:
    """A setup and a sheet from their texts, checked against each other."""
    setup = _read_setup(parse_text(setup_text, setup_name))
    return _pair_of(setup, _read_sheet(*_from_file(parse_text(sheet_text, sheet_name))))


@dataclass
class _Read:
    """A file being loaded. While there are problems the model is for cross checks only; it is None
    if the file has no tables and keys at all."""

    file: Parsed
    model: Any
    problems: list[Problem]
    service: ServiceLimits | None = None

    def note(self, findings: Iterable[Finding]) -> None:
        """Turn findings into problems of this file."""
        name, data = self.file.name, self.file.data
        for where, what, remedy in findings:
            value = show(look_up(data, where))
            key = dotted(data, where)
            self.problems.append(Problem(name, key, value, _said(what), _said(remedy)))


def _start(file: Parsed) -> _Read:
    return _Read(file, None, [] if file.problem is None else [file.problem])


def _setup_of(found: _Read) -> LoadedSetup:
    _refuse(found.problems)
    file = found.file
    return LoadedSetup(found.model, file.text, file.name, text_hash(file.text))


def _sheet_of(found: _Read) -> LoadedSheet:
    _refuse(found.problems)
    file = found.file
    return LoadedSheet(found.model, file.text, file.name, text_hash(file.text), found.service)


def _pair_of(setup: _Read, sheet: _Read) -> tuple[LoadedSetup, LoadedSheet]:
    if setup.model is not None and sheet.model is not None:
        sheet.note(checked(PAIR_RULES, setup.model, sheet.model))
        if sheet.service is not None:
            setup.note(checked(SETUP_SERVICE_RULES, setup.model, sheet.service))
    _refuse([*setup.problems, *sheet.problems])
    return _setup_of(setup), _sheet_of(sheet)


def _refuse(problems: list[Problem]) -> None:
    if problems:
        raise FileProblems(problems)


def text_hash(text: str) -> str:
    """Hash that identifies a setup or sheet in results: the start of the SHA-256 of its UTF-8
    bytes."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:HASH_DIGITS]


def _said(text: str) -> str:
    """As a sentence of its own."""
    text = plain(text)
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")


def _read_setup(file: Parsed, *, stored: bool = False) -> _Read:
    """Ranges are not checked for a stored setup: they may be newer than its run."""
    found = _start(file)
    if not found.problems:
        found.model, findings = read(Setup, file.data)
        findings += checked(SETUP_RULES, found.model)
        if not stored:
            findings += _once(checked((setup_in_range,), found.model), findings)
        found.note(in_file_order(file.data, findings))
    return found


def _read_sheet(file: Parsed, service: Service | None = None, *, stored: bool = False) -> _Read:
    found = _start(file)
    if found.problems:
        return found
    if service is not None:
        found.problems += service.problems
        found.service = service.limits
    kind, findings = _kind_of(file.data)
    if kind is not None:
        found.model, more = read(KINDS[kind], {**file.data, "kind": kind}, NOT_KEYS)
        findings += [*more, *sheet_findings(found.model)]
        if service is not None:
            findings += service.findings
            if service.limits is not None:
                findings += checked(SHEET_SERVICE_RULES, found.model, service.limits)
        if not stored:
            findings += _once(checked((sheet_in_range,), found.model), findings)
    found.note(in_file_order(file.data, findings))
    return found


def _once(more: Iterable[Finding], findings: list[Finding]) -> list[Finding]:
    """Those of `more` whose key has no finding yet."""
    said = {finding.where for finding in findings}
    return [finding for finding in more if finding.where not in said]


def sheet_findings(sheet: Sheet) -> Iterator[Finding]:
    """Findings of the cross checks for a sheet alone."""
    return _with_accepts(sheet, SHEET_RULES, ACCEPT_RULES)


def _with_accepts(
    model: Sheet | ServiceLimits, rules: Iterable[Rule], accept_rules: Iterable[Rule]
) -> Iterator[Finding]:
    """Findings of `rules` for a file with `[[accept]]` tables, and of `accept_rules` for each of
    them."""
    yield from checked(rules, model)
    try:
        accepts = model.accept
    except Unreadable:
        return
    for n, accept in enumerate(accepts):
        yield from checked(accept_rules, model, n, accept)


def checked(rules: Iterable[Rule], *args: object) -> Iterator[Finding]:
    """All findings of those rules whose values were readable."""
    for rule in rules:
        try:
            yield from list(rule(*args))
        except Unreadable:
            continue


def _kind_of(data: dict[str, object]) -> tuple[str | None, list[Finding]]:
    """The kind of a sheet; if it is wrong, the one most likely meant."""
    kind = data.get("kind")
    if isinstance(kind, str) and kind in KINDS:
        return kind, []
    words = listed(f'"{known}"' for known in KINDS)
    missing = "kind" not in data
    what = "this key is missing" if missing else "this is not a kind of sheet known here"
    remedy = f"add a line with kind = {words}" if missing else f"write kind = {words}"
    meant = nearest(kind, KINDS) if isinstance(kind, str) else None
    if meant is None:
        own = {name: len(_own_keys(name) & data.keys()) for name in KINDS}
        best = max(own, key=own.__getitem__)
        meant = best if own[best] else None
    return meant, [Finding(("kind",), what, remedy)]


def _own_keys(kind: str) -> set[str]:
    """The keys that only this kind of sheet has."""
    keys = {k: {f.alias or n for n, f in model.model_fields.items()} for k, model in KINDS.items()}
    others = set().union(*(found for name, found in keys.items() if name != kind))
    return keys[kind] - others
