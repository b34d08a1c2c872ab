# SPDX-License-Identifier: MIT
"""The pattern language: how one line of a stream gauge is laid out.

A pattern is the line with fields in braces, `ST {pressure} {unit}`:

* `{pressure}` the number, `{unit}` its unit, `{*}` text that does not matter;
* a space stands for any number of spaces and tabs, none included; at least one is needed beside
  `{*}`, and before the number after text that ends in a digit, a sign or a point;
* spaces around the number, as gauges pad it to a width, need none in the pattern;
* everything else stands for itself; `{{` and `}}` are single braces.

`{*}` ends at the first place where the text after it in the pattern is found, and is not tried
further on. So matching never searches for a number that would fit, and never backtracks.
"""

from __future__ import annotations

import difflib
import functools
import itertools
import re
from typing import NamedTuple

from rig.config.gauge_units import UnitError, factor_kpa

# No nan, no underscore, no comma; a run of digits is taken whole or not at all.
_NUMBER = r"[+-]?(?:[0-9]++(?:\.[0-9]*+)?+|\.[0-9]++)(?:[eE][+-]?[0-9]{1,3}+)?+(?![0-9.])"
# What gauges show for "no value" (common practice, no source).
_WORD = (
    r"(?i:[+-]?(?:nan|infinity|inf|ofl|ovfl|ovf|ol|over|ufl|under|ul|error|err)(?![a-z0-9])"
    r"|-[-.]++|\*[*.]++)"
)
_IGNORED = r"[^\x00-\x08\x0a-\x1f\x7f]"
_UNIT = r"[A-Za-z](?>[A-Za-z0-9/^\xb2\xc2]*)(?:\([AGag]\))?+"

FIELDS = {
    "pressure": f"(?P<pressure>(?>{_NUMBER}|(?P<word>{_WORD})))",
    "unit": f"(?P<unit>{_UNIT})",
    "*": "",
}
"""What may stand in braces. A new field is one more entry, and a group the decoder reads."""


class PatternError(ValueError):
    """A pattern that cannot be used: `position` (from 0) in it, `what` is wrong, `remedy`.

    `key` is the key of the setup that has to change: "pattern" or "unit".
    """

    def __init__(self, position: int, what: str, remedy: str, key: str = "pattern") -> None:
        self.position, self.what, self.remedy, self.key = position, what, remedy, key
        super().__init__(position, what, remedy, key)

    def __str__(self) -> str:
        where = f"at character {self.position + 1}" if self.key == "pattern" else f"key {self.key}"
        return f"{where}: {self.what}; {self.remedy}"


class GaugePattern(NamedTuple):
    """A usable pattern. `regex` matches a whole line, decoded as Latin-1, with the groups
    `pressure`, `word` (set where there is no number) and, with `unit_in_line`, `unit`.
    `factor_kpa` belongs to the setup's unit; None where each line states its own."""

    regex: re.Pattern[str]
    factor_kpa: float | None
    unit_in_line: bool


class _Token(NamedTuple):
    kind: str
    """"text", "space" or the name of a field."""
    text: str
    position: int


@functools.lru_cache(maxsize=32)
def parse_pattern(pattern: str, unit: str | None) -> GaugePattern:
    """Check a pattern together with the setup's unit. Raises PatternError."""
    tokens = _tokens(pattern)
    _check(tokens, pattern)
    in_line = any(token.kind == "unit" for token in tokens)
    if unit is None and not in_line:
        raise PatternError(
            len(pattern),
            "nothing says which unit the number has",
            'add {unit} where the line carries it, or the key unit, like unit = "psi"',
        )
    try:
        factor = None if unit is None else factor_kpa(unit)
    except UnitError as error:
        raise PatternError(0, error.what, error.remedy, key="unit") from error
    return GaugePattern(re.compile(_regex(tokens), re.ASCII), factor, in_line)


def _tokens(pattern: str) -> list[_Token]:
    tokens: list[_Token] = []
    for found in re.finditer(r"\{\{|\}\}|\{[^{}]*\}|[ \t]+|[^{} \t]+|[{}]", pattern):
        text, at = found.group(), found.start()
        if text in ("{", "}"):
            raise PatternError(at, f'a single "{text}"', f'write "{text * 2}" for the character')
        if text in ("{{", "}}"):
            text = text[0]
        elif text[0] == "{":
            tokens.append(_field(text[1:-1].strip(), at))
            continue
        elif text[0] in " \t":
            tokens.append(_Token("space", " ", at))
            continue
        _check_text(text, at)
        if tokens and tokens[-1].kind == "text":
            before = tokens.pop()
            text, at = before.text + text, before.position
        tokens.append(_Token("text", text, at))
    return tokens


def _field(name: str, at: int) -> _Token:
    if name not in FIELDS:
        near = difflib.get_close_matches(name, FIELDS, n=1) or [", ".join(FIELDS)]
        raise PatternError(at, f"unknown field {{{name}}}", f"write {{{near[0]}}}")
    return _Token(name, name, at)


def _check_text(text: str, at: int) -> None:
    for offset, character in enumerate(text):
        if character in "\r\n":
            raise PatternError(
                at + offset, "a line end in the pattern", "leave it out; the rig finds line ends"
            )
        if not " " < character <= "~":
            raise PatternError(
                at + offset,
                f"{character!r} is not plain ASCII, and gauges differ in how they send it",
                "put {*} in its place",
            )


def _check(tokens: list[_Token], pattern: str) -> None:
    for name, needed in (("pressure", True), ("unit", False)):
        found = [token for token in tokens if token.kind == name]
        if len(found) > 1:
            raise PatternError(
                found[1].position, f"{{{name}}} stands twice", "put {*} in the other place"
            )
        if needed and not found:
            raise PatternError(
                len(pattern), f"no {{{name}}}", f"put {{{name}}} where the number stands"
            )
    for left, right in itertools.pairwise(tokens):
        _check_neighbours(left, right)


def _check_neighbours(left: _Token, right: _Token) -> None:
    kinds = {left.kind, right.kind}
    if "*" in kinds and not kinds & {"text", "space"}:
        raise PatternError(
            right.position,
            f"{{{left.kind}}} and {{{right.kind}}} touch, so it is not known where one ends",
            "put the text or the space between them there",
        )
    if left.kind == "unit" and right.kind == "pressure":
        raise PatternError(
            right.position,
            "a unit may end in a digit, so the number after it needs a space or text before it",
            "put the text or the space between them there",
        )
    if left.kind == "text" and right.kind == "pressure" and left.text[-1] in "+-.":
        raise PatternError(
            right.position - 1,
            f'"{left.text[-1]}" before {{pressure}} would be cut off the number',
            "leave it out; the number carries its own sign and point",
        )
    if left.kind == "pressure" and right.kind == "text" and right.text[0] in "0123456789.":
        raise PatternError(
            right.position,
            f'"{right.text[0]}" after {{pressure}} is part of the number, so it never matches',
            "leave it out, or put the space between them there",
        )
    if left.kind == "unit" and right.kind == "text" and re.match(r"[A-Za-z0-9/^(]", right.text):
        raise PatternError(
            right.position,
            f'"{right.text[0]}" after {{unit}} is part of the unit, so it never matches',
            "leave it out, or put the space between them there",
        )


def _regex(tokens: list[_Token]) -> str:
    parts, ignoring = [r"[ \t]*+"], False
    for before, token, after in zip([None, *tokens], tokens, [*tokens[1:], None], strict=False):
        if token.kind == "*":
            parts.append(f"(?>{_IGNORED}*?")
            ignoring = True
        elif token.kind == "space":
            parts.append(r"[ \t]++" if _space_needed(before, after) else r"[ \t]*+")
        elif token.kind == "text":
            parts.append(re.escape(token.text))
        elif token.kind == "pressure":
            # without a space, digits of the text and of the number are only told apart by a sign
            digit = before is not None and before.kind == "text" and before.text[-1].isdigit()
            parts += [_padding(before), "(?=[+-])" * digit, FIELDS["pressure"], _padding(after)]
        else:
            parts.append(FIELDS[token.kind])
        if ignoring and (after is None or after.kind not in ("text", "space")):
            parts.append(r"\Z)" if token.kind == "*" else ")")
            ignoring = False
    return "".join([*parts, r"[ \t]*+"])


def _padding(beside: _Token | None) -> str:
    """Gauges pad numbers to a width: spaces around one need no space in the pattern."""
    return "" if beside is None or beside.kind == "space" else r"[ \t]*+"


def _space_needed(before: _Token | None, after: _Token | None) -> bool:
    """Whether a space must be there, lest a value be read that was not sent."""
    if "*" in (before and before.kind, after and after.kind):
        return True
    joins = before is not None and before.kind == "text" and before.text[-1] in "0123456789+-."
    return joins and after is not None and after.kind == "pressure"
