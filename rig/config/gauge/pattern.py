# SPDX-License-Identifier: MIT
"""The pattern language: how one line of a stream gauge is laid out.

A pattern is the line with fields in braces, `ST {pressure} {unit}`:

* `{pressure}` the number, `{unit}` its unit, `{*}` text that does not matter;
* `{oil_temperature}` and the other channels likewise, in the units that the setup gives them;
* `{STX}`, `{ETX}` and the other control characters by their names (rig.config.gauge.marks). Those
  before everything else are start marks, those after it end marks: they delimit the frame in the
  stream;
* `{xor}` and `{sum}` a checksum of two hexadecimal digits over everything before it except
  start marks; `{bcc}`, after an end mark, one byte that is the exclusive or of the same (the block
  check character of longitudinal parity, ISO 1155; from memory);
* a space matches any number of spaces and tabs, including none; at least one is needed beside
  `{*}`, and before the number after text that ends in a digit, a sign or a point;
* padding spaces around the number need no space in the pattern;
* everything else is literal; `{{` and `}}` are single braces.

`{*}` ends at the first match of the text after it in the pattern, and is not retried further on.
So matching never searches for a number that would fit, and never backtracks.
"""

from __future__ import annotations

import difflib
import functools
import itertools
import re
from typing import NamedTuple, get_args

from rig.config.gauge.marks import CONTROL, LINE_ENDS, LINES, Marks
from rig.config.gauge.model import OtherName
from rig.config.gauge.units import UnitError, factor_kpa

_MINUS = "(?:[+-]|\xe2\x88\x92)"  # the last is UTF-8's minus sign, seen as Latin-1
_SEPARATORS = {"none": "", "comma": ",", "point": r"\.", "space": " ", "apostrophe": "'"}
# What gauges show for "no value" (common practice, no source).
_WORD = (
    r"(?i:[+-]?(?:nan|infinity|inf|ofl|ovfl|ovf|ol|over|ufl|under|ul|error|err)(?![a-z0-9])"
    r"|-[-.]+(?![-.])|\*[*.]+(?![*.]))"
)
_IGNORED = r"[^\x00-\x08\x0a-\x1f\x7f]"
_UNIT_TAIL, _REFERENCE = r"[A-Za-z0-9/^\xb2\xc2]", r"\([AGag]\)"
_UNIT = rf"[A-Za-z]{_UNIT_TAIL}*(?!{_UNIT_TAIL})(?:{_REFERENCE}|(?!{_REFERENCE}))"
_BEFORE_END = r"[ \t\r\n]*"  # gauges send a line end before the end mark
_SPACES, _SPACE = r"[ \t]*(?![ \t])", r"[ \t]+(?![ \t])"

NUMBERS = ("pressure", *get_args(OtherName))
CHECKSUMS = ("xor", "sum", "bcc")
_LITERAL = ("text", "space", "mark")
FIELDS = (*NUMBERS, "unit", "*", *CHECKSUMS)
"""What may stand in braces."""


@functools.lru_cache(maxsize=16)
def _number(decimal: str, thousands: str) -> str:
    """The form of a number: no nan, no underscore; a run of digits is matched whole or not at all.

    Gauges may pad between sign and digits; thousands come in whole groups of three or not at all.
    No part can give anything back: what follows each part forbids it. Possessive quantifiers would
    say the same, and match wrongly before Python 3.11.5 (cpython issues 100061 and 106052), and
    Debian 12 has an older one.
    """
    point, part = {"point": r"\.", "comma": ","}[decimal], _SEPARATORS[thousands]
    whole = "[0-9]+(?![0-9])"
    if part:
        whole = f"(?:[0-9]{{1,3}}(?:{part}[0-9]{{3}})+(?![0-9])|{whole})"
    ends = f"(?![0-9]|{point}{f'|{part}[0-9]' if part else ''})"
    fraction = f"(?:{whole}(?:{point}[0-9]*)?|{point}[0-9]+)(?![0-9])"
    exponent = "(?:[eE][+-]?[0-9]{1,3}|(?![eE][+-]?[0-9]))"
    return rf"(?:{_MINUS}{_SPACES})?{fraction}{exponent}{ends}"


def _field_regex(name: str, decimal: str, thousands: str) -> str:
    if name == "unit":
        return f"(?P<unit>{_UNIT})"
    if name == "bcc":
        return r"(?P<bcc>[\x00-\xff])"
    if name in CHECKSUMS:
        return f"(?P<{name}>[0-9A-Fa-f]{{2}})"
    word = "word" if name == "pressure" else f"{name}_word"
    number = _number(decimal, thousands)
    return f"(?P<{name}>{number}|(?!{number})(?P<{word}>{_WORD}))"


def read_number(text: str, decimal: str = "point", thousands: str = "none") -> float:
    """The value of a number field's match."""
    text = text.replace("\xe2\x88\x92", "-").replace("\t", "")
    part = {"none": " ", "comma": ",", "point": ".", "space": " ", "apostrophe": "'"}[thousands]
    text = text.replace(part, "").replace(" ", "")
    return float(text.replace(",", ".") if decimal == "comma" else text)


class PatternError(ValueError):
    """An unusable pattern: `position` (from 0) in it, `what` is wrong, `remedy`.

    `key` is the setup's key that has to change: "pattern" or "unit".
    """

    def __init__(self, position: int, what: str, remedy: str, key: str = "pattern") -> None:
        self.position, self.what, self.remedy, self.key = position, what, remedy, key
        super().__init__(position, what, remedy, key)

    def __str__(self) -> str:
        where = f"at character {self.position + 1}" if self.key == "pattern" else f"key {self.key}"
        return f"{where}: {self.what}; {self.remedy}"


class GaugePattern(NamedTuple):
    """A usable pattern. `regex` matches a whole frame with its marks, or a whole line, decoded as
    Latin-1, with the groups `pressure`, `word` (set if there is no number) and, with
    `unit_in_line`, `unit`; further `channels` have groups of their name and `NAME_word`, a
    `checksum` the group of its name. `factor_kpa` belongs to the setup's unit; None if each line
    states its own."""

    regex: re.Pattern[str]
    factor_kpa: float | None
    unit_in_line: bool
    channels: tuple[str, ...] = ("pressure",)
    checksum: str | None = None
    decimal: str = "point"
    thousands: str = "none"
    marks: Marks = LINES


class _Token(NamedTuple):
    kind: str
    """"text", "space", "mark" (a control character) or the name of a field."""
    text: str
    position: int


@functools.lru_cache(maxsize=32)
def parse_pattern(
    pattern: str, unit: str | None, decimal: str = "point", thousands: str = "none"
) -> GaugePattern:
    """Check a pattern together with the setup's unit and number format.

    Raises PatternError.
    """
    tokens = _tokens(pattern)
    _check(tokens, pattern)
    marks = _marks(tokens)
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
    kinds = [token.kind for token in tokens]
    channels = tuple(kind for kind in kinds if kind in NUMBERS)
    checksum = next((kind for kind in kinds if kind in CHECKSUMS), None)
    regex = re.compile(_regex(tokens, marks, decimal, thousands), re.ASCII)
    return GaugePattern(regex, factor, in_line, channels, checksum, decimal, thousands, marks)


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
    if name in LINE_ENDS:
        raise PatternError(at, "a line end in the pattern", "leave it out; the rig finds line ends")
    if name == "HT":
        raise PatternError(at, "a tab by its name", "write a space, which stands for tabs as well")
    if name in CONTROL:
        return _Token("mark", chr(CONTROL[name]), at)
    if name not in FIELDS:
        near = [name.upper()] if name.upper() in CONTROL else []
        near += difflib.get_close_matches(name, FIELDS, n=1) or [", ".join(FIELDS)]
        raise PatternError(at, f"unknown field {{{name}}}", f"write {{{near[0]}}}")
    return _Token(name, name, at)


def _check_text(text: str, at: int) -> None:
    for offset, character in enumerate(text):
        if character in "\r\n":
            raise PatternError(
                at + offset, "a line end in the pattern", "leave it out; the rig finds line ends"
            )
        if character < " ":
            name = next(name for name, code in CONTROL.items() if code == ord(character))
            raise PatternError(
                at + offset, f"{character!r} is a control character", f"write {{{name}}} for it"
            )
        if not " " < character <= "~":
            raise PatternError(
                at + offset,
                f"{character!r} is not plain ASCII, and gauges differ in how they send it",
                "put {*} in its place",
            )


def _check(tokens: list[_Token], pattern: str) -> None:
    checksums = [token for token in tokens if token.kind in CHECKSUMS]
    if len(checksums) > 1:
        raise PatternError(checksums[1].position, "a second checksum", "put {*} in its place")
    if checksums:
        behind = tokens[tokens.index(checksums[0]) + 1 :]
        if any(token.kind != "mark" for token in behind):
            raise PatternError(
                checksums[0].position,
                "a checksum ends the line, or stands before the end marks",
                "take out what comes after it",
            )
    if any(token.kind == "bcc" for token in tokens):
        _check_block_check(tokens)
    for name in ("pressure", "unit", *NUMBERS[1:]):
        needed = name == "pressure"
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


def _check_block_check(tokens: list[_Token]) -> None:
    """A byte of any value can only be told from text by its place after an end mark."""
    at = next(n for n, token in enumerate(tokens) if token.kind == "bcc")
    if at != len(tokens) - 1 or at == 0 or tokens[at - 1].kind != "mark":
        raise PatternError(
            tokens[at].position,
            "{bcc} is one byte of any value, which is only known by its place behind an end mark",
            "write it last, behind the end mark, like {STX}{pressure}{ETX}{bcc}",
        )


def _marks(tokens: list[_Token]) -> Marks:
    """The marks that frame the pattern. Raises PatternError if they cannot."""
    after = 0
    body = tokens
    if body[-1].kind in CHECKSUMS and len(body) > 1 and body[-2].kind == "mark":
        after, body = 1 if body[-1].kind == "bcc" else 2, body[:-1]
    start = "".join(t.text for t in itertools.takewhile(lambda t: t.kind == "mark", body))
    ends = list(itertools.takewhile(lambda t: t.kind == "mark", reversed(body)))
    end = "".join(token.text for token in reversed(ends))
    within = body[len(start) : len(body) - len(end)]
    for mark in (start, end):
        for n, token in enumerate(within):
            if mark and "".join(t.text for t in within[n : n + len(mark)]) == mark:
                raise PatternError(
                    token.position,
                    "a start or end mark stands within the frame as well, so it is not known "
                    "where the frame begins or ends",
                    "frame it by its line end: put {*} where the marks stand",
                )
    if start and start == end:
        raise PatternError(
            ends[-1].position,
            "start and end mark are the same, so it is not known which is which",
            "leave out the end mark",
        )
    return Marks(start.encode("latin-1"), end.encode("latin-1"), after)


def _check_neighbours(left: _Token, right: _Token) -> None:
    kinds = {left.kind, right.kind}
    pair = {left.kind in NUMBERS, right.kind in NUMBERS}
    if ("*" in kinds and not kinds & set(_LITERAL)) or pair == {True}:
        raise PatternError(
            right.position,
            f"{{{left.kind}}} and {{{right.kind}}} touch, so it is not known where one ends",
            "put the text or the space between them there",
        )
    if right.kind in CHECKSUMS and left.kind not in ("text", "mark", "*"):
        raise PatternError(
            right.position,
            f"it is not known where {{{left.kind}}} ends and the checksum begins",
            "put the text between them there, like *",
        )
    if left.kind == "unit" and right.kind in NUMBERS:
        raise PatternError(
            right.position,
            "a unit may end in a digit, so the number after it needs a space or text before it",
            "put the text or the space between them there",
        )
    if left.kind == "text" and right.kind in NUMBERS and left.text[-1] in "+-.":
        raise PatternError(
            right.position - 1,
            f'"{left.text[-1]}" before {{{right.kind}}} would be cut off the number',
            "leave it out; the number carries its own sign and point",
        )
    if left.kind in NUMBERS and right.kind == "text" and right.text[0] in "0123456789.":
        raise PatternError(
            right.position,
            f'"{right.text[0]}" after {{{left.kind}}} is part of the number, so it never matches',
            "leave it out, or put the space between them there",
        )
    if left.kind == "unit" and right.kind == "text" and re.match(r"[A-Za-z0-9/^(]", right.text):
        raise PatternError(
            right.position,
            f'"{right.text[0]}" after {{unit}} is part of the unit, so it never matches',
            "leave it out, or put the space between them there",
        )


def _regex(tokens: list[_Token], marks: Marks, decimal: str, thousands: str) -> str:
    parts, ignoring, ignored = [] if marks.start else [_SPACES], "", 0
    begins = len(marks.start)  # tokens before the text, one a mark
    ends = len(tokens) - len(marks.end) - bool(marks.after) if marks.end else -1
    around = zip([None, *tokens], tokens, [*tokens[1:], None], strict=False)
    for n, (before, token, after) in enumerate(around):
        if n == begins > 0 and token.kind != "space":
            parts.append(_SPACES)
        if n == ends:
            parts.append(_BEFORE_END)
        if token.kind == "*":
            # a lookahead's match is taken as it is: nothing in it is retried further on
            ignored += 1
            ignoring = f"ignored_{ignored}"
            parts.append(f"(?=(?P<{ignoring}>{_IGNORED}*?")
        elif token.kind == "space":
            parts.append(_SPACE if _space_needed(before, after) else _SPACES)
        elif token.kind in ("text", "mark"):
            parts.append(re.escape(token.text))
        elif token.kind in NUMBERS:
            # without a space, only a sign separates the text's digits from the number's
            digit = before is not None and before.kind == "text" and before.text[-1].isdigit()
            number = _field_regex(token.kind, decimal, thousands)
            parts += [_padding(before), "(?=[+-])" * digit, number, _padding(after)]
        else:
            parts.append(_field_regex(token.kind, decimal, thousands))
        if ignoring and (after is None or after.kind not in _LITERAL):
            end = r"\Z" if token.kind == "*" else ""
            parts.append(f"{end}))(?P={ignoring})")
            ignoring = ""
    return "".join(parts if marks.end else [*parts, _SPACES])


def _padding(beside: _Token | None) -> str:
    """Gauges pad numbers to a width: spaces around one need no space in the pattern."""
    return "" if beside is None or beside.kind == "space" else _SPACES


def _space_needed(before: _Token | None, after: _Token | None) -> bool:
    """Whether a space is required, to prevent reading a value that was not sent."""
    if "*" in (before and before.kind, after and after.kind):
        return True
    joins = before is not None and before.kind == "text" and before.text[-1] in "0123456789+-."
    return joins and after is not None and after.kind in NUMBERS
