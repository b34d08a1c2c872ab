# SPDX-License-Identifier: MIT
"""Raw records: what happened, when. Stored as recorded, never altered afterwards.

All times are integer nanoseconds of CLOCK_MONOTONIC (virtual time in fast simulation). The
record's text form is one JSON array a line, the first item a tag; it is the form of the raw file,
of the chunks in the run log, and of the stream from bench to recorder and desk.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

SWITCH = "switch"
READBACK = "readback"
ENGINE_SPEED = "engine_speed"
"""Both the line of the pulses and the channel of the readings that are worked out of them."""

COMMAND = "command"
"""The relay's command as a line: only a sampled capture has levels of it."""

SOURCES = ("simulated", "emulated board", "board", "capture")

GOOD = "good"
"""Quality of a sample that may be believed. Every other quality names what is wrong with it."""

CHANNEL_UNITS = {
    "pressure": "kPa",
    "oil_temperature": "degC",
    "supply_voltage": "V",
    "coil_current": "A",
    "engine_speed": "rpm",
    "cylinder_pressure": "kPa",
    "sensor_supply": "V",
}


class Edge(NamedTuple):
    """An edge of an input line. `level` is electrical (1 = high), `source` "kernel" or "plant".

    `sequence` counts the edges of this line as the kernel numbered them, from 1.
    """

    line: str
    level: int
    t_ns: int
    sequence: int
    source: str


class Level(NamedTuple):
    """The electrical level of a line, polled at `t_ns` from the same request as its edges."""

    line: str
    level: int
    t_ns: int


class Sample(NamedTuple):
    """A reading in its channel's unit (CHANNEL_UNITS). `t_ns` is the arrival of its last byte.

    `value` is None unless `quality` is "good" or "out of range".
    """

    channel: str
    value: float | None
    t_ns: int
    quality: str


class Block(NamedTuple):
    """Consecutive readings of a fast channel of the converter.

    Sample n was taken at `t_ns` plus the first n of `steps_ns` (one fewer than `codes`): the
    middle of its transfer, of which half took `half_ns` at most. `codes` are as the converter gave
    them, each the sum of its oversampled conversions. The reading is `offset + scale * code` in
    the channel's unit (CHANNEL_UNITS). `runs` are pairs of an index and the quality from there on;
    the first index is 0. Only "good" readings may be believed.
    """

    channel: str
    t_ns: int
    steps_ns: list[int]
    codes: list[int]
    scale: float
    offset: float
    half_ns: int
    runs: list[list[Any]]


class Command(NamedTuple):
    """The relay was commanded. `t_ns` was read just before the write, `done_ns` just after.

    `stroke` is the number of the stroke it belongs to, from 1; 0 outside strokes.
    """

    on: bool
    t_ns: int
    done_ns: int
    stroke: int


class Condition(NamedTuple):
    """Something that makes data doubtful: gauge lost, frame rejected, sequence gap ..."""

    kind: str
    t_ns: int
    detail: str


class Step(NamedTuple):
    """The sequencer entered a step of the sheet: settle, stroke, rest, raise, lower, watch."""

    name: str
    number: int
    t_ns: int


class Trip(NamedTuple):
    """The interlock commanded the coil off and latched. `t_ns` is when the rule saw it."""

    rule: str
    value: float | None
    limit: float | None
    unit: str
    t_ns: int
    message: str


class End(NamedTuple):
    """How the run ended. `off` says what is known of the coil: see OFF_STATES."""

    reason: str
    off: str
    t_ns: int


STOPPED_EARLY = "stopped early"
"""Kind of the condition of a run that ended before its last stroke because it was decided."""

SAMPLED = "sampled capture"
"""Kind of the condition of a capture with a row at every look. Each edge and command then has a
Level of its own line beside it: the last look before it. Its detail begins with whole nanoseconds
to which the stamps are rounded, 0 where the rows come evenly."""
RESOLUTION = "resolution stated"
"""Kind of the condition that says how finely a capture tells time: its detail begins with whole
nanoseconds."""

END_REASONS = ("finished", "tripped", "aborted", "fault")
CONFIRMED_OFF_GROUND = (
    "confirmed off (read-back on the ground side: a leak of less than half the coil's current "
    "would not be seen)"
)
"""As far as the read-back of feed side ground reaches (hardware/README.md, simulated)."""
OFF_STATES = (
    "confirmed off", "commanded off, not confirmed", "still live", CONFIRMED_OFF_GROUND,
)  # fmt: skip
DEAD_LOOKS = 2
"""So many looks in a row confirm off: one may fall into a contact's chatter."""
READBACK_RULE = "read-back disagreeing"
EDGE_SOURCE_RULE = "edge source lost"
READBACK_DOUBTED_BY = (READBACK_RULE, EDGE_SOURCE_RULE)
BENCH_LOST = "bench lost"
"""Rule of the trip that the guard latches, with what is known of the coil in its message."""
RELEASE_NOT_SEEN = "bench lost, release not seen"
"""Rule of the trip latched for a bench found dead, without a guard that took its line."""
NOT_CONFIRMED_OFF = "COIL NOT CONFIRMED OFF"
"""Begins what is said, and latched, of a line that could not be driven off."""


def readback_doubted(trip: Trip | None) -> bool:
    """Whether this trip found the read-back, or the source of its edges, to be wrong.

    Such a read-back confirms nothing: the coil is then "commanded off, not confirmed" at best.
    """
    return trip is not None and trip.rule in READBACK_DOUBTED_BY


Record = Edge | Level | Sample | Block | Command | Condition | Step | Trip | End

_TAGS: dict[type, str] = {
    Edge: "E",
    Level: "L",
    Sample: "S",
    Block: "B",
    Command: "C",
    Condition: "N",
    Step: "P",
    Trip: "T",
    End: "Z",
}
_TYPES: dict[str, Any] = {tag: kind for kind, tag in _TAGS.items()}
_encode = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode


def encode(record: Record) -> str:
    """One line of text without its newline. Raises ValueError on NaN or infinity."""
    return _encode((_TAGS[type(record)], *record))


def decode(line: str | bytes) -> Record:
    """The record of one line. Raises ValueError where it is not one."""
    try:
        tag, *fields = json.loads(line)
        record: Record = _TYPES[tag](*fields)
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"not a record: {line!r:.80}") from error
    return record


def decode_lines(text: bytes) -> Iterator[Record]:
    """The records of newline-separated text."""
    return (decode(line) for line in text.split(b"\n") if line)


def encode_lines(records: Iterable[Record]) -> bytes:
    """Newline-terminated text of many records."""
    return "".join(encode(record) + "\n" for record in records).encode()
