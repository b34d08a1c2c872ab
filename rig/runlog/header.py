# SPDX-License-Identifier: MIT
"""What is known of a run before its first record, as one object and as one line of JSON."""

from __future__ import annotations

import json
import math
import tomllib
import uuid
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import TYPE_CHECKING

from rig.core.clock import WallTime
from rig.core.records import SOURCES

if TYPE_CHECKING:
    from rig.core.results.run import Condition, Conditions, Rule

PURPOSES = ("valve", "own timing", "commissioning")
"""Purpose of a run: to judge a valve, to measure the rig's own times, or to show that the rig is
wired as its setup says. Only the first judges a valve."""
HOW = ("measured", "typed")
"""Origin of a condition's value: an instrument of the rig, or a person."""


def _new_uid() -> str:
    return uuid.uuid4().hex


@dataclass(frozen=True, kw_only=True)
class RunHeader:
    """The facts of a run: source, part, person, conditions, texts of setup and sheet, clocks.

    `conditions` maps a name to `{"value": number or text, "unit": text, "how": "measured" or
    "typed"}`. `confirmed_by`, `confirmation` and `confirmed_utc_s` are who answered the questions
    before the first stroke, the answers, and when. `watched` and `not_watched` are the interlock's
    rules as reported by preflight. `uid` identifies the run among all runs on all machines. Raises
    ValueError for a source, condition or number that cannot be stored.
    """

    source: str
    setup_text: str
    setup_hash: str
    setup_name: str
    software: str
    wall: WallTime
    sheet_text: str | None = None
    sheet_hash: str | None = None
    sheet_name: str | None = None
    seed: int | None = None
    valve: str | None = None
    job: str | None = None
    by: str | None = None
    mount: int | None = None
    note: str = ""
    purpose: str = PURPOSES[0]
    conditions: Conditions = field(default_factory=dict)
    confirmed_by: str | None = None
    confirmation: str | None = None
    confirmed_utc_s: float | None = None
    hardware: Mapping[str, object] = field(default_factory=dict)
    watched: list[Rule] = field(default_factory=list)
    not_watched: list[Rule] = field(default_factory=list)
    uid: str = field(default_factory=_new_uid)

    def __post_init__(self) -> None:
        if self.source not in SOURCES:
            raise ValueError(f"source {self.source!r} is none of {', '.join(SOURCES)}")
        if self.purpose not in PURPOSES:
            raise ValueError(f"purpose {self.purpose!r} is none of {', '.join(PURPOSES)}")
        if (self.sheet_text is None) != (self.sheet_hash is None):
            raise ValueError("the sheet's text and its hash go together")
        for name, condition in self.conditions.items():
            _check_condition(name, condition)
        self.to_json()  # refuse any NaN here, not in the middle of the start

    @property
    def kind(self) -> str | None:
        """The sheet's kind (strokes, hold, ramp); None if there is no readable sheet."""
        try:
            kind = tomllib.loads(self.sheet_text or "").get("kind")
        except tomllib.TOMLDecodeError:
            return None
        return kind if isinstance(kind, str) else None

    def to_json(self) -> str:
        """Encode as one line of JSON without newline. Raises ValueError on NaN or infinity."""
        return json.dumps(asdict(self), allow_nan=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, line: str | bytes) -> RunHeader:
        """Decode the header from one line. Raises ValueError if it is not one."""
        try:
            data = json.loads(line)
            unknown = set(data) - {item.name for item in fields(cls)}
            if unknown:
                raise ValueError(f"unknown field {min(unknown)!r}")
            wall = data["wall"]
            wall = WallTime(**wall) if isinstance(wall, dict) else WallTime(*wall)
            return cls(**{**data, "wall": wall})
        except (KeyError, TypeError, AttributeError, ValueError) as error:
            raise ValueError(f"not the header of a run: {error}") from error


def _check_condition(name: str, condition: Condition) -> None:
    value, how = condition.get("value"), condition.get("how")
    if set(condition) != {"value", "unit", "how"} or how not in HOW:
        raise ValueError(f"condition {name!r} needs value, unit and how ({' or '.join(HOW)})")
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError(f"condition {name!r} is neither a number nor a text")
    if not isinstance(value, str) and not math.isfinite(value):
        raise ValueError(f"condition {name!r} is not a finite number")
