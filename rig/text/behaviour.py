# SPDX-License-Identifier: MIT
"""How a run behaved, from its JSON: a few sentences for a person, flat fields for a program.

A result stored by an older version lacks these keys and gives nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from rig.core.figures import short_names
from rig.core.results.run import Result
from rig.core.rounding import ends, fixed, places, signed

KEYS = (
    "missed", "first_stroke_excess_ms", "first_stroke", "trend", "change_points",
    "warm_up_strokes", "charts", "outliers", "capability",
)  # fmt: skip
ALTERNATING = -0.5
NAMED = 6
"""Strokes listed one by one."""


def sentences(result: Result) -> list[str]:
    """What stands out, and what the run shows of missed strokes."""
    told = []
    missed = result.get("missed")
    if missed and missed["words"]:
        told.append(f"Answered: {missed['words']}.")
    for key, name in short_names().items():
        told += _of_figure(result, key, name)
    return told


def _of_figure(result: Result, key: str, name: str) -> Iterator[str]:
    spread = result["summary"].get(key)
    if spread is None:  # a figure later than the result
        return
    first, rest = result["first_stroke"].get(key), spread["rest"]
    without = ", without strokes after rest" if rest["n"] else ""
    of_one = places(spread["sd"])  # one stroke is as certain as strokes scatter
    low, high = spread["tolerance_95_95"]
    if low is not None and high is not None:
        least, most = ends(low, high)
        yield (
            f"Expect 95 of 100 strokes like these to have a {name} between {least} and {most} ms "
            f"(95 % confidence, normal scatter{without})."
        )
    able = result["capability"].get(key)
    if able:
        yield (
            f"Against its limits for each stroke the {name} has Cpk {able['cpk']:.2f} (at least "
            f"{able['cpk_lower95']:.2f} with 95 % confidence{without})."
        )
    if rest["mean"] is not None:
        numbers = strokes(result["rest_strokes"])
        yield (
            f"After rest ({numbers}) the {name} is {fixed(rest['mean'], of_one)} ms: a figure of "
            "its own, which is in neither mean nor sd."
        )
    if first and first["stands_out"]:
        yield (
            f"First stroke after rest: its {name} is {fixed(abs(first['excess_ms']), of_one)} ms "
            f"{'longer' if first['excess_ms'] > 0 else 'shorter'} than is usual in this run."
        )
    drift = result["trend"].get(key)
    if drift and drift["direction"] != "none":
        yield (
            f"The {name} was {drift['direction']}: {signed(drift['change'], of_one)} ms over the "
            f"run (p {drift['p']:.2g})."
        )
    for change in result["change_points"].get(key, ()):
        yield (
            f"The {name} changes its level at stroke {change['number']}: "
            f"{fixed(change['before'], of_one)} ms before, {fixed(change['after'], of_one)} ms "
            "after."
        )
    flagged = result["outliers"].get(key)
    beyond = flagged and flagged["fences"]
    if beyond and beyond["far_strokes"]:
        far = strokes(beyond["far_strokes"])
        yield f"Far from the others by their {name} (flagged, not left out): {far}."
        yield (
            f"So the scatter of the {name} is not normal, and the mean's interval may miss: rely "
            "on the percentiles and on a limit for each stroke, or take more strokes."
        )
    if beyond and beyond["far_slow"] > 1:
        yield "Now and then a far slower stroke: consistent with a valve that sticks."
    lag = spread["lag1"]
    if lag is not None and lag < ALTERNATING:
        yield f"Slow and fast strokes alternate by their {name} (lag-1 correlation {lag:.2f})."
    from rig.analysis.stats.dependence import WORTH_SAYING

    counted, n = spread["n_effective"], spread["n"]
    if counted is not None and n and counted < WORTH_SAYING * n:
        yield (
            f"Each stroke may resemble the one before it in its {name}: {n} strokes count as "
            f"{counted:.0f} independent ones, and the mean's interval is as wide as for those."
        )
    chart = result["charts"].get(key)
    if chart and chart["signals"]:
        rules = "; ".join(f"{one['rule']} ({strokes(one['strokes'])})" for one in chart["signals"])
        rate = chart["false_alarms"]
        yield (
            f"The control chart of the {name} signals: {rules}. Of steady runs at most "
            f"{100 * rate:.0f} in 100 give any signal."
        )


def strokes(numbers: list[int]) -> str:
    """ "strokes 1, 7" or "12 strokes, first 3, 5 ..." """
    if len(numbers) == 1:
        return f"stroke {numbers[0]}"
    named = ", ".join(map(str, numbers[:NAMED]))
    if len(numbers) <= NAMED:
        return f"strokes {named}"
    return f"{len(numbers)} strokes, first {named} ..."


def fields(result: Result) -> Iterator[tuple[str, object]]:
    """Every value under a dotted name, for a program: trend.response_ms.p and so on."""
    for key, value in result.items():
        if key in KEYS:
            yield from flat(key, value)


def flat(name: str, value: object) -> Iterator[tuple[str, object]]:
    """A value under its name; an object's values each under their own dotted name; a chart's
    signals as rule and strokes."""
    if isinstance(value, Mapping) and set(value) == {"rule", "strokes"}:
        yield name, f"{value['rule']}: {', '.join(map(str, value['strokes']))}"
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from flat(f"{name}.{key}", inner)
    elif isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
        for n, item in enumerate(value, 1):
            yield from flat(f"{name}.{n}", item)
    elif isinstance(value, list):
        yield name, " ".join("-" if item is None else str(item) for item in value)
    else:
        yield name, value
