# SPDX-License-Identifier: MIT
"""The JSON of a run, key by key: what the log stores, commands print, and page and report show.

It stays JSON from the moment analysis made it, so that a result of the log needs no conversion;
these types name its keys, for the type checker and for the page's OpenAPI document. A result stored
by an earlier version may lack keys: keys are added, never changed or removed. Times are ms,
pressures kPa; an unknown number is null.
"""

from collections.abc import Iterator, Mapping
from typing import NotRequired, cast

from typing_extensions import TypedDict

from rig.core.records import Source
from rig.core.results.behaviour import Behaviour, Numbers
from rig.core.results.coil import Signature, StrokeCurrent
from rig.core.results.message_id import MessageId
from rig.core.results.metrology import (
    Budget,
    Calibration,
    Expanded,
    MeanSummary,
    Statistics,
    Summary,
    Timing,
)


class Condition(TypedDict):
    """One condition of a run. `how`: typed, or measured."""

    value: float | str
    unit: str
    how: str


Conditions = Mapping[str, Condition]


class Rule(TypedDict):
    """A rule of the interlock: its slowest reaction, or why nothing watches it. `id` is that of its
    trip."""

    id: MessageId
    rule: str
    reaction_ms: float | None
    why: str


class StrokePressure(TypedDict):
    """The pressure of one stroke: levels, delays from the coil to 10, 50 and 90 % and to the first
    change, rise, fall, over- and undershoot, settling, with standard uncertainties. `bounds` holds
    [least, most] of what the readings bracket."""

    low_kpa: float | None
    high_kpa: float | None
    delay_first_ms: float | None
    delay_10_ms: float | None
    delay_50_ms: float | None
    delay_90_ms: float | None
    rise_ms: float | None
    overshoot_pct: float | None
    undershoot_pct: float | None
    settling_ms: float | None
    fall_delay_first_ms: float | None
    fall_delay_10_ms: float | None
    fall_delay_50_ms: float | None
    fall_delay_90_ms: float | None
    fall_ms: float | None
    fall_overshoot_pct: float | None
    fall_undershoot_pct: float | None
    fall_settling_ms: float | None
    u_delay_ms: float | None
    u_rise_ms: float | None
    u_settling_ms: float | None
    note: str
    bounds: dict[str, Numbers]


class Stroke(TypedDict):
    """One stroke as analysed."""

    number: int
    answered: bool
    missed: bool
    settled: bool
    response_ms: float | None
    release_ms: float | None
    first_edge_on_ms: float | None
    first_edge_off_ms: float | None
    bounce_on: int | None
    bounce_off: int | None
    at_switch_on_kpa: float | None
    at_switch_off_kpa: float | None
    marks: list[str]
    mark_ids: list[MessageId]
    pressure: StrokePressure | None
    current: StrokeCurrent | None


class Counts(TypedDict):
    """How many strokes there were of each sort."""

    strokes: int
    answered: int
    missed: int
    settled: int
    unexpected_edges: int
    doubtful: int


class ChannelFigures(TypedDict):
    """The readings of one channel over a run, and how evenly they came."""

    unit: str
    readings: int
    good: int
    fast: bool
    rate_hz: float | None
    step_us: float | None
    jitter_us: float | None
    longest_ms: float | None
    half_us: float | None
    mean: float | None
    sd: float | None
    lowest: float | None
    highest: float | None
    uncertainty: float | None


class Resolution(TypedDict):
    """The finest step of the recorded times, and how it is known."""

    how: str
    step_ms: float | None


class Engine(TypedDict):
    """Engine speed; `jitter` is the scatter of one revolution as a share of its mean."""

    revolutions: int
    mean_rpm: float
    jitter: float
    slowest_rpm: float
    fastest_rpm: float


class Bounce(TypedDict):
    """Bounce of the switch one way; `counts` are up to each of `up_to_ms`, and beyond."""

    n: int
    clean: int
    mean_ms: float | None
    median_ms: float | None
    p95_ms: float | None
    max_ms: float | None
    edges_max: int | None
    up_to_ms: list[float]
    counts: list[int]


class Chatter(TypedDict):
    """Strokes in which the switch changed more than once, of how many, and its edges."""

    strokes: int
    edges: int
    of: int


class Switch(TypedDict):
    """Bounce each way, chatter, and the pressures at which the switch changed in strokes."""

    bounce_on: Bounce
    bounce_off: Bounce
    chatter: Chatter
    in_strokes_kpa: dict[str, Statistics]


class EarlyStop(TypedDict):
    """Wald's test of the share of strokes that fail: `ratio` is the logarithm of the likelihood
    ratio, `lower` and `upper` the bounds at which the test stops."""

    decision: str
    n: int
    failed: int
    ratio: float | None
    lower: float | None
    upper: float | None


class Trace(TypedDict):
    """Pressure against time."""

    t_ms: list[float]
    pressure_kpa: Numbers


class Hold(Expanded):
    """The watch of a hold and its decay rate."""

    from_ms: float
    to_ms: float
    readings: int
    bad_readings: int
    left_out: int
    pressure_start_kpa: float | None
    pressure_end_kpa: float | None
    decay_rate_kpa_s: float | None
    standard_error_kpa_s: float | None
    rate_is: str | None
    rate_from_ms: float | None
    rate_to_ms: float | None
    no_interval: str | None
    switch_on_at_start: bool | None
    switch_on_at_end: bool | None
    dropped_out_ms: float | None
    edges: int
    marks: list[str]
    mark_ids: list[MessageId]
    trace: Trace


class OneRamp(TypedDict):
    """One ramp: the pressures at which the switch changed, rising and falling."""

    number: int
    actuation_kpa: float | None
    reset_kpa: float | None
    differential_kpa: float | None
    marks: list[str]
    mark_ids: list[MessageId]


def figure_of(row: Stroke | OneRamp, key: str) -> float | None:
    """A number of a stroke or ramp by its key; None where it has none."""
    return cast(float | None, row.get(key))


class Ramp(TypedDict):
    """All ramps of a run, and the summary of each figure (kPa)."""

    ramps: list[OneRamp]
    summary: dict[str, MeanSummary]


class Contact(TypedDict):
    """How the contact behaves, and how that is known."""

    sense: str | None
    how: str


class Reference(TypedDict):
    """What times count from: "read-back" or "command"; the true times are then shorter by the
    relay's delay, which lies between `_least_ms` and `_ms`."""

    of: str
    response_ms: float | None
    release_ms: float | None
    response_least_ms: float | None
    release_least_ms: float | None


class ChainLink(TypedDict):
    """One link between supply and switch: whether this run shows it, and by what."""

    id: MessageId
    link: str
    shown: bool
    found: str


class RunTrip(TypedDict):
    """What the interlock tripped for, and when in the run."""

    id: MessageId
    rule: str
    value: float | None
    limit: float | None
    unit: str
    t_ms: float | None
    message: str


class RunEnd(TypedDict):
    """How the run ended, what is known of the coil, and why a person or the sheet stopped it."""

    reason: str
    off: str
    t_ms: float
    why: NotRequired[str]


class Limit(TypedDict):
    """One limit of the sheet by itself; `risk_pct` is the chance that its result is wrong."""

    figure: str
    of: str
    min: float | None
    max: float | None
    unit: str
    value: float | None
    n: int
    result: str
    why: str
    risk: float
    guard_band: float | None
    risk_pct: float | None
    strokes_needed: int | None
    strokes: str | None


def bounds_of(limit: Limit) -> Iterator[tuple[float, str]]:
    """The ends of a limit, each with its words."""
    if limit["min"] is not None:
        yield limit["min"], "at least"
    if limit["max"] is not None:
        yield limit["max"], "at most"


class Verdict(TypedDict):
    """All limits together, in words, and what to check next where something is open. `reason` is
    `why` without what to check next."""

    result: str
    why: str
    reason: str
    next_check: str | None
    next_check_id: MessageId | None
    next_caution: NotRequired[str | None]
    guard_band: float | None
    risk_pct: float | None
    decided_by: str | None
    limits: list[Limit]


class OfTheValve(TypedDict):
    """What holds for the valve: "conforms", "does_not_conform" or "not_judged", and in words.
    `reason` is `words` without what to do first."""

    result: str
    words: str
    reason: str


class WallClock(TypedDict):
    """The wall clock of a run; null where not known."""

    started_utc_s: float
    synchronised: bool | None
    stepped_s: float | None
    slept_s: float | None


class Commissioning(TypedDict):
    """The rig's last commissioning before the run."""

    state: str
    date: str | None
    due: str | None
    words: str


class CaptureColumns(TypedDict):
    """How a capture's columns were read."""

    map: str
    remarks: list[str]


class Result(Behaviour):
    """What analysis made of a run: as `rig show --json`."""

    run: int | None
    kind: str | None
    source: Source
    status: str
    seed: int | None
    setup_hash: str | None
    sheet_hash: str | None
    valve: str | None
    job: str | None
    by: str | None
    mount: int | None
    note: str
    conditions: dict[str, Condition]
    strokes: list[Stroke]
    summary: dict[str, Summary]
    rest_strokes: list[int]
    counts: Counts
    signature: Signature | None
    channels: dict[str, ChannelFigures]
    resolution: Resolution
    engine: Engine | None
    calibration: Calibration | None
    timing: Timing | None
    switch: Switch
    sequential: EarlyStop | None
    hold: Hold | None
    ramp: Ramp | None
    budget: dict[str, Budget]
    contact: Contact
    reference: Reference
    settle_window_ms: float
    chain: list[ChainLink]
    conditions_seen: dict[str, int]
    marks: list[str]
    mark_ids: list[MessageId]
    mark_counts: dict[str, int]
    doubtful: list[str]
    doubtful_ids: list[MessageId]
    trip: RunTrip | None
    end: RunEnd | None
    watched: list[Rule]
    not_watched: list[Rule]
    verdict: Verdict
    software: str | None
    of_the_valve: NotRequired[OfTheValve | None]
    remark: NotRequired[str]
    purpose: NotRequired[str]
    clock: NotRequired[WallClock]
    commissioning: NotRequired[Commissioning | None]
    columns: NotRequired[CaptureColumns]


def complete(stored: Mapping[str, object]) -> bool:
    """Whether a stored result has every key of today."""
    verdict, summary, strokes = (stored.get(key) for key in ("verdict", "summary", "strokes"))
    samples: list[tuple[frozenset[str], object]] = [
        (Result.__required_keys__, stored),
        (Verdict.__required_keys__, verdict),
    ]
    if isinstance(summary, dict) and isinstance(strokes, list):
        samples += [(Summary.__required_keys__, one) for one in summary.values()]
        samples += [(Stroke.__required_keys__, one) for one in strokes[:1]]
    return all(isinstance(one, dict) and one.keys() >= keys for keys, one in samples)
