# SPDX-License-Identifier: MIT
"""Words for a result's JSON: sources, verdicts, figures and limits as shown to a person."""

from __future__ import annotations

from datetime import UTC, datetime

from rig.core.figures import words_of
from rig.core.reader_units import units
from rig.core.results.run import Condition, Limit, Result, bounds_of

UNREAL = {
    "simulated": "SIMULATED",
    "emulated board": "EMULATED BOARD",
}
"""Sources that measured no valve: the notice across every table and plot."""

NO_VALVE = {
    "simulated": "Computed by the simulated rig. No valve was measured.",
    "emulated board": "Recorded on emulated device nodes. No valve was measured.",
}

PURPOSES = {
    "own timing": "The rig's own timing, with a resistor in the coil's place.",
    "commissioning": "A run of the rig's commissioning.",
}
"""Runs not done to judge a valve, by the purpose in their header."""


def local_time(utc_s: float) -> str:
    """Date and time of day in this machine's time zone, to the second, with its offset."""
    return datetime.fromtimestamp(utc_s, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S %z")


def local_minute(utc_s: float) -> str:
    """The same to the minute and without the offset, for a list."""
    return local_time(utc_s)[:16]


def no_valve_words(purpose: str | None) -> str:
    """The notice above the result of a run that was not done to judge a valve; else empty."""
    told = PURPOSES.get(purpose or "", "")
    return told and f"{told} No valve was judged: its times stay out of every valve's figures."


STATUS_WORDS = {"aborted": "stopped"}
"""The state of a run in plain words where JSON uses another word."""

VERDICTS = {
    "conforms": ("CONFORMS", "+", "green"),
    "does_not_conform": ("DOES NOT CONFORM", "x", "red"),
    "undecided": ("UNDECIDED", "?", "yellow"),
    "not_tested": ("NOT TESTED", "-", "default"),
}
"""Word, sign and colour; the word alone is enough."""

UNKNOWN = "-"


def across(result: Result) -> str:
    """The notice across every table of this result; empty for a measurement."""
    return UNREAL.get(result["source"], "")


def number(value: object, digits: int = 1) -> str:
    """A number with this many decimals, "-" where it is not known."""
    if value is None:
        return UNKNOWN
    return f"{value:.{digits}f}" if isinstance(value, float) else str(value)


def column_text(value: object, key: str, digits: int = 1) -> str:
    """A number of a result for a column of its own, by its key; a pressure in the reader's unit,
    with as much of it as `digits` say in kPa."""
    if isinstance(value, float) and key.endswith("_kpa"):
        return number(units().value(value, "kPa"), units().digits("kPa", digits))
    return number(value, digits)


def yes_no(value: bool | None) -> str:
    """yes, no, or "-" where it is not known."""
    return UNKNOWN if value is None else "yes" if value else "no"


def one_line(text: object) -> str:
    """A person's text on one line, without terminal control characters."""
    words = " ".join(str(text).split())
    return "".join(c if c.isprintable() else "?" for c in words)


def commissioning(result: Result) -> str:
    """How the rig was commissioned when it ran, in one line; empty for a capture and for results
    of an earlier program."""
    found = result.get("commissioning")
    return one_line(found["words"]) if found else ""


def limit_text(limit: Limit) -> str:
    """An acceptance limit in words: "each response time at most 80 ms"."""
    unit = f" {limit['unit']}" if limit["unit"] else ""
    bounds = [f"{word} {end:.4g}{unit}" for end, word in bounds_of(limit)]
    # a result of an earlier program does not say which strokes
    strokes = f" of {limit['strokes']}" if limit.get("strokes") else ""
    return f"{limit['of']} {words_of(limit['figure'])}{strokes} {' and '.join(bounds)}"


def timed_from(result: Result) -> str:
    """The start of timing for response and release, and what that leaves open."""
    reference = result["reference"]
    if reference["of"] == "read-back":
        return (
            "first read-back edge of the coil going live or dead; how long the relay bounced after "
            "it is in the uncertainty"
        )
    if reference["response_ms"] is None:
        return "the command; relay delay not known"
    spans = [
        f"{name} {least or 0.0:.4g} to {most or 0.0:.4g} ms"
        for name, least, most in (
            ("response", reference["response_least_ms"], reference["response_ms"]),
            ("release", reference["release_least_ms"], reference["release_ms"]),
        )
    ]
    return f"the command, no read-back; the relay's delay is in it ({', '.join(spans)} too long)"


def contact(result: Result) -> str:
    """The contact sense used and where it comes from."""
    found = result["contact"]
    return f"{found['sense'] or 'not known'} ({found['how']})"


def condition(name: str, given: Condition) -> str:
    """One condition of the run: value, unit, and whether it was measured or typed."""
    return f"{name.replace('_', ' ')} {condition_value(given)} ({given['how']})"


def condition_value(given: Condition) -> str:
    """Its value with its unit: as typed, or in the reader's units where it was measured."""
    value, unit = given["value"], given["unit"] or ""
    if not isinstance(value, float):
        return f"{one_line(value)} {unit}".rstrip()
    if given["how"] == "typed":
        return units().as_typed(unit, value)
    return f"{units().value(value, unit):.4g} {units().unit(unit)}".rstrip()
