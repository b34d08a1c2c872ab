# SPDX-License-Identifier: MIT
"""Shared by every calculator of `rig calc`: its inputs, its answer, and how both are shown."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import click

from rig.core.errors import UsageError
from rig.core.json_values import JsonObject
from rig.core.reader_units import units

ABSOLUTE_ZERO_DEGC = -273.15


@dataclass(frozen=True)
class Input:
    """An option of a calculator. `dimension` is a key of core.quantities.DIMENSIONS.

    An input without a `default` and with `needed` is required. `above`, `least` and `most` bound
    the value in the dimension's unit. `read` replaces the dimension for values without a unit.
    """

    name: str
    dimension: str
    help: str
    default: str | None = None
    needed: bool = True
    above: float | None = None
    least: float | None = None
    most: float | None = None
    read: Callable[[str], float] | None = None


class Wrong(NamedTuple):
    """A wrong input: its name, the text given, the problem, the remedy."""

    name: str
    text: str
    what: str
    remedy: str


TOO_FAR = Wrong(
    "", "", "the numbers are too far apart to calculate with", "look for a misplaced unit or point"
)


class Refused(Exception):
    """Inputs that are inconsistent with each other, raised by a calculator's work."""

    def __init__(self, *wrong: Wrong) -> None:
        self.wrong = wrong
        super().__init__(wrong)


class Given:
    """Values of a calculator's inputs, in the units of their dimensions."""

    def __init__(self, values: Mapping[str, float | None], texts: Mapping[str, str]) -> None:
        self._values, self.texts = values, texts

    def __getitem__(self, name: str) -> float:
        value = self._values[name]
        if value is None:
            raise KeyError(name)
        return value

    def maybe(self, name: str) -> float | None:
        """The value; None where it was left out."""
        return self._values[name]

    def wrong(self, name: str, what: str, remedy: str) -> Wrong:
        """A problem with the input `name`."""
        return Wrong(name, self.texts.get(name, ""), what, remedy)


@dataclass(frozen=True)
class Calculation:
    """An answer in plain words, one sentence or a few lines; the numbers behind it (names carry the
    unit, None for no value); the formula and its source; the assumptions; and the cautions for
    these very inputs."""

    answer: str
    values: Mapping[str, Any]
    formula: str
    source: str
    assumptions: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Calculator:
    """A subcommand: its name, one line of help, its inputs, and its function."""

    name: str
    summary: str
    inputs: tuple[Input, ...]
    work: Callable[[Given], Calculation]
    more: str = field(default="")

    def command(self) -> click.Command:
        """The click command. Every input is an option with a text value."""
        options: list[click.Parameter] = [
            click.Option([f"--{one.name}"], metavar="Q", help=_help(one)) for one in self.inputs
        ]
        options.append(
            click.Option(["--json", "as_json"], is_flag=True, help="Print JSON and nothing else.")
        )
        return click.Command(
            self.name, params=options, callback=self._run,
            help=self.summary + (f"\n\n{self.more}" if self.more else ""),
        )  # fmt: skip

    def _run(self, as_json: bool, **texts: str | None) -> None:
        given, found = self.calculate(
            {one.name: texts[one.name.replace("-", "_")] for one in self.inputs}
        )
        if as_json:
            click.echo(json.dumps(self._json(given, found), allow_nan=False, ensure_ascii=False))
        else:
            click.echo(units().words("\n".join(shown(found))))

    def calculate(self, texts: Mapping[str, str | None]) -> tuple[Given, Calculation]:
        """The inputs as understood, and the answer. Raises UsageError with every problem of the
        inputs."""
        given = read(self.inputs, texts)
        try:
            found = self.work(given)
        except Refused as refused:
            raise problems(refused.wrong) from refused
        except (OverflowError, ZeroDivisionError) as error:
            raise problems([TOO_FAR]) from error
        numbers = (value for value in found.values.values() if isinstance(value, float))
        if not all(math.isfinite(value) for value in numbers):
            raise problems([TOO_FAR])
        return given, found

    def _json(self, given: Given, found: Calculation) -> JsonObject:
        return {
            "calculation": self.name,
            "answer": found.answer,
            "values": dict(found.values),
            "inputs": dict(given.texts),
            "formula": found.formula,
            "source": found.source,
            "assumptions": list(found.assumptions),
            "cautions": list(found.cautions),
        }


def read(inputs: Iterable[Input], texts: Mapping[str, str | None]) -> Given:
    """Parse all inputs. Raises UsageError with every problem found."""
    from rig.core.quantities import SYMBOLS, QuantityError, parse

    values: dict[str, float | None] = {}
    used: dict[str, str] = {}
    wrong: list[Wrong] = []
    for one in inputs:
        text = texts.get(one.name)
        text = one.default if text is None else text
        values[one.name] = None
        if text is None:
            if one.needed:
                wrong.append(Wrong(one.name, "", "is needed", f"give it like {_example(one)}"))
            continue
        used[one.name] = text
        try:
            value = parse(text, one.dimension) if one.read is None else one.read(text)
        except QuantityError as error:
            wrong.append(Wrong(one.name, text, error.what, error.remedy))
            continue
        beyond = _beyond(one, value, SYMBOLS.get(one.dimension, ""))
        if beyond:
            wrong.append(Wrong(one.name, text, beyond, f"give it like {_example(one)}"))
        values[one.name] = value
    if wrong:
        raise problems(wrong)
    return Given(values, used)


def problems(wrong: Iterable[Wrong]) -> UsageError:
    """All problems in one message."""
    from rig.text.words import one_line

    lines = []
    for one in wrong:
        text = one_line(one.text if len(one.text) <= 60 else one.text[:60] + "...")
        where = f"--{one.name}" if one.name else "inputs"
        lines += [f"{where}{f' {text!r}' if text else ''}: {one_line(one.what)}"]
        lines += [f"  Remedy: {one_line(one.remedy)}"]
    n = len(lines) // 2
    head = "1 problem" if n == 1 else f"{n} problems"
    return UsageError("\n".join([f"{head} found; nothing was calculated.", *lines]))


def _beyond(one: Input, value: float, unit: str) -> str:
    unit = f" {unit}" if unit else ""
    if one.above is not None and not value > one.above:
        return f"must be above {one.above:g}{unit}"
    if one.least is not None and not value >= one.least:
        return f"must be {one.least:g}{unit} or more"
    if one.most is not None and not value <= one.most:
        return f"must be {one.most:g}{unit} or less"
    return ""


def _example(one: Input) -> str:
    from rig.core.quantities import DIMENSIONS

    example = one.default or DIMENSIONS.get(one.dimension, ("", "18"))[1]
    return f'--{one.name} "{example}"'


def _help(one: Input) -> str:
    more = (
        f" [default: {one.default}]" if one.default else "" if one.needed else " [may be left out]"
    )
    return one.help + more


def shown(found: Calculation) -> list[str]:
    """The answer first, then its basis."""
    lines = [found.answer, ""]
    lines += [f"Caution:  {text}" for text in found.cautions]
    lines += [f"Formula:  {found.formula}", f"Source:   {found.source}"]
    lines += [f"Assumed:  {text}" for text in found.assumptions]
    return lines


_STEPS = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))


def si(value: float, unit: str) -> str:
    """A number of four digits with its unit, with a prefix that puts it between 1 and 999.9."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g} {unit}"
    size = float(f"{abs(value):.4g}")
    scale, prefix = next(((s, p) for s, p in _STEPS if size >= s), _STEPS[-1])
    return f"{digits(value / scale)} {prefix}{unit}"


def digits(value: float) -> str:
    """Four significant digits, without an exponent where that is readable."""
    rounded = float(f"{value:.4g}")
    if rounded == 0 or 1e-4 <= abs(rounded) < 1e7:
        places = max(0, 3 - math.floor(math.log10(abs(rounded)))) if rounded else 0
        text = f"{rounded:.{places}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{value:.4g}"
