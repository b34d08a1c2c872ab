# SPDX-License-Identifier: MIT
"""The marks: plain words beside a number or a run, saying what makes it doubtful or special.

A stroke stores its marks as bits of one integer (`STROKE_MARKS` gives the order), so that many
thousand strokes stay small. `DOUBTFUL` names the marks that make numbers doubtful: a limit is not
decided by such a number alone.
"""

from __future__ import annotations

from collections.abc import Iterable

NEVER_ANSWERED = "switch never answered"
ANSWERED_LATE = "switch answered only after the coil was released"
ALREADY_ON = "switch already on before the command"
BEFORE_COIL = "switch changed before the coil was live"
ON_NOT_SETTLED = "switch not settled before the coil was released"
OFF_NOT_SETTLED = "switch not settled before the next command"
NOT_RELEASED = "switch not released before the recording ended"
FELL_BACK = "switch changed, fell back and changed again"
UNEXPECTED = "switch changed with no command"
ENDED_EARLY = "recording ended before the settle window was over"
HELD = "settle window reaches past the last row"
CUT_SHORT = "stroke cut short"
NO_RELEASE = "coil not released before the recording ended"
COIL_NOT_LIVE = "coil not seen to go live"
COIL_NOT_DEAD = "coil not seen to go dead"
COIL_LIVE_BEFORE = "coil already live before the command"
EDGES_LOST = "edges lost: gap in a line's sequence numbers"
NOT_ALTERNATING = "edges lost: two edges in a row read the same level"
LEVEL_DISAGREES = "polled level disagrees with the last edge"
DROPPED_OUT = "switch dropped out again while the coil was energised"
PRESSURE_ON_SLOW = "pressure at switch-on not known: readings lie on either side of the change"
PRESSURE_OFF_SLOW = "pressure at switch-off not known: readings lie on either side of the change"
PRESSURE_ON_BAD = "pressure at switch-on not known: a reading beside it is bad or missing"
PRESSURE_OFF_BAD = "pressure at switch-off not known: a reading beside it is bad or missing"

STROKE_MARKS = (
    NEVER_ANSWERED, ANSWERED_LATE, ALREADY_ON, BEFORE_COIL, ON_NOT_SETTLED, OFF_NOT_SETTLED,
    NOT_RELEASED, FELL_BACK, UNEXPECTED, ENDED_EARLY, HELD, CUT_SHORT, NO_RELEASE, COIL_NOT_LIVE,
    COIL_NOT_DEAD, COIL_LIVE_BEFORE, EDGES_LOST, NOT_ALTERNATING, LEVEL_DISAGREES,
    PRESSURE_ON_SLOW, PRESSURE_OFF_SLOW, PRESSURE_ON_BAD, PRESSURE_OFF_BAD, DROPPED_OUT,
)  # fmt: skip
"""Marks of a stroke, in the order of their bits."""

# Of a run, beside the marks of its strokes.
STUCK = "switch did not change once in the whole run"
ON_AT_REST = "switch on at rest, before the first command"
WRONG_WAY = "switch moves the wrong way: the contact in the setup may be wrong"
EDGES_AT_REST = "switch changed before the first command"
SENSE_UNKNOWN = "contact sense not known: no level and no edge of the switch"
NO_SWITCH = "no record of the switch at all"
OUT_OF_ORDER = "edges out of order in time; sorted"
INTERRUPTED = "recording has no end: the run was interrupted"
SEVERAL_SWITCHINGS = "switch changed more than once on the way"
NOT_STRAIGHT = "pressure does not change along a straight line"
FEW_READINGS = "too few good readings"
TOO_SLOW = "pressure at the switch's change not known: readings lie on either side of it"
BAD_BESIDE = "pressure at the switch's change not known: a reading beside it is bad or missing"
NO_CHANGE = "switch did not change on the way"
ON_BEFORE_RAMP = "switch already on when the ramp began"

# Conditions in a recording whose words become marks of the strokes they fall into.
COMMAND_ON_AT_START = "command already on in the first row"
SEQUENCE_GAP = "sequence gap"

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


def doubtful(marks: Iterable[str]) -> list[str]:
    """Those of `marks` that make numbers doubtful, in the order given."""
    return [mark for mark in marks if mark in DOUBTFUL]
