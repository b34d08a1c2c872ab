# SPDX-License-Identifier: MIT
"""`rig show RUN --budget`: the uncertainty budget of every result, line by line."""

from __future__ import annotations

from collections.abc import Iterator

from rig.core.reader_units import SI, Units, units
from rig.core.results.metrology import Budget, BudgetLine
from rig.core.results.run import Result
from rig.core.rounding import fixed, places
from rig.text import words

DRAWS = 200_000


def budget_lines(result: Result) -> Iterator[str]:
    """Text lines of all budgets in a run's JSON."""
    word = words.across(result)
    if word:
        yield f"{word}: {words.NO_VALVE[result['source']]}"
    budgets = result.get("budget") or {}
    if not budgets:
        yield "This run has no result that an uncertainty budget could be made for."
    for name, budget in budgets.items():
        yield ""
        yield from _one(name, in_reader_units(budget))


def in_reader_units(budget: Budget) -> Budget:
    """A budget with its own numbers and each line's in the reader's units."""
    reader = units()
    if reader == SI:
        return budget
    unit = budget["unit"]
    times = reader.difference(1.0, unit)
    return {
        **budget,
        "unit": reader.unit(unit),
        "value": times * budget["value"], "best": times * budget["best"],
        "u": times * budget["u"], "U": times * budget["U"],
        "correction": times * budget["correction"],
        "interval95": [times * end for end in budget["interval95"]],
        "lines": [_line(line, times, reader) for line in budget["lines"]],
    }  # fmt: skip


def _line(line: BudgetLine, times: float, reader: Units) -> BudgetLine:
    """A line whose budget's unit is `times` smaller for this reader."""
    own = reader.difference(1.0, line["unit"])
    return {
        **line,
        "unit": reader.unit(line["unit"]), "note": reader.words(line["note"]),
        "value": None if line["value"] is None else own * line["value"], "u": own * line["u"],
        "part": times * line["part"], "sensitivity": times / own * line["sensitivity"],
    }  # fmt: skip


def _one(name: str, budget: Budget) -> Iterator[str]:
    unit = budget["unit"]
    digits = places(budget["U"])
    value = fixed(budget["value"], digits)
    yield f"{name}: {budget['figure'].replace('_', ' ').removesuffix(' kpa')}, {value} {unit}"
    rows = [
        (
            words.one_line(line["name"]), f"{_number(line['value'])} {line['unit']}",
            line["distribution"], _number(line["u"]), _number(line["sensitivity"]),
            "infinite" if line["dof"] is None else f"{line['dof']:.4g}",
            f"{_number(line['part'])} {unit}", words.one_line(line["note"]),
        )
        for line in budget["lines"]
    ]  # fmt: skip
    head = ("line", "value", "distribution", "u", "sensitivity", "dof", "part", "note")
    widths = [max(len(row[n]) for row in [head, *rows]) for n in range(len(head) - 1)]
    for row in (head, *rows):
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        yield ("  " + "  ".join([*cells, row[-1]])).rstrip()
    if budget["correction"]:
        yield f"  correction {_number(budget['correction'])} {unit}"
    low, high = budget["interval95"]
    dof = "infinite" if budget["dof"] is None else f"{budget['dof']:.4g}"
    yield (
        f"  u = {fixed(budget['u'], places(budget['u']))} {unit}, dof {dof}, "
        f"k = {budget['k']:.3g}, U = {fixed(budget['U'], digits)} {unit}: "
        f"{fixed(low, digits)} to {fixed(high, digits)} {unit} with "
        f"{100 * budget['coverage']:.0f} % coverage ({budget['method']})"
    )
    yield f"  Monte Carlo check, {DRAWS} draws: U = {fixed(_drawn(budget), digits)} {unit}"


def _drawn(budget: Budget) -> float:
    """Half the interval from draws of all lines (JCGM 101)."""
    import math

    from rig.analysis.stats.propagation import Part, monte_carlo

    spread = {
        f"x{n}": (
            0.0,
            Part(
                line["part"], line["distribution"], math.inf if line["dof"] is None else line["dof"]
            ),
        )
        for n, line in enumerate(budget["lines"])
    }
    place = {line["name"]: n for n, line in enumerate(budget["lines"])}
    sign = [math.copysign(1.0, line["sensitivity"]) for line in budget["lines"]]
    together = {}
    for one in budget.get("correlations", ()):  # a part has lost its sign
        a, b = (place[name] for name in one["lines"])
        together[f"x{a}", f"x{b}"] = one["r"] * sign[a] * sign[b]
    found = monte_carlo(
        lambda **x: sum(x.values()), spread, DRAWS, budget["coverage"], correlations=together
    )
    return (found.high - found.low) / 2


def _number(value: float | None) -> str:
    return words.UNKNOWN if value is None else f"{value:.4g}"
