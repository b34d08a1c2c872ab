# SPDX-License-Identifier: MIT
"""Faults of the simulated rig by name, and how a person writes them: "clogged inlet screen:0.6".

rig/simulated/faults.py has the effect of each on the plant's parameters; the help page shows this
table.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Annotated, Literal, NamedTuple, get_args

from pydantic import BeforeValidator, InstanceOf, PlainSerializer

from rig.config.files.problems import listed, nearest
from rig.config.files.toml_file import plain
from rig.config.quantity_types import refuse

FaultName = Literal[
    "none",
    "low oil level",
    "oil too thick",
    "oil too thin",
    "dirty oil",
    "low oil pressure",
    "aerated oil",
    "cold oil",
    "oil pressure surge",
    "low supply voltage",
    "high-resistance joint",
    "connector off",
    "drive on the wrong side",
    "open coil",
    "shorted turns",
    "fuse open",
    "contact welded",
    "relay dead",
    "relay slow",
    "driven by the vehicle",
    "read-back inverted",
    "stuck plunger",
    "spool stuck off",
    "spool stuck on",
    "sticking spool",
    "weak return spring",
    "clogged inlet screen",
    "blocked drain",
    "leaking lock seals",
    "switch stuck open",
    "switch stuck closed",
    "switch chattering",
    "switch sense inverted",
    "switch actuates too high",
    "switch resets too low",
    "switch wire open",
    "switch wire shorted",
    "switch wire intermittent",
    "gauge silent",
    "gauge garbage",
    "gauge NaN",
    "gauge frozen",
    "gauge disconnected",
    "gauge in the wrong unit",
    "gauge offset",
    "gauge line blocked",
    "gauge lagging",
    "rocker lock stuck free",
    "rocker lock stuck locked",
]

FaultClass = Literal["none", "oil", "electrical", "valve", "switch", "gauge", "locks"]

WHOLE = "there or not: any severity above 0 is the whole of it"


class FaultKind(NamedTuple):
    """Where a fault belongs, its effect at severity 1, and what a lower severity means."""

    part: FaultClass
    what: str
    degree: str = ""
    """Empty: the values go from sound to full in equal ratios."""

    @property
    def degree_words(self) -> str:
        """For the table of the help page."""
        return self.degree or "in equal ratios"

    @property
    def graded(self) -> bool:
        """Whether a lower severity means less of the fault."""
        return self.degree not in (WHOLE, "-")


FAULT_KINDS: Mapping[FaultName, FaultKind] = {
    "none": FaultKind("none", "a healthy rig", "-"),
    "low oil level": FaultKind(
        "oil",
        "the pickup draws air at times: pressure sags for moments, ripples more and is lower, the "
        "oil carries air; the stick shows no oil",
        "pressure and air in equal ratios; level, ripple and sags in equal steps",
    ),
    "oil too thick": FaultKind("oil", "five times the viscosity at 40 degC, three times at 100"),
    "oil too thin": FaultKind(
        "oil", "fuel in it: a third of the viscosity, three quarters of the pressure"
    ),
    "dirty oil": FaultKind(
        "oil",
        "varnish on the spool: it sticks the more the longer it stood; a narrower screen",
        "the varnish in equal steps, the screen in equal ratios",
    ),
    "low oil pressure": FaultKind("oil", "the supply stands at less than half"),
    "aerated oil": FaultKind("oil", "six times the free air"),
    "cold oil": FaultKind("oil", "5 degC", "the temperature, in equal steps"),
    "oil pressure surge": FaultKind(
        "oil",
        "the supply climbs far beyond the limit, from `fault_after` on",
        "how far it climbs, in equal steps",
    ),
    "low supply voltage": FaultKind("electrical", "less than half"),
    "high-resistance joint": FaultKind(
        "electrical", "more resistance in the wires than in the coil", "in equal steps"
    ),
    "connector off": FaultKind(
        "electrical",
        "the coil's plug is off",
        "its resistance, without end towards 1: at 0.5 that of the coil",
    ),
    "drive on the wrong side": FaultKind(
        "electrical", "the relay switches the other side of the coil than the setup says", WHOLE
    ),
    "open coil": FaultKind(
        "electrical",
        "no current, although the load terminal may be live",
        "the coil's resistance, without end towards 1: at 0.5 twice the sound one",
    ),
    "shorted turns": FaultKind(
        "electrical", "nearly half of the turns shorted upon themselves", "in equal steps"
    ),
    "fuse open": FaultKind(
        "electrical",
        "no supply at the relay",
        "the resistance of its holder, without end towards 1: at 0.5 that of the coil",
    ),
    "contact welded": FaultKind(
        "electrical",
        "welds at its first closing after `fault_after`",
        "from then on it opens late, without end towards 1: at 0.5 by 20 ms",
    ),
    "relay dead": FaultKind(
        "electrical", "the contact never moves", "the share of closings that fail"
    ),
    "relay slow": FaultKind(
        "electrical", "seven times the operate and release time, more scatter, longer bounce"
    ),
    "driven by the vehicle": FaultKind(
        "electrical", "the control unit is still connected and drives the coil", WHOLE
    ),
    "read-back inverted": FaultKind(
        "electrical", "its input reads the other level than the setup says", WHOLE
    ),
    "stuck plunger": FaultKind("valve", "the coil carries its current and nothing moves"),
    "spool stuck off": FaultKind(
        "valve", "it cannot leave its rest", "how much of its way is barred"
    ),
    "spool stuck on": FaultKind(
        "valve", "it stands at its end and cannot return", "how much of the way back is barred"
    ),
    "sticking spool": FaultKind("valve", "much friction, and never the same", "in equal steps"),
    "weak return spring": FaultKind("valve", "a quarter of the force"),
    "clogged inlet screen": FaultKind("valve", "a twelfth of the open area"),
    "blocked drain": FaultKind(
        "valve", "a thirtieth of its area; oil no longer runs out in a rest"
    ),
    "leaking lock seals": FaultKind("valve", "wide gaps at the lock pins"),
    "switch stuck open": FaultKind("switch", "it never closes", "the share of closings that fail"),
    "switch stuck closed": FaultKind("switch", "it never opens", "the share of openings that fail"),
    "switch chattering": FaultKind(
        "switch", "it bounces long, and opens by itself while pressure stands", "in equal steps"
    ),
    "switch sense inverted": FaultKind(
        "switch", "its contact is the other kind than the setup says", WHOLE
    ),
    "switch actuates too high": FaultKind(
        "switch", "only above the pressure of the supply", "the actuation pressure, in equal steps"
    ),
    "switch resets too low": FaultKind("switch", "at a twentieth of its reset pressure"),
    "switch wire open": FaultKind("switch", "the input sees an open contact for ever", WHOLE),
    "switch wire shorted": FaultKind("switch", "the input sees a closed contact for ever", WHOLE),
    "switch wire intermittent": FaultKind(
        "switch",
        "three times a second, whatever the stroke does, the wire opens or touches its return",
        "how often, in equal steps",
    ),
    "gauge silent": FaultKind(
        "gauge", "sends nothing, from `fault_after` on", "the share of readings"
    ),
    "gauge garbage": FaultKind("gauge", "sends noise, from then on", "the share of readings"),
    "gauge NaN": FaultKind("gauge", "sends no number, from then on", "the share of readings"),
    "gauge frozen": FaultKind(
        "gauge", "sends the same line for ever, from then on", "the share of readings"
    ),
    "gauge disconnected": FaultKind("gauge", "its plug comes off at `fault_after`", WHOLE),
    "gauge in the wrong unit": FaultKind(
        "gauge", "it counts in a larger unit than its line or the setup says", WHOLE
    ),
    "gauge offset": FaultKind("gauge", "it shows 40 kPa too much", "in equal steps"),
    "gauge line blocked": FaultKind(
        "gauge",
        "what it sees never changes",
        "it follows more slowly, without end towards 1: at 0.5 with 0.25 s",
    ),
    "gauge lagging": FaultKind("gauge", "its filter is set to seconds"),
    "rocker lock stuck free": FaultKind(
        "locks", "no rocker locks; the rig sees nothing of it", "the share of rockers"
    ),
    "rocker lock stuck locked": FaultKind(
        "locks", "no rocker comes free; the rig sees nothing of it", "the share of rockers"
    ),
}

APART: tuple[frozenset[FaultName], ...] = (
    frozenset({"oil too thick", "oil too thin"}),
    frozenset({"spool stuck off", "spool stuck on"}),
    frozenset({"switch stuck open", "switch stuck closed"}),
    frozenset({"switch wire open", "switch wire shorted"}),
    frozenset({"gauge silent", "gauge garbage", "gauge NaN", "gauge frozen", "gauge disconnected"}),
)
"""A rig has at most one of each of these."""

OF_A_SERIAL_GAUGE: frozenset[str] = frozenset({
    "gauge silent", "gauge garbage", "gauge NaN", "gauge frozen", "gauge disconnected",
    "gauge in the wrong unit", "gauge lagging",
})  # fmt: skip
"""These act in a gauge that sends its readings: the plant shows nothing of them where the pressure
sensor is analogue, or where there is none."""

ALL_OR_NOTHING: frozenset[str] = frozenset({
    "open coil", "connector off", "fuse open", "relay dead", "contact welded", "stuck plunger",
    "switch stuck open", "switch stuck closed", "gauge silent", "gauge garbage", "gauge NaN",
    "gauge frozen", "gauge disconnected",
})  # fmt: skip
"""These names mean present or absent to a technician. In part, a fuse that is open is a bad
joint."""


class Fault(NamedTuple):
    """One fault and its severity, 0 (sound) to 1 (full)."""

    name: FaultName
    severity: float = 1.0

    @property
    def text(self) -> str:
        """As a person writes it."""
        return self.name if self.severity == 1.0 else f"{self.name}:{self.severity!r}"


HOW = 'write its name, or its name and how far it has gone: "clogged inlet screen:0.6"'


def fault_of(text: str) -> Fault:
    """The fault of `name` or `name:severity`. Raises the error of a refused value."""
    name, colon, share = text.partition(":")
    name = " ".join(name.split())
    known = {k.casefold(): k for k in get_args(FaultName)}
    if name.casefold() not in known:
        meant = nearest(name, known.values())
        guess = f'did you mean "{meant}"? ' if meant else ""
        names = listed(f'"{one}"' for one in known.values())
        raise refuse(
            f'"{plain(name[:60])}" is no fault of the simulated rig', f"{guess}write {names}"
        )
    found: FaultName = known[name.casefold()]
    if not colon:
        return Fault(found)
    try:
        severity = float(share)
    except ValueError:
        severity = math.nan
    if not 0.0 <= severity <= 1.0:
        raise refuse(
            f'the severity "{share.strip()[:30]}" of "{found}" is no number from 0 to 1', HOW
        )
    return Fault(found, severity)


def faults_of(texts: Sequence[str]) -> tuple[Fault, ...]:
    """Several at once; "none" among them is ignored. Raises as fault_of."""
    found = tuple(fault for fault in map(fault_of, texts) if fault.name != "none")
    names = [fault.name for fault in found]
    for name in names:
        if names.count(name) > 1:
            raise refuse(f'"{name}" is given twice', "take one of the two out")
    for group in APART:
        both = [name for name in names if name in group]
        if len(both) > 1:
            raise refuse(f'"{both[0]}" and "{both[1]}" cannot both be', "take one of the two out")
    return found


def _read(value: object) -> tuple[Fault, ...]:
    texts = [value] if isinstance(value, str) else value
    if not isinstance(texts, list | tuple):
        raise refuse("a fault is a text, or several in square brackets", HOW)
    if all(isinstance(item, Fault) for item in texts):
        return tuple(texts)
    if not all(isinstance(item, str) for item in texts):
        raise refuse("a fault is a text between quotes", HOW)
    return faults_of(texts)


Faults = Annotated[
    tuple[InstanceOf[Fault], ...],
    BeforeValidator(_read),
    PlainSerializer(lambda found: [fault.text for fault in found], return_type=list[str]),
]
"""In a file a text or a list of texts; in a plan a list of texts."""
