# SPDX-License-Identifier: MIT
"""Raw records: what happened, when. Stored as recorded and never altered.

All times are integer nanoseconds of CLOCK_MONOTONIC (virtual time in fast simulation). As text, a
record is one JSON array a line, its first item a tag. Raw file, chunks in the run log and the
stream from bench to recorder and desk all use this form.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any, Literal, NamedTuple, get_args

from rig.core.message_ids import trip_id

SWITCH = "switch"
READBACK = "readback"
ENGINE_SPEED = "engine_speed"
"""Both the pulse line and the channel of readings computed from it."""

COMMAND = "command"
"""The relay's command as a line: only a sampled capture has levels of it."""

Source = Literal["simulated", "emulated board", "board", "capture"]
SOURCES: tuple[Source, ...] = get_args(Source)

GOOD = "good"
"""Quality of a sample that may be believed. Every other quality names the fault."""

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

    `sequence` numbers the edges of this line, from 1, as the kernel counted them.
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

    Sample n was taken at `t_ns` plus the first n of `steps_ns` (one fewer than `codes`): the middle
    of its transfer. Half a transfer took `half_ns` at most. `codes` are the converter's values,
    each the sum of its oversampled conversions. The reading is `offset + scale * code` in the
    channel's unit (CHANNEL_UNITS). `runs` are pairs of an index and the quality from there on; the
    first index is 0. Believe only "good" readings.
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
    """A relay command. `t_ns` was read just before the write, `done_ns` just after.

    `stroke` is the number of its stroke, from 1; 0 outside strokes.
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

    @property
    def id(self) -> str:
        """Like `trip.over-pressure`."""
        return trip_id(self.rule)


class End(NamedTuple):
    """How the run ended. `off` says what is known of the coil: see OFF_STATES."""

    reason: str
    off: str
    t_ns: int


STOPPED_EARLY = "stopped early"
"""Kind of condition: the run ended before its last stroke because the result was decided."""

SAMPLED = "sampled capture"
"""Kind of condition: a capture with one row per sample. Each edge and command then has a Level of
its own line beside it, from the last sample before it. Its detail begins with the whole nanoseconds
to which the stamps are rounded, 0 if the rows are evenly spaced."""
RESOLUTION = "resolution stated"
"""Kind of condition: the time resolution of a capture. Its detail begins with whole nanoseconds."""

END_REASONS = ("finished", "tripped", "aborted", "fault")
CONFIRMED_OFF_GROUND = (
    "confirmed off (read-back on the ground side: a leak of less than half the coil's current "
    "would not be seen)"
)
"""How far the read-back reaches on feed side ground (hardware/README.md, simulated)."""
OFF_STATES = (
    "confirmed off", "commanded off, not confirmed", "still live", CONFIRMED_OFF_GROUND,
)  # fmt: skip
DEAD_LOOKS = 2
"""Consecutive dead samples that confirm off: one alone may fall into a contact's chatter."""
READBACK_RULE = "read-back disagreeing"
EDGE_SOURCE_RULE = "edge source lost"
READBACK_DOUBTED_BY = (READBACK_RULE, EDGE_SOURCE_RULE)
BENCH_LOST = "bench lost"
"""Rule of the trip that the guard latches; its message says what is known of the coil."""
RELEASE_NOT_SEEN = "bench lost, release not seen"
"""Rule of the trip latched for a bench found dead when no guard took its line."""
NOT_CONFIRMED_OFF = "COIL NOT CONFIRMED OFF"
"""Begins every message and latch about a line that could not be driven off."""


def readback_doubted(trip: Trip | None) -> bool:
    """Whether this trip found the read-back, or the source of its edges, to be wrong.

    Such a read-back confirms nothing: at best the coil is "commanded off, not confirmed".
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
_TYPES: dict[str, type[Record]] = {tag: kind for kind, tag in _TAGS.items()}
_encode = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode


def encode(record: Record) -> str:
    """Encode as one line of text without newline. Raises ValueError on NaN or infinity."""
    return _encode((_TAGS[type(record)], *record))


_parse = json.JSONDecoder().decode


def decode(line: str | bytes) -> Record:
    """Decode the record of one line. Raises ValueError if it is not one."""
    try:
        # json.loads would look for the encoding of each line
        text = line if isinstance(line, str) else line.decode("utf-8", "surrogatepass")
        tag, *fields = _parse(text)
        record: Record = _TYPES[tag](*fields)
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"not a record: {line!r:.80}") from error
    return record


def decode_lines(text: bytes) -> Iterator[Record]:
    """Decode the records of newline-separated text."""
    return (decode(line) for line in text.split(b"\n") if line)


def encode_lines(records: Iterable[Record]) -> bytes:
    """Encode many records as newline-terminated text."""
    return "".join(encode(record) + "\n" for record in records).encode()
