# SPDX-License-Identifier: MIT
"""Checks by hand, entered by a person in a TOML file, and the findings they give."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from typing import Annotated, Literal

from pydantic import Field

from rig.config.files.problems import Finding as FileFinding
from rig.config.files.problems import dotted, listed, look_up, nearest, show
from rig.config.files.reading import in_file_order, read
from rig.config.files.toml_file import parse_file, plain
from rig.config.quantity_types import (
    InstantText,
    ListAsTuple,
    PressureKpa,
    ResistanceOhm,
    TemperatureDegc,
    VoltageV,
)
from rig.config.setup.model import Setup
from rig.config.strict import Strict
from rig.core.errors import FileProblems, Problem
from rig.diagnosis.findings.model import BY_HAND, Finding, seen
from rig.diagnosis.knowledge.model import READINGS, Knowledge
from rig.physics.coil import copper_resistance_ohm

Chances = Mapping[str, float]
SURE = 0.97
"""Probability of a state that a person reports."""
COIL_SHARE = 0.10
"""Half width of a coil's resistance (common practice, no source)."""
COIL_DEGC = range(0, 121, 5)
"""A coil of unstated temperature is equally likely at each of these (common practice)."""
OPEN_OHM = 10_000.0
DROP_V, LOW_SHARE, DEAD_V = 0.5, 0.85, 1.0
RISE_KPA = 70.0
"""Share of the running compression with the valve on (common practice, no source)."""


class Cylinder(Strict):
    """`[[check.cylinder]]`: running compression of one cylinder."""

    cylinder: int = Field(ge=1, le=24)
    coil_off_kpa: PressureKpa = Field(alias="coil_off", gt=0)
    coil_on_kpa: PressureKpa = Field(alias="coil_on", gt=0)


class Rocker(Strict):
    """`[[check.rocker]]`: one rocker of the air test."""

    cylinder: int = Field(ge=1, le=24)
    rocker: str = Field(default="", max_length=40)
    without_air: Literal["free", "locked"]
    with_air: Literal["free", "locked"]


class HandCheck(Strict):
    """`[[check]]`: a check that was done. Give `found`, one of its states, or the reading that the
    state follows from."""

    check: str = Field(min_length=1, examples=['"oil_level"'])
    found: str | None = Field(default=None, examples=['"low"'])
    note: str = Field(default="", max_length=500)
    noted: InstantText | None = Field(default=None, examples=['"2026-11-02T14:05:00+00:00"'])
    """When it was noted."""
    before: Annotated[tuple[str, ...], ListAsTuple] = Field(default=(), examples=['["oil_level"]'])
    """Checks that come first for safety and were not yet noted when a person confirmed this one
    anyway."""
    resistance_ohm: ResistanceOhm | None = Field(alias="resistance", default=None, ge=0)
    """coil_ohms: as read at the plug."""
    coil_temperature_degc: TemperatureDegc | None = Field(
        alias="coil_temperature", default=None, ge=-40, le=200
    )
    at_coil_v: VoltageV | None = Field(alias="at_coil", default=None, ge=0)
    """supply_loaded: across the coil, and across the source, coil energised."""
    at_source_v: VoltageV | None = Field(alias="at_source", default=None, ge=0)
    pressure_kpa: PressureKpa | None = Field(alias="pressure", default=None, ge=0)
    """base_gauge: as read."""
    cylinder: Annotated[tuple[Cylinder, ...], ListAsTuple] = ()
    """compression."""
    rocker: Annotated[tuple[Rocker, ...], ListAsTuple] = ()
    """air_test."""


class Normal(Strict):
    """`[normal]`: values from the engine's service information."""

    base_pressure_min_kpa: PressureKpa | None = Field(alias="base_pressure_min", default=None, gt=0)
    base_pressure_max_kpa: PressureKpa | None = Field(alias="base_pressure_max", default=None, gt=0)
    compression_rise_kpa: PressureKpa = Field(alias="compression_rise", default=RISE_KPA, gt=0)


class ChecksFile(Strict):
    """A file of checks. `gauge_at`: where the gauge is connected."""

    gauge_at: Literal["behind", "in front"] | None = None
    normal: Normal = Normal()
    check: Annotated[tuple[HandCheck, ...], ListAsTuple] = ()


def load_checks(path: str | os.PathLike[str], knowledge: Knowledge) -> ChecksFile:
    """Load checks. Raises FileProblems with every problem."""
    parsed = parse_file(path)
    if parsed.problem is not None:
        raise FileProblems([parsed.problem], "nothing was diagnosed")
    model, findings = read(ChecksFile, parsed.data)
    if not findings:
        findings = list(_unfit(model, knowledge))
    if findings:
        raise FileProblems(
            (
                Problem(
                    parsed.name,
                    dotted(parsed.data, where),
                    show(look_up(parsed.data, where)),
                    _said(what),
                    _said(remedy),
                )
                for where, what, remedy in in_file_order(parsed.data, findings)
            ),
            "nothing was diagnosed",
        )
    return model


def _said(text: str) -> str:
    text = plain(text)
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")


METER_V = 0.2
"""Maximum difference of two readings of one voltage (common practice, no source)."""


def _unfit(model: ChecksFile, knowledge: Knowledge) -> Iterator[FileFinding]:
    for n, done in enumerate(model.check):
        where = ("check", n, "check")
        check = knowledge.checks.get(done.check)
        if check is None:
            meant = nearest(done.check, knowledge.checks)
            hint = f'did you mean "{meant}"? ' if meant else ""
            names = listed(knowledge.checks, "and")
            yield FileFinding(where, "there is no such check", f"{hint}known are {names}")
            continue
        for other in done.before:
            if other not in knowledge.checks:
                yield FileFinding(
                    ("check", n, "before"), f"there is no check {show(other)}", "take it out"
                )
        readings = {
            "resistance": done.resistance_ohm,
            "at_coil": done.at_coil_v,
            "at_source": done.at_source_v,
            "pressure": done.pressure_kpa,
            "cylinder": done.cylinder or None,
            "rocker": done.rocker or None,
        }
        own = READINGS.get(done.check, ())
        for key, value in readings.items():
            if value is not None and key not in own:
                yield FileFinding(
                    ("check", n, key),
                    f"{done.check} has no such reading",
                    f"take it out, or write {listed(own) if own else 'found'}",
                )
        missing = [key for key in own if readings[key] is None]
        given = [key for key in own if readings[key] is not None]
        if done.found is not None and given:
            yield FileFinding(
                ("check", n, "found"),
                f"{done.check} has found and a reading ({listed(given, 'and')}) as well",
                "take found out: the state follows from the reading; or take the reading out",
            )
            continue
        if done.found is None and (missing or not own):
            wanted = ["found", *missing]
            yield FileFinding(
                ("check", n),
                f"what {done.check} found is missing",
                f"add {listed(wanted)}; found is {listed(show(s) for s in check.states)}",
            )
        elif done.found is not None and done.found not in check.states:
            meant = nearest(done.found, check.states)
            hint = f'did you mean "{meant}"? ' if meant else ""
            yield FileFinding(
                ("check", n, "found"),
                f"{done.check} does not know this state",
                f"{hint}write {listed(show(s) for s in check.states)}",
            )
        at_coil, at_source = done.at_coil_v, done.at_source_v
        if at_coil is not None and at_source is not None and not at_coil <= at_source + METER_V:
            yield FileFinding(
                ("check", n, "at_coil"),
                f"more volts at the coil than at its source ({at_source:g} V)",
                "look for swapped leads, or for another source that drives the coil too",
            )
        unnamed = model.normal.base_pressure_min_kpa is None
        if done.check == "base_gauge" and done.found is None and unnamed:
            yield FileFinding(
                ("normal", "base_pressure_min"),
                "the least base pressure is not stated",
                "add it below [normal] as the service information says, or write found",
            )


def finished(model: ChecksFile | None, knowledge: Knowledge) -> set[str]:
    """Checks that count as done for those that follow them for safety, by their latest result."""
    last = {done.check: done.found for done in (model.check if model is not None else ())}
    return {name for name, found in last.items() if found not in knowledge.checks[name].holds_up}


def check_findings(
    model: ChecksFile, knowledge: Knowledge, setup: Setup | None
) -> tuple[Finding, ...]:
    """The findings of checks by hand; a later check of the same kind replaces an earlier one."""
    found: dict[str, Finding] = {}
    for done in model.check:
        words = knowledge.checks[done.check].words
        note = f" ({plain(done.note)})" if done.note else ""
        if done.before:
            first = "; ".join(knowledge.checks[name].words for name in done.before)
            note += f", noted before what comes first for safety: {first}"
        if done.resistance_ohm is not None:
            chances, told = _coil(done.resistance_ohm, done.coil_temperature_degc, setup)
        else:
            state, told = done.found, ""
            if state is None:
                state, told = _from_reading(done, model.normal, setup)
            told = told or state.replace("_", " ")
            chances = seen(done.check, state, told, SURE).chances
        found[done.check] = Finding(done.check, chances, f"{words}: {told}{note}", BY_HAND)
    return tuple(found.values())


def _from_reading(done: HandCheck, normal: Normal, setup: Setup | None) -> tuple[str, str]:
    """The state, and words about the reading."""
    if done.at_coil_v is not None and done.at_source_v is not None:
        return _supply(done.at_coil_v, done.at_source_v, setup)
    if done.pressure_kpa is not None and normal.base_pressure_min_kpa is not None:
        least, most = normal.base_pressure_min_kpa, normal.base_pressure_max_kpa
        told = f"{done.pressure_kpa:.0f} kPa, at least {least:.0f} kPa by the service information"
        if not done.pressure_kpa >= least:
            return "low", told
        return ("high" if most is not None and done.pressure_kpa > most else "right"), told
    if done.cylinder:
        return _compression(done.cylinder, normal.compression_rise_kpa)
    return _air_test(done.rocker)


def _coil(read_ohm: float, degc: float | None, setup: Setup | None) -> tuple[Chances, str]:
    """Probability of each state. A reading is converted to 20 degC (IEC 60228's temperature factor
    of copper, as rig.physics); where the coil's temperature is not stated, from each temperature
    that it may have."""
    if read_ohm > OPEN_OHM:
        return {"open": SURE, "": 1.0 - SURE}, f"{read_ohm:,.0f} ohm, open"
    told = f"{read_ohm:.3g} ohm"
    if degc is None:
        told += (
            f" at a temperature that was not stated, taken as anything from {COIL_DEGC[0]} to "
            f"{COIL_DEGC[-1]} degC (state coil_temperature)"
        )
    else:
        at_20 = read_ohm / copper_resistance_ohm(1.0, degc)
        told += f" at {degc:.0f} degC, {at_20:.3g} ohm at 20 degC"
    if setup is None:
        return {}, f"{told}, no setup to hold it against"
    rated = setup.coil.resistance_ohm
    among = COIL_DEGC if degc is None else (degc,)
    chances: dict[str, float] = {"": 1.0 - SURE}
    for each in among:
        share = read_ohm / copper_resistance_ohm(1.0, each) / rated
        state = "low" if share < 1 - COIL_SHARE else "high" if share > 1 + COIL_SHARE else "right"
        chances[state] = chances.get(state, 0.0) + SURE / len(among)
    return chances, f"{told}, the setup says {rated:g}"


def _supply(at_coil: float, at_source: float, setup: Setup | None) -> tuple[str, str]:
    told = f"{at_coil:.1f} V at the coil, {at_source:.1f} V at the source"
    if at_coil < DEAD_V:
        return "none", told
    if setup is not None and at_source < LOW_SHARE * setup.coil.supply_voltage_v:
        return "low_source", told
    return ("drop" if at_source - at_coil > DROP_V else "right"), told


def _compression(cylinders: tuple[Cylinder, ...], rise_kpa: float) -> tuple[str, str]:
    rises = {c.cylinder: c.coil_on_kpa - c.coil_off_kpa for c in cylinders}
    flat = [c for c in cylinders if rises[c.cylinder] < 0.5 * rise_kpa]
    told = "rise of " + ", ".join(f"{rise:.0f} kPa in cylinder {n}" for n, rise in rises.items())
    if not flat:
        return "all_rise", told
    others = [c.coil_off_kpa for c in cylinders if c not in flat]
    usual = sum(others) / len(others) if others else float("inf")
    named = listed((str(c.cylinder) for c in flat), "and")
    if all(c.coil_off_kpa > usual + 0.5 * rise_kpa for c in flat):
        return "one_always_high", f"{told}; cylinder {named} is high with the coil off"
    return "one_missing", f"{told}; cylinder {named} does not rise"


def _air_test(rockers: tuple[Rocker, ...]) -> tuple[str, str]:
    def name(rocker: Rocker) -> str:
        return f"cylinder {rocker.cylinder} {plain(rocker.rocker)}".rstrip()

    locked = [name(r) for r in rockers if r.without_air == "locked"]
    free = [name(r) for r in rockers if r.with_air == "free"]
    if locked:
        return "one_locked", f"locked without air: {listed(locked, 'and')}"
    if free:
        return "one_free", f"free with air: {listed(free, 'and')}"
    return "all_right", f"all of {len(rockers)} rockers free without air, locked with it"
