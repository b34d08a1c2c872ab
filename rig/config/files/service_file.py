# SPDX-License-Identifier: MIT
"""The limits file that a sheet refers to, and the sheet with its limits inserted.

Inserted limits become part of the sheet's text, so that a run keeps the limits it was judged by,
whatever happens to the file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from rig.config.files.problems import Finding
from rig.config.files.toml_file import Parsed, parse_file, parse_text
from rig.config.service.model import ServiceLimits
from rig.core import places
from rig.core.errors import Problem, StorageError
from rig.core.figures import FIGURES

ENDING = ".limits.toml"
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,60}")
KEY, TAKEN = "service", "service_taken"


@dataclass(frozen=True)
class Service:
    """What a sheet refers to. `findings` belong to the sheet, `problems` to the limits file."""

    sheet: Parsed
    limits: ServiceLimits | None = None
    findings: tuple[Finding, ...] = ()
    problems: tuple[Problem, ...] = field(default=())


def taken_in(
    sheet: Parsed,
    folders: Iterable[Path],
    check: Callable[[Parsed], tuple[ServiceLimits | None, list[Problem]]],
) -> Service:
    """The sheet with the limits of the file named by its key `service`, searched for in `folders`
    and then in the data folder. `check` reads a limits file."""
    name = sheet.data.get(KEY)
    if sheet.problem is None and TAKEN in sheet.data and KEY not in sheet.data:
        what, remedy = "only the program writes this", f"take it out, or name the file by {KEY}"
        return Service(sheet, findings=(Finding((TAKEN,), what, remedy),))
    if sheet.problem is not None or not isinstance(name, str):
        return Service(sheet)
    if TAKEN in sheet.data:
        remedy = f"take {TAKEN} and the limits below it out: they are taken from the file again"
        what = "this sheet is a copy of what a run kept, and its limits may be old"
        return Service(sheet, findings=(Finding((TAKEN,), what, remedy),))
    if not NAME.fullmatch(name):
        remedy = f'write the name alone, without folder and ending, like {KEY} = "valve-a"'
        return Service(sheet, findings=(Finding((KEY,), "this is no name of a file", remedy),))
    places_asked = [*folders, *_data_folder()]
    found = next((p for f in places_asked if (p := f / f"{name}{ENDING}").is_file()), None)
    if found is None:
        asked = ", ".join(dict.fromkeys(str(folder) for folder in places_asked))
        return Service(sheet, findings=(
            Finding((KEY,), f'there is no file "{name}{ENDING}" in {asked}',
                    "put it there, correct the name, or take this key out"),
        ))  # fmt: skip
    file = parse_file(found)
    limits, problems = check(file)
    if limits is None or problems:
        return Service(sheet, None, (), tuple(problems))
    whole = _with(sheet, file, limits)
    if whole.problem is not None:  # the sheet alone is sound
        what, remedy = "limits cannot be added to this list", "write each below its own [[accept]]"
        return Service(sheet, findings=(Finding(("accept",), what, remedy),))
    return Service(whole, limits)


def _data_folder() -> list[Path]:
    try:
        return [places.data_dir() / "limits"]
    except StorageError:
        return []


def _with(sheet: Parsed, file: Parsed, limits: ServiceLimits) -> Parsed:
    """The sheet's text with the limits it takes: those of its kind for figures it has no limit for,
    and the least base pressure if it states none."""
    written = sheet.data.get("accept", [])
    own = [_which(limit) for limit in written if isinstance(limit, dict)]\
        if isinstance(written, list) else []  # fmt: skip
    head = [f"{TAKEN} = {_toml(f'{Path(file.name).name}: {limits.words}')}"]
    if "base_pressure_min" in file.data and "base_pressure_min" not in sheet.data:
        head.append(f"base_pressure_min = {_toml(file.data['base_pressure_min'])}")
    tail = []
    for lines, limit in zip(file.data.get("accept", ()), limits.accept, strict=True):
        if FIGURES[limit.figure].kind != sheet.data.get("kind"):
            continue
        if (limit.figure, limit.of, limit.strokes_of) not in own:
            tail += ["[[accept]]", *(f"{key} = {_toml(value)}" for key, value in lines.items())]
    text = "\n".join([*head, sheet.text.rstrip("\n"), *tail]) + "\n"
    return parse_text(text, sheet.name)


def _which(limit: dict[str, object]) -> tuple[object, object, object]:
    """Which number of a run a limit applies to, as in Accept."""
    of = limit.get("of", "total" if limit.get("figure") == "missed" else "each")
    return limit.get("figure"), of, limit.get("strokes", "all" if of == "each" else "steady")


def _toml(value: object) -> str:
    """A text or number as TOML writes it; JSON's texts are TOML's."""
    return json.dumps(value, ensure_ascii=False)
