# SPDX-License-Identifier: MIT
"""What the coil's current shows, in the JSON of a run. Times in ms; null where not known."""

from typing_extensions import TypedDict

from rig.core.results.message_id import MessageId


class PartFigures(TypedDict):
    """One part over the strokes in which it stands alone; `u95_single` is the median expanded
    uncertainty (k = 2) of one stroke's value."""

    n: int
    mean: float | None
    sd: float | None
    u95_single: float | None


class Together(PartFigures):
    """Parts known only together."""

    parts: list[str]


class StrokeCurrent(TypedDict):
    """The current of one stroke; `_u95` is the expanded uncertainty (k = 2). `plunger`: moved, no
    movement seen, or not decided, and then `why`."""

    plunger: str
    why: str | None
    relay_ms: float | None
    electrical_ms: float | None
    electrical_ms_u95: float | None
    mechanical_ms: float | None
    mechanical_ms_u95: float | None
    hydraulic_ms: float | None
    hydraulic_ms_u95: float | None
    seated_ms: float | None
    seated_ms_u95: float | None
    back_leaves_ms: float | None
    back_leaves_ms_u95: float | None
    back_seated_ms: float | None
    back_seated_ms_u95: float | None
    together: Together | None
    steady_a: float | None
    tau1_ms: float | None
    tau2_ms: float | None


class Coil(TypedDict):
    """The coil as its current shows it; `expected_ohm` is the range of its setup."""

    id: MessageId
    state: str
    found: str
    next_check: str | None
    steady_a: float | None
    resistance_ohm: float | None
    resistance_u95_ohm: float | None
    expected_ohm: list[float | None]
    temperature_degc: float | None
    step_share: float | None
    supply_v: float | None
    supply_how: str | None


class Signature(TypedDict):
    """The current over all strokes of a run."""

    rate_hz: float | None
    strokes_looked_at: int
    moved: int
    no_movement_seen: int
    not_decided: int
    why_not_decided: dict[str, int]
    parts: dict[str, PartFigures]
    together: Together | None
    relay_ms: PartFigures
    tau1_ms: PartFigures
    tau2_ms: PartFigures
    coil: Coil
