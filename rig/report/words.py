# SPDX-License-Identifier: MIT
"""The words of a report, from a run's result (the JSON of a run) and its header."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from rig.config.setup.describe import describe
from rig.config.setup.model import Setup
from rig.core.figures import FIGURES, figures_of, words_of
from rig.core.reader_units import units
from rig.core.results.metrology import Expanded, MeanSummary
from rig.core.results.run import Conditions, Limit, Result, bounds_of
from rig.core.rounding import fixed, places
from rig.text.rounded import (
    beside_text,
    in_reader_units,
    judged_text,
    mean_text,
    spread_text,
    too_few,
    value_text,
)
from rig.text.run_facts import rate_is
from rig.text.words import condition_value

UNKNOWN = "–"
UNREAL = {
    "simulated": ("SIMULATED", "Computed by the simulated rig. No valve was measured."),
    "emulated board": (
        "EMULATED BOARD", "Recorded on emulated device nodes. No valve was measured.",
    ),
}  # fmt: skip
VERDICTS = {
    "conforms": "CONFORMS",
    "does_not_conform": "DOES NOT CONFORM",
    "undecided": "UNDECIDED",
    "not_tested": "NOT TESTED",
}


class Figure(NamedTuple):
    """A line of the table of figures, all as text."""

    name: str
    meaning: str
    n: str
    mean: str
    sure: str
    spread: str
    each: str


class LimitLine(NamedTuple):
    """An acceptance limit: what was required, what was found, and the result."""

    asked: str
    found: str
    judged: str
    why: str


def clipped(text: object, most: int) -> str:
    """A person's text on one line, cut after a word where it would not fit the paper."""
    words = " ".join(str(text).split())
    words = "".join(c if c.isprintable() else "?" for c in words)
    if len(words) <= most:
        return words
    kept = words[: most - 1]
    if words[most - 1] != " ":  # mid-word; a word that fills half of it is cut itself
        whole = kept.rpartition(" ")[0]
        kept = whole if 2 * len(whole) >= most else kept
    return kept.rstrip() + "…"


def told(text: object, most: int) -> str:
    """A sentence of the program in the reader's units, on one line that fits the paper."""
    return clipped(units().words(str(text)), most)


def listed(items: list[str], most: int, unit: str = "more") -> list[str]:
    """The first of them, and how many are left out."""
    if len(items) <= most:
        return items
    return [*items[: most - 1], f"and {len(items) - most + 1} {unit}"]


def clock_flag(synchronised: bool | None) -> str:
    """Remark beside a wall time; empty where the clock was synchronised."""
    if synchronised is None:
        return " (clock state not known)"
    return "" if synchronised else " (CLOCK NOT SYNCHRONISED)"


def number(value: float | None, digits: int) -> str:
    """A number with this many decimals, a dash where unknown."""
    if value is None:
        return UNKNOWN
    return f"{value:.{digits}f}" if isinstance(value, float) else str(value)


def figures(result: Result) -> list[Figure]:
    """Mean and expanded uncertainty of every figure of this kind of run."""
    return list(_figures(result))


def _figures(result: Result) -> Iterator[Figure]:
    summaries: dict[str, MeanSummary] = {**result["summary"]} if result["kind"] == "strokes" else {}
    if result["ramp"]:
        summaries |= result["ramp"]["summary"]
    for key, figure in (figures_of("strokes") | figures_of("ramp")).items():
        one = summaries.get(key)
        if one is None:
            continue
        one, unit, digits = in_reader_units(one, figure.unit), figure.unit_read, figure.digits()
        budget = result["budget"].get(f"single_{key}")
        single = units().difference(budget["U"], figure.unit) if budget else None
        low, high = (value_text(end, single, UNKNOWN, digits) for end in (one["min"], one["max"]))
        yield Figure(
            figure.title, figure.definition, str(one["n"]),
            f"{mean_text(one, UNKNOWN, digits)} {unit}",
            _expanded(one["mean"], one, unit),
            f"{low} to {high}; sd {spread_text(one['sd'], UNKNOWN)}",
            UNKNOWN if single is None else f"± {fixed(single, places(single))} {unit}",
        )  # fmt: skip
    held = result["hold"]
    if held:
        figure, held = FIGURES["decay_rate"], in_reader_units(held, "kPa/s")
        digits, rate = units().digits("kPa", 1), held["decay_rate_kpa_s"]
        ends = [
            number(one, digits) for one in (held["pressure_start_kpa"], held["pressure_end_kpa"])
        ]
        yield Figure(
            figure.title, f"{figure.definition}{rate_is(held)}",
            str(held["readings"]),
            f"{value_text(rate, held['U'], UNKNOWN, figure.digits(rate))} {figure.unit_read}",
            _expanded(rate, held, figure.unit_read),
            f"{ends[0]} to {ends[1]} {units().unit('kPa')}", UNKNOWN,
        )  # fmt: skip


def _expanded(value: float | None, one: Expanded, unit: str) -> str:
    """The expanded uncertainty, and the best value where a known bias is subtracted."""
    k = one["k"]
    sure = beside_text(value, one, unit, "")
    if not sure or too_few(one):
        return sure or "not worked out"
    return sure if k is None else f"{sure}, k = {k:.2f}"


def limits(result: Result) -> list[LimitLine]:
    """Every acceptance limit; one that is not held, with the sentence that judged it."""
    return [
        LimitLine(
            units().words(_asked(limit)),
            UNKNOWN
            if limit["value"] is None
            else f"{judged_text(limit, UNKNOWN)} (n = {limit['n']})",
            VERDICTS.get(limit["result"], limit["result"]).capitalize(),
            "" if limit["result"] == "conforms" else told(limit["why"], 150),
        )
        for limit in result["verdict"]["limits"]
    ]  # fmt: skip


def _asked(limit: Limit) -> str:
    unit = f" {limit['unit']}" if limit["unit"] else ""
    bounds = [f"{word} {end:.4g}{unit}" for end, word in bounds_of(limit)]
    of = "" if limit["of"] == "total" else f", {limit['of']}"
    return f"{words_of(limit['figure'])}{of}: {' and '.join(bounds)}"


def risk(result: Result) -> str:
    """The chance that the verdict is wrong, in words; empty where it was not worked out."""
    verdict = result["verdict"]
    pct = verdict["risk_pct"]
    if pct is None:
        return ""
    shown = "less than 0.1" if pct < 0.1 else f"about {pct:.2g}"
    if verdict["result"] == "undecided":
        if all(limit["result"] != "undecided" for limit in verdict["limits"]):
            return ""  # undecided for another reason: the risk of a held limit would mislead
        return f"The chance that the value lies outside its limit is {shown} %."
    return f"The chance that this verdict is wrong is {shown} %."


def conditions(given: Conditions) -> list[str]:
    """The run's conditions, each with whether it was measured or typed."""
    return [
        f"{name.replace('_', ' ')} {clipped(condition_value(one), 40)} ({one['how']})"
        for name, one in sorted(given.items())
    ]


SETUP_KEYS = {
    "medium": "medium", "coil.feed_side": "coil switched on the side of its",
    "coil.supply_voltage": "supply", "coil.resistance": "coil", "coil.fuse": "fuse",
    "switch.contact": "switch", "gauge.measuring_range": "gauge", "gauge.accuracy": "accurate to",
    "gauge.period": "a reading each", "limits.pressure": "pressure limit",
    "limits.on_time": "on time at most", "limits.duty": "duty at most",
}  # fmt: skip


def setup_lines(setup: Setup | None) -> list[str]:
    """What was wired and the limits that were set, as typed: the few that a reader of paper
    needs."""
    if setup is None:
        return []
    rows = {row.key: row for row in describe(setup)}
    found = [
        f"{name} {rows[key].as_typed or f'{rows[key].value} {rows[key].unit}'}".rstrip()
        for key, name in SETUP_KEYS.items()
        if key in rows and rows[key].value != "-"
    ]
    if setup.readback is None:
        found.append("NO READ-BACK: whether the coil was live is not shown")
    return found


def trip_value(value: float, unit: str | None) -> str:
    """The value or the limit of a trip with its unit."""
    si = unit or ""
    return f"{units().value(value, si):.4g} {units().unit(si)}".rstrip()
