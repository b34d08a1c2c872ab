# SPDX-License-Identifier: MIT
"""The marks: plain words beside a number or a run, saying what makes it doubtful or special.

Programs compare a mark's id. A stroke stores its marks as bits of one integer (`STROKE_MARKS` gives
the order), so that many thousand strokes stay small. `DOUBTFUL` names the marks that make numbers
doubtful: a limit is not decided by such a number alone.
"""

from __future__ import annotations

from collections.abc import Iterable

from rig.core.message_ids import message_id

IDS: dict[str, str] = {}
"""The id of each mark that analysis gives, by its words. A condition in a recording that becomes a
mark (gauge lost ...) has its id from its kind."""


def mark(name: str, words: str) -> str:
    """Name a mark; returns its words."""
    IDS[words] = message_id("mark", name)
    return words


_SLOW = "readings lie on either side of the change"
_BAD = "a reading beside it is bad or missing"

NEVER_ANSWERED = mark("never-answered", "switch never answered")
ANSWERED_LATE = mark("answered-late", "switch answered only after the coil was released")
ALREADY_ON = mark("already-on", "switch already on before the command")
BEFORE_COIL = mark("before-coil", "switch changed before the coil was live")
ON_NOT_SETTLED = mark("on-not-settled", "switch not settled before the coil was released")
OFF_NOT_SETTLED = mark("off-not-settled", "switch not settled before the next command")
NOT_RELEASED = mark("not-released", "switch not released before the recording ended")
FELL_BACK = mark("fell-back", "switch changed, fell back and changed again")
UNEXPECTED = mark("unexpected", "switch changed with no command")
ENDED_EARLY = mark("ended-early", "recording ended before the settle window was over")
HELD = mark("held", "settle window reaches past the last row")
CUT_SHORT = mark("cut-short", "stroke cut short")
NO_RELEASE = mark("no-release", "coil not released before the recording ended")
COIL_NOT_LIVE = mark("coil-not-live", "coil not seen to go live")
COIL_NOT_DEAD = mark("coil-not-dead", "coil not seen to go dead")
COIL_LIVE_BEFORE = mark("coil-live-before", "coil already live before the command")
EDGES_LOST = mark("edges-lost", "edges lost: gap in a line's sequence numbers")
NOT_ALTERNATING = mark("not-alternating", "edges lost: two edges in a row read the same level")
LEVEL_DISAGREES = mark("level-disagrees", "polled level disagrees with the last edge")
DROPPED_OUT = mark("dropped-out", "switch dropped out again while the coil was energised")
PRESSURE_ON_SLOW = mark("pressure-on-slow", f"pressure at switch-on not known: {_SLOW}")
PRESSURE_OFF_SLOW = mark("pressure-off-slow", f"pressure at switch-off not known: {_SLOW}")
PRESSURE_ON_BAD = mark("pressure-on-bad", f"pressure at switch-on not known: {_BAD}")
PRESSURE_OFF_BAD = mark("pressure-off-bad", f"pressure at switch-off not known: {_BAD}")

STROKE_MARKS = (
    NEVER_ANSWERED, ANSWERED_LATE, ALREADY_ON, BEFORE_COIL, ON_NOT_SETTLED, OFF_NOT_SETTLED,
    NOT_RELEASED, FELL_BACK, UNEXPECTED, ENDED_EARLY, HELD, CUT_SHORT, NO_RELEASE, COIL_NOT_LIVE,
    COIL_NOT_DEAD, COIL_LIVE_BEFORE, EDGES_LOST, NOT_ALTERNATING, LEVEL_DISAGREES,
    PRESSURE_ON_SLOW, PRESSURE_OFF_SLOW, PRESSURE_ON_BAD, PRESSURE_OFF_BAD, DROPPED_OUT,
)  # fmt: skip
"""Marks of a stroke, in the order of their bits."""

# Of a run, beside the marks of its strokes.
STUCK = mark("stuck", "switch did not change once in the whole run")
ON_AT_REST = mark("on-at-rest", "switch on at rest, before the first command")
WRONG_WAY = mark("wrong-way", "switch moves the wrong way: the contact in the setup may be wrong")
EDGES_AT_REST = mark("edges-at-rest", "switch changed before the first command")
SENSE_UNKNOWN = mark("sense-unknown", "contact sense not known: no level and no edge of the switch")
NO_SWITCH = mark("no-switch", "no record of the switch at all")
OUT_OF_ORDER = mark("out-of-order", "edges out of order in time; sorted")
INTERRUPTED = mark("interrupted", "recording has no end: the run was interrupted")
SEVERAL_SWITCHINGS = mark("several-switchings", "switch changed more than once on the way")
NOT_STRAIGHT = mark("not-straight", "pressure does not change along a straight line")
FEW_READINGS = mark("few-readings", "too few good readings")
TOO_SLOW = mark(
    "too-slow", "pressure at the switch's change not known: readings lie on either side of it"
)
BAD_BESIDE = mark("bad-beside", f"pressure at the switch's change not known: {_BAD}")
NO_CHANGE = mark("no-change", "switch did not change on the way")
ON_BEFORE_RAMP = mark("on-before-ramp", "switch already on when the ramp began")

# Conditions in a recording whose words become marks of the strokes they fall into.
COMMAND_ON_AT_START = mark("command-on-at-start", "command already on in the first row")
SEQUENCE_GAP = mark("sequence-gap", "sequence gap")

DOUBTFUL = frozenset(
    {
        ANSWERED_LATE, ALREADY_ON, BEFORE_COIL, ENDED_EARLY, CUT_SHORT, COIL_LIVE_BEFORE,
        EDGES_LOST, NOT_ALTERNATING, LEVEL_DISAGREES, WRONG_WAY, SENSE_UNKNOWN, NO_SWITCH,
        OUT_OF_ORDER, COMMAND_ON_AT_START, SEQUENCE_GAP, FEW_READINGS, ON_BEFORE_RAMP,
    }
)  # fmt: skip
"""Marks that make the numbers beside them doubtful."""

_BITS = {mark: 1 << place for place, mark in enumerate(STROKE_MARKS)}
DOUBTFUL_BITS = sum(bit for mark, bit in _BITS.items() if mark in DOUBTFUL)


def bit(mark: str) -> int:
    """The bit of a stroke's mark."""
    return _BITS[mark]


def words(bits: int) -> list[str]:
    """The marks of a bit pattern, in their order."""
    return [mark for mark, one in _BITS.items() if bits & one]


def id_of(mark: str) -> str:
    """The id of a mark, like `mark.never-answered`."""
    return IDS.get(mark) or message_id("mark", mark)


def doubtful(marks: Iterable[str]) -> list[str]:
    """Those of `marks` that make numbers doubtful, in the order given."""
    return [mark for mark in marks if mark in DOUBTFUL]
