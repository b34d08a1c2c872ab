# SPDX-License-Identifier: MIT
"""The rig's parts as listed in parts.toml: the single place of every value.

Standard library only: the simulated circuits in hardware/circuits use it without an environment.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import NamedTuple

TABLE = Path(__file__).resolve().parent / "parts.toml"
_FACTORS = {"": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
_VALUE = re.compile(r"([0-9.]+) ?([pnumkM]?)(ohm|F|V|A|)")


class Part(NamedTuple):
    """`value` as printed ("2.2 k", "10 nF"; empty if there is none); `kind` with its rating."""

    name: str
    value: str
    kind: str

    @property
    def si(self) -> float:
        """The value in ohm, F, V or A. Raises ValueError if it is not a number."""
        found = _VALUE.fullmatch(self.value)
        if found is None:
            raise ValueError(f'{TABLE.name}: {self.name}: value "{self.value}" is no value')
        return float(found[1]) * _FACTORS[found[2]]

    @property
    def label(self) -> str:
        """Name and value, as in the drawing and the text."""
        return f"{self.name} {self.value}".rstrip()


PARTS = {
    name: Part(name, fields["value"], fields["kind"])
    for name, fields in tomllib.loads(TABLE.read_text()).items()
}


SENSORS_FROM = 20
"""Parts with this number or a higher one belong to sensors.md, all others to README.md."""


def of_sensors(name: str) -> bool:
    """Whether a part is listed in sensors.md."""
    return int(name[1:]) >= SENSORS_FROM


def markdown(*, sensors: bool) -> str:
    """The table of parts for README.md or sensors.md, in the table's order."""
    rows = (
        f"| {part.name} | {part.value or '-'} | {part.kind} |"
        for part in PARTS.values()
        if of_sensors(part.name) == sensors
    )
    return "\n".join(["| part | value | kind and rating |", "|---|---|---|", *rows])


def spice() -> str:
    """The values as parameters of the circuits (circuits/parts.inc)."""
    head = "* Made from parts.toml by simulate.py --write: change the values there\n"
    rows = (f".param {part.name}={part.si:g}\n" for part in PARTS.values() if part.value)
    return head + "".join(rows)
