# SPDX-License-Identifier: MIT
"""The words of a report, from a run's result (the JSON of a run) and its header."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from rig.config.setup.describe import describe
from rig.config.setup.model import Setup
from rig.core.figures import FIGURES, figures_of, words_of
from rig.core.rounding import fixed, places
from rig.text.rounded import beside_text, mean_text, spread_text, too_few, value_text
from rig.text.run_facts import rate_is

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

Result = Mapping[str, Any]


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


def clipped(text: Any, most: int) -> str:
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


def number(value: Any, digits: int) -> str:
    """A number with this many decimals, a dash where unknown."""
    if value is None:
        return UNKNOWN
    return f"{value:.{digits}f}" if isinstance(value, float) else str(value)


def figures(result: Result) -> list[Figure]:
    """Mean and expanded uncertainty of every figure of this kind of run."""
    return list(_figures(result))


def _figures(result: Result) -> Iterator[Figure]:
    budgets = result.get("budget") or {}
    summaries = dict(result.get("summary") or {}) if result.get("kind") == "strokes" else {}
    summaries |= (result.get("ramp") or {}).get("summary") or {}
    for key, figure in (figures_of("strokes") | figures_of("ramp")).items():
        one = summaries.get(key)
        if one is None:
            continue
        unit, digits = figure.unit, figure.digits()
        single = (budgets.get(f"single_{key}") or {}).get("U")
        low, high = (value_text(one.get(end), single, UNKNOWN, digits) for end in ("min", "max"))
        yield Figure(
            figure.title, figure.definition, str(one.get("n", 0)),
            f"{mean_text(one, UNKNOWN, digits)} {unit}",
            _expanded(one, unit),
            f"{low} to {high}; sd {spread_text(one.get('sd'), UNKNOWN)}",
            UNKNOWN if single is None else f"± {fixed(single, places(single))} {unit}",
        )  # fmt: skip
    held = result.get("hold")
    if held:
        ends = [number(held.get(f"pressure_{end}_kpa"), 1) for end in ("start", "end")]
        figure, rate = FIGURES["decay_rate"], held.get("decay_rate_kpa_s")
        yield Figure(
            figure.title, f"{figure.definition}{rate_is(held)}",
            str(held.get("readings", UNKNOWN)),
            f"{value_text(rate, held.get('U'), UNKNOWN, figure.digits(rate))} {figure.unit}",
            _expanded(held, figure.unit), f"{ends[0]} to {ends[1]} kPa", UNKNOWN,
        )  # fmt: skip


def _expanded(one: Result, unit: str) -> str:
    """The expanded uncertainty, and the best value where a known bias is subtracted."""
    k = one.get("k")
    told = beside_text(one.get("mean", one.get("decay_rate_kpa_s")), one, unit, "")
    if not told or too_few(one):
        return told or "not worked out"
    return told if k is None else f"{told}, k = {k:.2f}"


def limits(result: Result) -> list[LimitLine]:
    """Every acceptance limit; one that is not held, with the sentence that judged it."""
    return [
        LimitLine(
            _asked(limit),
            UNKNOWN if limit["value"] is None
            else f"{limit['value']:.4g} {limit['unit']} (n = {limit['n']})".replace("  ", " "),
            VERDICTS.get(limit["result"], limit["result"]).capitalize(),
            "" if limit["result"] == "conforms" else clipped(limit["why"], 150),
        )
        for limit in (result.get("verdict") or {}).get("limits") or ()
    ]  # fmt: skip


def _asked(limit: Result) -> str:
    unit = f" {limit['unit']}" if limit["unit"] else ""
    bounds = [
        f"{word} {limit[key]:.4g}{unit}"
        for key, word in (("min", "at least"), ("max", "at most"))
        if limit[key] is not None
    ]
    of = "" if limit["of"] == "total" else f", {limit['of']}"
    return f"{words_of(limit['figure'])}{of}: {' and '.join(bounds)}"


def risk(result: Result) -> str:
    """The chance that the verdict is wrong, in words; empty where it was not worked out."""
    verdict = result.get("verdict") or {}
    pct = verdict.get("risk_pct")
    if pct is None:
        return ""
    shown = "less than 0.1" if pct < 0.1 else f"about {pct:.2g}"
    if verdict["result"] == "undecided":
        if all(limit["result"] != "undecided" for limit in verdict.get("limits") or ()):
            return ""  # undecided for another reason: the risk of a held limit would mislead
        return f"The chance that the value lies outside its limit is {shown} %."
    return f"The chance that this verdict is wrong is {shown} %."


def conditions(given: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """The run's conditions, each with whether it was measured or typed."""
    return [
        f"{name.replace('_', ' ')} {_value(one['value'])} {one['unit'] or ''}".rstrip()
        + f" ({one['how']})"
        for name, one in sorted(given.items())
    ]


def _value(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else clipped(value, 40)


SETUP_KEYS = {
    "medium": "medium", "coil.feed_side": "coil switched on the side of its",
    "coil.supply_voltage": "supply", "coil.resistance": "coil", "coil.fuse": "fuse",
    "switch.contact": "switch", "gauge.measuring_range": "gauge", "gauge.accuracy": "accurate to",
    "gauge.period": "a reading each", "limits.pressure": "pressure limit",
    "limits.on_time": "on time at most", "limits.duty": "duty at most",
}  # fmt: skip


def setup_lines(setup: Setup | None) -> list[str]:
    """What was wired and the limits that were set: the few that a reader of paper needs."""
    if setup is None:
        return []
    rows = {row.key: row for row in describe(setup)}
    told = [
        f"{name} {rows[key].value} {rows[key].unit}".rstrip()
        for key, name in SETUP_KEYS.items()
        if key in rows and rows[key].value != "-"
    ]
    if setup.readback is None:
        told.append("NO READ-BACK: whether the coil was live is not shown")
    return told
