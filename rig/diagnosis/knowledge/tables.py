# SPDX-License-Identifier: MIT
"""The knowledge as Markdown tables, for the help page."""

from __future__ import annotations

from collections.abc import Mapping

from rig.diagnosis.knowledge.model import Knowledge


def causes_table(knowledge: Knowledge) -> str:
    """Every cause with its part, its weight, its effect on a run, and what checks find."""
    lines = [
        "| cause | part | weight | in a run | by hand |",
        "|---|---|---|---|---|",
    ]
    for cause in knowledge.causes:
        runs: list[str] = []
        checks: list[str] = []
        for name, effect in cause.shows.items():
            changed = _changed(effect.chances, knowledge.shown(name).states[0])
            if not changed:
                continue
            into = runs if name in knowledge.findings else checks
            into.append(f"{name}: {changed}")
        cells = (cause.name, cause.part, f"{cause.weight:g}", "; ".join(runs), "; ".join(checks))
        lines.append(f"| {' | '.join(cell or '-' for cell in cells)} |")
    return "\n".join(lines)


def findings_table(knowledge: Knowledge) -> str:
    """Every finding of a run, its states from sound to grave, and what it needs."""
    lines = ["| finding | what it is | states | takes |", "|---|---|---|---|"]
    for one in knowledge.findings.values():
        lines.append(
            f"| {one.name} | {one.words} | {_words(', '.join(one.states))} | {one.needs} |"
        )
    return "\n".join(lines)


def checks_table(knowledge: Knowledge) -> str:
    """Every check by hand in words, with its minutes, the checks before it, and its states."""
    lines = [
        "| check | what it is | minutes | engine | before it | states |",
        "|---|---|---|---|---|---|",
    ]
    for one in knowledge.checks.values():
        cells = (one.name, one.words, f"{one.minutes:g}", one.engine, ", ".join(one.after) or "-",
                 ", ".join(one.states))  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


LEAST_SHOWN = 0.10


def _changed(chances: Mapping[str, float], sound: str) -> str:
    """States other than sound that occur in 1 of 10 or more, likeliest first."""
    kept = [(p, state) for state, p in chances.items() if state != sound and p >= LEAST_SHOWN]
    kept.sort(key=lambda row: -row[0])
    return ", ".join(f"{_words(state)} {100 * p:.0f} %" for p, state in kept)


def _words(text: str) -> str:
    return text.replace("_", " ")
