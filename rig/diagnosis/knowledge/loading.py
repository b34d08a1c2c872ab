# SPDX-License-Identifier: MIT
"""Load the knowledge, or refuse it with all problems at once."""

from __future__ import annotations

import functools
import math
import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from rig.config.files.problems import listed, nearest, show
from rig.config.files.toml_file import Parsed, parse_file, plain
from rig.core.errors import FileProblems, Problem
from rig.core.json_values import JsonObject
from rig.diagnosis.knowledge.model import (
    ENGINES,
    NONE_OF_THESE,
    PARTS,
    SOUND,
    WIRED,
    Cause,
    Check,
    Effect,
    Knowledge,
    Reasoning,
    Shown,
)

FOLDER = Path(__file__).parent
SO = "nothing was diagnosed"
CLOSE = 0.01
"""Tolerance for percents that add up to 100."""


def load_knowledge(causes: str | os.PathLike[str] | None = None) -> Knowledge:
    """The program's own knowledge, with the causes of another file where one is given. Raises
    FileProblems."""
    if causes is None:
        return _own()
    return _loaded(Path(os.fspath(causes)))


@functools.cache
def _own() -> Knowledge:
    return _loaded(FOLDER / "causes.toml")


def _loaded(causes_path: Path) -> Knowledge:
    reader = _Reader()
    findings = reader.findings(reader.file(FOLDER / "findings.toml"))
    checks = reader.checks(reader.file(FOLDER / "checks.toml"))
    shown: dict[str, Shown] = {**findings, **checks}
    causes, reasoning = reader.causes(reader.file(causes_path), shown)
    if reader.problems or reasoning is None:
        raise FileProblems(reader.problems, SO)
    return Knowledge(findings, checks, causes, reasoning)


class _Reader:
    """Read the tables of the files and collect the problems."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []
        self._file = ""

    def file(self, path: Path) -> Parsed:
        parsed = parse_file(path)
        self._file = parsed.name
        if parsed.problem is not None:
            self.problems.append(parsed.problem)
        return parsed

    def note(self, key: str, value: object, what: str, remedy: str) -> None:
        self.problems.append(Problem(self._file, plain(key), show(value), what, remedy))

    # -- values

    def text(self, table: Mapping[str, object], key: str, where: str) -> str:
        value = table.get(key)
        if isinstance(value, str) and value.strip():
            return value
        self.note(
            f"{where}.{key}", value, "A text is needed here.", f'Add a line like: {key} = "..."'
        )
        return ""

    def number(
        self, table: Mapping[str, object], key: str, where: str, low: float, high: float
    ) -> float:
        """A number above `low` and up to `high`."""
        value = table.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.note(
                f"{where}.{key}", value, "A number is needed here.", f"Add a line like: {key} = 5"
            )
            return high
        if not low < value <= high or not math.isfinite(value):
            what = f"The number must lie above {low:g}, up to {high:g}."
            self.note(f"{where}.{key}", value, what, "Correct the number.")
            return high
        return float(value)

    def one_of(
        self, table: Mapping[str, object], key: str, where: str, words: Iterable[str]
    ) -> str:
        known = list(words)
        value = table.get(key)
        if isinstance(value, str) and value in known:
            return value
        self.note(
            f"{where}.{key}",
            value,
            "This is not one of the words known here.",
            f"Write {listed(show(word) for word in known)}.",
        )
        return known[0]

    def percents(self, value: object, where: str, states: Iterable[str] | None) -> dict[str, float]:
        """State -> probability. `states`: those allowed, any where None."""
        if not isinstance(value, dict):
            self.note(
                where,
                value,
                "A table of states with percents is needed here.",
                "Write it like { right = 90, long = 10 }.",
            )
            return {}
        found: dict[str, float] = {}
        known = None if states is None else list(states)
        for state, percent in value.items():
            if state == "because":
                continue
            if known is not None and state not in known:
                meant = nearest(state, known)
                hint = f'Did you mean "{meant}"? ' if meant else ""
                self.note(
                    f"{where}.{state}",
                    percent,
                    "This state is not known.",
                    f"{hint}Known are {listed(known, 'and')}.",
                )
                continue
            number = not isinstance(percent, bool) and isinstance(percent, int | float)
            if not number or not 0 <= percent <= 100:
                self.note(
                    f"{where}.{state}",
                    percent,
                    "A percent from 0 to 100 is needed here.",
                    f"Write it like {state} = 10.",
                )
                continue
            found[state] = percent / 100.0
        total = 100.0 * sum(found.values())
        if not abs(total - 100.0) <= CLOSE and not self._told(where):
            self.note(
                where, None, f"The percents add up to {total:g}, not to 100.", "Correct them."
            )
        return found

    def _told(self, where: str) -> bool:
        """Whether a problem inside this table was already reported, so that its sum says nothing
        more."""
        return any(p.file == self._file and p.key.startswith(f"{where}.") for p in self.problems)

    def tables(self, parsed: Parsed, key: str) -> dict[str, JsonObject]:
        found = parsed.data.get(key, {})
        if not isinstance(found, dict) or not all(isinstance(v, dict) for v in found.values()):
            self.note(
                key, None, "Tables are needed here.", f"Write each below its head [{key}.name]."
            )
            return {}
        return found

    # -- files

    def findings(self, parsed: Parsed) -> dict[str, Shown]:
        return {
            name: Shown(
                name,
                self.text(table, "words", name),
                self.text(table, "needs", name),
                self.percents(table.get("sound"), f"{name}.sound", None),
                self.text(table, "because", name),
            )
            for name, table in self.tables(parsed, "finding").items()
        }

    def checks(self, parsed: Parsed) -> dict[str, Check]:
        tables = self.tables(parsed, "check")
        found = {}
        for name, table in tables.items():
            keys = ("words", "needs", "takes_off", "how", "safety", "normal", "tells")
            texts = {key: self.text(table, key, name) for key in keys}
            after = tuple(table.get("after", ()))
            for other in after:
                if other not in tables:
                    self.note(
                        f"{name}.after", other, "There is no such check.", "Correct the name."
                    )
            sound = self.percents(table.get("sound"), f"{name}.sound", None)
            holds_up = tuple(table.get("holds_up", ()))
            for state in holds_up:
                if state not in sound:
                    self.note(
                        f"{name}.holds_up", state, "There is no such state.", "Correct the name."
                    )
            put_right = self.text(table, "put_right", name) if holds_up else ""
            found[name] = Check(
                name=name,
                sound=sound,
                because="common practice, no source",
                minutes=self.number(table, "minutes", name, 0, 1000),
                engine=self.one_of(table, "engine", name, ENGINES),
                after=after,
                holds_up=holds_up,
                put_right=put_right,
                **texts,
            )
        return found

    def causes(
        self, parsed: Parsed, shown: Mapping[str, Shown]
    ) -> tuple[tuple[Cause, ...], Reasoning | None]:
        if parsed.problem is not None:
            return (), None
        for key in parsed.data:
            if key not in ("cause", "reasoning"):
                self.note(key, None, "This table is not known.", "Known are reasoning and cause.")
        rows = parsed.data.get("cause", [])
        if not isinstance(rows, list) or not rows or not all(isinstance(r, dict) for r in rows):
            self.note("cause", None, "No cause stands in this file.", "Write each below [[cause]].")
            rows = []
        causes = tuple(self.cause(row, n, shown) for n, row in enumerate(rows, 1))
        names = [cause.name for cause in causes if cause.name]
        for name in dict.fromkeys(n for n in names if names.count(n) > 1):
            self.note(name, None, "This cause stands in the file twice.", "Take one of them out.")
        return causes, self.reasoning(parsed.data.get("reasoning"))

    def cause(self, row: Mapping[str, object], n: int, shown: Mapping[str, Shown]) -> Cause:
        name = row.get("name")
        where = name if isinstance(name, str) and name else f"cause[{n}]"
        known = {
            "name",
            "part",
            "thing",
            "weight",
            "why",
            "repair",
            "minutes",
            "shows",
            "only_with",
        }
        for key in row:
            if key not in known:
                meant = nearest(key, known)
                self.note(
                    f"{where}.{key}",
                    row[key],
                    "This key is not known.",
                    f'Did you mean "{meant}"?'
                    if meant
                    else f"Known are {listed(sorted(known), 'and')}.",
                )
        if name in (SOUND, NONE_OF_THESE):
            self.note(where, None, "This name is taken by the program.", "Give another name.")
        texts = {key: self.text(row, key, where) for key in ("name", "thing", "why", "repair")}
        effects: dict[str, Effect] = {}
        for finding, effect in self.shows(row, where).items():
            at = f"{where}.shows.{finding}"
            if finding not in shown:
                meant = nearest(finding, shown)
                hint = f'Did you mean "{meant}"?' if meant else "See findings.toml and checks.toml."
                self.note(at, None, "There is no such finding or check.", hint)
                continue
            chances = self.percents(effect, at, shown[finding].states)
            because = self.text(effect, "because", at) if isinstance(effect, dict) else ""
            effects[finding] = Effect(chances, because)
        return Cause(
            part=self.one_of(row, "part", where, PARTS),
            weight=self.number(row, "weight", where, 0, 1000),
            minutes=self.number(row, "minutes", where, 0, 10_000),
            shows=effects,
            only_with=self.one_of({"only_with": "", **row}, "only_with", where, WIRED),
            **texts,
        )

    def shows(self, row: Mapping[str, object], where: str) -> Mapping[str, object]:
        found = row.get("shows")
        if isinstance(found, dict) and found:
            return found
        remedy = 'Add a line like: shows.response = { right = 20, long = 80, because = "..." }'
        self.note(f"{where}.shows", found, "A cause must show something.", remedy)
        return {}

    def reasoning(self, table: object) -> Reasoning | None:
        if not isinstance(table, dict):
            self.note(
                "reasoning", None, "This table is missing.", "Copy it from the program's file."
            )
            return None
        where = "reasoning"
        return Reasoning(
            self.number(table, "sound_weight", where, 0, 1000),
            self.number(table, "none_of_these", where, 0, 50) / 100.0,
            self.number(table, "second_fault", where, 0, 0.5),
            self.number(table, "strength", where, 0, 1),
            self.number({"one_severity": 0, **table}, "one_severity", where, 0, 0.99),
        )
