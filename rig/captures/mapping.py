# SPDX-License-Identifier: MIT
"""What each column of an instrument's file holds: stated by a person, guessed, kept."""

from __future__ import annotations

import json
import math
import shlex
from collections.abc import Iterable
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from rig.captures.columns import DIGITAL, NEEDED, PRESSURES, SIGNALS
from rig.config.files.problems import listed, nearest
from rig.config.setup.model import Setup
from rig.core.errors import UsageError

TimeUnit = Literal["s", "ms", "us", "ns", "sample"]
DIGITS: dict[str, int] = {"s": 9, "ms": 6, "us": 3, "ns": 0}
"""Number of decimals in a nanosecond."""
TIME_ROLES: dict[str, TimeUnit] = {
    "time_s": "s", "time_ms": "ms", "time_us": "us", "time_ns": "ns", "sample": "sample",
}  # fmt: skip
ROLES = (*TIME_ROLES, *SIGNALS)
NOT = "not "


class Column(BaseModel):
    """A column and how to read its cells. `below`, `above`: an analogue level is 0 below the one
    and 1 above the other, and no sample in between. `scale`: a reading is its cell times this."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    name: str
    inverted: bool = False
    below: float | None = Field(default=None, allow_inf_nan=False)
    above: float | None = Field(default=None, allow_inf_nan=False)
    scale: float = Field(default=1.0, allow_inf_nan=False)

    @model_validator(mode="after")
    def _levels(self) -> Self:
        if (self.below is None) != (self.above is None):
            raise ValueError("a threshold needs both its levels")
        if self.below is not None and self.above is not None and self.below > self.above:
            raise ValueError("the lower level of a threshold is above the upper one")
        return self


class CaptureMap(BaseModel):
    """Positions of time and signals in a capture. `time` None: one row per sample, at `rate_hz`."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    time: str | None
    time_unit: TimeUnit
    rate_hz: float | None = Field(default=None, gt=0, le=1e12, allow_inf_nan=False)
    signals: dict[str, Column]

    @model_validator(mode="after")
    def _known(self) -> Self:
        unknown = [name for name in self.signals if name not in SIGNALS]
        if unknown:
            raise ValueError(f"no such signal: {unknown[0]}")
        return self

    def missing(self) -> list[str]:
        """What is not stated yet, in words; empty where it is enough to read a capture."""
        found = [f"{name} ({what})" for name, what in NEEDED.items() if name not in self.signals]
        if self.time_unit == "sample" and self.rate_hz is None:
            rate = 'the rate of samples (--rate "10 kHz")'
            found.append(
                rate if self.time else f"the time and its unit (--map time_ms=COLUMN), or {rate}"
            )
        if sum(name in PRESSURES for name in self.signals) > 1:
            found.append("one pressure only")
        return found

    def options(self) -> list[str]:
        """The options of `rig analyse` that state this."""
        found = []
        if self.time is not None:
            role = next(role for role, unit in TIME_ROLES.items() if unit == self.time_unit)
            found += ["--map", f"{role}={self.time}"]
        if self.rate_hz is not None:
            found += ["--rate", f"{self.rate_hz:g} Hz"]
        for name, column in self.signals.items():
            found += ["--map", f"{name}={NOT * column.inverted}{column.name}"]
            if column.below is not None:
                found += ["--threshold", f"{name}={column.below:g}..{column.above:g}"]
            if column.scale != 1.0:
                found += ["--scale", f"{name}={column.scale:g}"]
        return found

    def as_typed(self) -> str:
        """The options as a person would type them."""
        return shlex.join(self.options())


NOTHING = CaptureMap(time=None, time_unit="sample", signals={})


class Stated(BaseModel):
    """Columns stated by a person, possibly only part of a map."""

    columns: dict[str, str] = {}
    thresholds: dict[str, tuple[float, float]] = {}
    scales: dict[str, float] = {}
    rate_hz: float | None = None

    def __bool__(self) -> bool:
        return bool(self.columns or self.thresholds or self.scales or self.rate_hz)

    def is_complete(self) -> bool:
        """Whether everything a capture needs is stated, with nothing left to guess."""
        has_time = bool(set(self.columns) & set(TIME_ROLES)) or self.rate_hz is not None
        return has_time and all(name in self.columns for name in NEEDED)

    def over(self, guess: CaptureMap, names: Iterable[str]) -> CaptureMap:
        """The guess, overridden by what was stated. Raises UsageError for a name not in the
        file."""
        by_name = {name.casefold(): name for name in names}
        time, unit, signals = guess.time, guess.time_unit, dict(guess.signals)
        rate_hz = self.rate_hz or guess.rate_hz
        for role, text in self.columns.items():
            inverted = text.startswith(NOT) and text.casefold() not in by_name
            named = text[len(NOT) :] if inverted else text
            name = by_name.get(named.strip().casefold())
            if name is None:
                near = nearest(named, by_name.values())
                raise UsageError(
                    f'--map {role}: the file has no column "{named}". '
                    + (f'Did you mean "{near}"? ' if near else "")
                    + f"Its columns are {listed(by_name.values(), 'and')}."
                )
            if role in TIME_ROLES:
                time, unit = name, TIME_ROLES[role]
                continue
            if role in PRESSURES:
                signals = {key: c for key, c in signals.items() if key not in PRESSURES}
            # a column has one meaning, unless a person gave it two
            signals = {
                key: c for key, c in signals.items() if c.name != name or key in self.columns
            }
            old = guess.signals.get(role)
            if old is None or old.name != name:
                old = Column(name=name)
            signals[role] = old.model_copy(update={"inverted": inverted})
        if self.rate_hz and unit != "sample" and not set(self.columns) & set(TIME_ROLES):
            time, unit = None, "sample"
        for role, (below, above) in self.thresholds.items():
            signals[role] = self._of(signals, role).model_copy(
                update={"below": below, "above": above}
            )
        for role, scale in self.scales.items():
            signals[role] = self._of(signals, role).model_copy(update={"scale": scale})
        return CaptureMap(time=time, time_unit=unit, rate_hz=rate_hz, signals=signals)

    @staticmethod
    def _of(signals: dict[str, Column], role: str) -> Column:
        if role not in signals:
            raise UsageError(f"{role} has no column: say which with --map {role}=COLUMN.")
        return signals[role]


def stated(
    maps: Iterable[str] = (), thresholds: Iterable[str] = (), scales: Iterable[str] = (),
    rate: str | None = None,
) -> Stated:  # fmt: skip
    """Parse a person's options: `switch=Channel 2`, `switch=2..3`, `pressure_kpa=1000`, "10 kHz".
    Raises UsageError."""
    columns = dict(_pair("--map", text, ROLES) for text in maps)
    if sum(role in TIME_ROLES for role in columns) > 1:
        raise UsageError("--map: the time is given twice; give one of time_s, time_ms and so on.")
    levels = {}
    for role, text in (_pair("--threshold", text, DIGITAL) for text in thresholds):
        low, _, high = text.partition("..")
        pair = _number("--threshold", low), _number("--threshold", high or low)
        if pair[0] > pair[1]:
            raise UsageError(f"--threshold {role}: write the lower level first, like 2..3.")
        levels[role] = pair
    factors = {
        role: _number("--scale", text)
        for role, text in (_pair("--scale", text, SIGNALS) for text in scales)
    }
    return Stated(columns=columns, thresholds=levels, scales=factors, rate_hz=_rate_hz(rate))


def _pair(option: str, text: str, roles: Iterable[str]) -> tuple[str, str]:
    role, equals, rest = text.partition("=")
    role = role.strip().casefold()
    if not equals or not rest.strip():
        raise UsageError(f'{option}: "{text}" is not ROLE=VALUE, like {option} switch=...')
    if role not in roles:
        near = nearest(role, roles)
        hint = f"Did you mean {near}?" if near else f"Write one of {listed(roles)}."
        raise UsageError(f'{option}: there is no "{role}". {hint}')
    return role, rest.strip()


def _number(option: str, text: str) -> float:
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise UsageError(f'{option}: "{text}" is not a number; write it in the column\'s own unit.')
    return found


def _rate_hz(text: str | None) -> float | None:
    from rig.core.quantities import QuantityError, parse

    if text is None:
        return None
    try:
        found = parse(text, "frequency")
    except QuantityError as error:
        raise UsageError(f"--rate: {error}") from error
    if not 0 < found <= 1e12:
        raise UsageError(f'--rate: {text} is no rate of samples; write it like "10 kHz".')
    return found


def key_of(names: Iterable[str], units: Iterable[str], setup: Setup) -> str:
    """The key a map is kept under: names and units of a file's columns, and the meaning of the
    setup's levels, since a map says which of them is 1."""
    levels = [setup.switch_closed_level, setup.coil_live_level]
    return json.dumps([list(names), list(units), levels], ensure_ascii=False)
