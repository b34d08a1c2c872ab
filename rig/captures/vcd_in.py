# SPDX-License-Identifier: MIT
"""Import a value change dump (IEEE Std 1364, clause 18) as a recording, or refuse it in words.

Signals are found by name, whatever their scope. x and z before a signal's first 0 or 1 are not yet
values; later they are refused, since the state of the line is then not known.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.captures.cells import MAX_S
from rig.captures.comments import Comments
from rig.captures.problems import Problems, cannot_be_read, look_at, shown
from rig.captures.taking import Taking
from rig.captures.vcd_head import Signal, signals_of
from rig.config.setup.model import Setup
from rig.core.recording import Recording

if TYPE_CHECKING:
    from vcd.reader import Token

MAX_NS = MAX_S * 10**9
NS_PER_UNIT = {"s": (10**9, 1), "ms": (10**6, 1), "us": (10**3, 1), "ns": (1, 1),
               "ps": (1, 10**3), "fs": (1, 10**6)}  # fmt: skip
"""Nanoseconds of one unit of `$timescale`, as numerator and denominator."""


class _NotADump(Exception):
    """The parser of the file format gave up, with its message."""


def is_vcd(path: str | os.PathLike[str]) -> bool:
    """Whether a file is a value change dump, by its name or its first bytes. May raise OSError."""
    if Path(path).suffix.casefold() == ".vcd":
        return True
    with Path(path).open("rb") as file:
        head = file.read(4096).lstrip()
    return head[:1] == b"$" and head[1:2].isalpha()


def read_vcd(
    path: str | os.PathLike[str], setup: Setup, resolution_ns: int | None = None
) -> Recording:
    """The value change dump at `path` as a recording of source "capture". `resolution_ns` as in
    rig.captures.read_capture.

    `setup` gives the electrical sense of switch and read-back; times are as in the file, by its
    `$timescale`, to the nanosecond. Raises FileProblems with every problem found.
    """
    problems = Problems(path)
    try:
        look_at(Path(path), problems)
        with Path(path).open("rb") as file:
            reading = _Reading(setup, problems, Comments(problems, resolution_ns))
            return reading.read(_tokens(file))
    except OSError as error:
        raise cannot_be_read(error, problems) from error
    except _NotADump as error:
        raise problems.stop(
            "", "", f"not a value change dump: {shown(str(error))}",
            "save it as VCD (IEEE 1364), or as CSV",
        ) from error  # fmt: skip


def _tokens(file: Any) -> Iterator[Token]:
    from vcd.reader import tokenize

    tokens = tokenize(file)
    while True:
        try:
            token = next(tokens)
        except StopIteration:
            return
        except Exception as error:  # raises many kinds for anything that is not a dump
            raise _NotADump(str(error) or type(error).__name__) from error
        yield token


class _Reading:
    """Process the tokens of one dump."""

    def __init__(self, setup: Setup, problems: Problems, comments: Comments) -> None:
        self._problems, self._taking, self._comments = problems, Taking(setup), comments
        self._scale: tuple[int, int] | None = None
        self._declared: list[tuple[Any, int]] = []
        self._signals: dict[str, Signal] = {}
        self._body = False
        self._now: int | None = None
        self._readings: dict[str, float] = {}
        self._good: dict[str, int | None] = {}
        self._changed: set[str] = set()

    def read(self, tokens: Iterator[Token]) -> Recording:
        """Read the whole dump."""
        from vcd.reader import TokenKind

        changes = {
            TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR, TokenKind.CHANGE_REAL,
            TokenKind.CHANGE_STRING,
        }  # fmt: skip
        for token in tokens:
            line = token.span.start.line
            if token.kind is TokenKind.TIMESCALE:
                self._timescale(token.timescale, line)
            elif token.kind is TokenKind.VAR:
                self._declared.append((token.var, line))
            elif token.kind is TokenKind.COMMENT:
                self._comments.hear(token.comment, f"line {line}")
            elif token.kind is TokenKind.SCOPE:
                self._comments.hear(token.scope.ident.replace("_", " "), f"line {line}")
            elif token.kind is TokenKind.ENDDEFINITIONS:
                self._begin()
            elif token.kind is TokenKind.CHANGE_TIME or token.kind in changes:
                if not self._body:
                    raise _NotADump(f"a value before $enddefinitions (line {line})")
                if token.kind is TokenKind.CHANGE_TIME:
                    self._time(token.time_change, line)
                else:
                    self._change(token.data, line)
        if not self._body:
            raise _NotADump("it ends before $enddefinitions")
        if self._now is None:
            self._problems.add("", "", "no value at all", "give at least one time and value")
        self._give_readings()
        self._problems.raise_any()
        return self._taking.recording(self._comments.kinds, self._comments.resolution_ns)

    def _timescale(self, scale: Any, line: int) -> None:
        if self._scale is not None:
            self._problems.add(f"line {line}", str(scale), "a second $timescale", "leave one out")
        elif scale.magnitude not in (1, 10, 100):
            self._problems.add(
                f"line {line}", str(scale), "not a step of 1, 10 or 100 units",
                "write $timescale like 1 ns or 10 us",
            )  # fmt: skip
        over, under = NS_PER_UNIT[scale.unit.value]
        self._scale = (scale.magnitude * over, under)

    def _begin(self) -> None:
        """The definitions are complete."""
        if self._scale is None:
            self._problems.add(
                "", "", "no $timescale: it is not known how long a step is",
                "give it before $enddefinitions, like $timescale 1 us $end",
            )  # fmt: skip
        self._signals = signals_of(self._declared, self._problems)
        self._problems.raise_any()
        self._body = True

    def _time(self, steps: int, line: int) -> None:
        over, under = self._scale or (1, 1)
        # round to the nearest nanosecond, halves up: finer steps are lost
        t_ns = (2 * steps * over + under) // (2 * under)
        if t_ns > MAX_NS:
            raise self._problems.stop(
                f"line {line}", f"#{steps}", "too large a time",
                "count the time from the start of the capture",
            )  # fmt: skip
        self._give_readings()
        if not self._taking.time(t_ns):
            self._problems.add(
                f"line {line}", f"#{steps}", "earlier than the time before it",
                "put the times in order; one file holds one run",
            )  # fmt: skip
        self._now = t_ns

    def _change(self, change: Any, line: int) -> None:
        signal = self._signals.get(change.id_code)
        if signal is None:
            return
        if self._now is None:  # initial values may come before the first time, which is then 0
            self._time(0, line)
        if signal.is_reading:
            self._read_value(signal, change.value, line)
            return
        bit = {"0": 0, "1": 1, 0: 0, 1: 1}.get(change.value)
        if bit is None:
            self._not_a_bit(signal, str(change.value), line)
        elif signal.good_of:
            self._good[signal.good_of] = bit
            self._changed.add(signal.good_of)
        else:
            signal.known = True
            self._taking.digital(signal.name, bit)

    def _not_a_bit(self, signal: Signal, value: str, line: int) -> None:
        if value.casefold() not in ("x", "z"):
            what, remedy = "neither 0, 1, x nor z", "give a signal of one bit"
        elif signal.good_of:
            self._good[signal.good_of] = None
            return
        elif not signal.known:
            return
        else:
            what = "it had a value before; from here on it is not known"
            remedy = "cut the capture before this time or begin it after"
        self._problems.add(f"line {line}, signal {signal.name}", value, what, remedy)

    def _read_value(self, signal: Signal, value: object, line: int) -> None:
        if not isinstance(value, float) or not abs(value) < float("inf"):
            self._problems.add(
                f"line {line}, signal {signal.name}", str(value), "not a finite real number",
                "give readings as a signal of type real",
            )  # fmt: skip
            return
        self._readings[signal.channel] = value * signal.factor
        self._changed.add(signal.channel)

    def _give_readings(self) -> None:
        """Emit the readings changed since the last time: a good one, or one gone bad."""
        for channel in sorted(self._changed):
            good = self._good.get(channel, 1)
            if good is not None and self._now is not None:
                value = self._readings.get(channel) if good else None
                if value is not None or not good:
                    self._taking.sample(channel, value, self._now, believed=bool(good))
        self._changed.clear()
