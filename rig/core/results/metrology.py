# SPDX-License-Identifier: MIT
"""Uncertainty, calibration and the rig's own times in the JSON of a run. Null where not known."""

from typing_extensions import TypedDict

from rig.core.results.behaviour import Spread


class Expanded(TypedDict):
    """Best value, standard and expanded uncertainty (95 %); all null without a budget. `dof` is
    null for infinitely many."""

    best: float | None
    u: float | None
    k: float | None
    U: float | None
    dof: float | None
    interval95: list[float] | None


class BudgetLine(TypedDict):
    """One contribution: `part` is its share of the result's standard uncertainty."""

    name: str
    value: float | None
    unit: str
    distribution: str
    u: float
    sensitivity: float
    dof: float | None
    part: float
    note: str


class Correlation(TypedDict):
    """Two correlated lines."""

    lines: list[str]
    r: float


class Budget(TypedDict):
    """An uncertainty budget (JCGM 100), with the keys of its result."""

    figure: str
    unit: str
    value: float
    correction: float
    lines: list[BudgetLine]
    correlations: list[Correlation]
    best: float
    u: float
    k: float
    U: float
    dof: float | None
    interval95: list[float]
    method: str
    coverage: float


class Statistics(TypedDict):
    """Count, mean, standard deviation, and the ordered values."""

    n: int
    mean: float | None
    sd: float | None
    min: float | None
    median: float | None
    max: float | None


class Mean(Expanded):
    """The standard error of a mean, and its 95 % interval from the scatter alone (Student's t)."""

    sem: float | None
    ci95: list[float] | None


class MeanSummary(Statistics, Mean):
    """A figure over the ramps of a run."""


class Summary(MeanSummary, Spread):
    """One time over the steady strokes of a run; `rest` is of those after a rest."""

    rest: Statistics


class CorrectionAt(TypedDict):
    """The gauge's correction at one reading."""

    reading_kpa: float
    correction_kpa: float
    u95_kpa: float


class Zero(TypedDict):
    """The gauge's reading without pressure, against the one of its calibration."""

    reading_kpa: float
    stored_kpa: float | None
    drift_kpa: float
    tolerance_kpa: float | None
    held: bool
    taken_off_kpa: float


class Calibration(TypedDict):
    """The gauge's calibration as applied to a run."""

    date: str
    due: str
    state: str
    by: str | None
    reference: str
    reference_u_kpa: float
    points: int
    scatter_kpa: float
    correction_at_lowest: CorrectionAt | None
    correction_at_highest: CorrectionAt | None
    beyond_points: bool
    bend_kpa: float
    zero: Zero | None
    remarks: list[str]


class OwnTime(TypedDict):
    """The rig's own time one way, over `n` strokes; least and most from command to coil."""

    n: int
    mean_ms: float
    sd_ms: float
    least_ms: float
    most_ms: float


class Timing(TypedDict):
    """The rig's own times as applied to a run, or that they are assumed."""

    state: str
    date: str | None
    due: str | None
    by: str | None
    timed_from: str | None
    run: int | None
    wired: str
    response: OwnTime | None
    release: OwnTime | None
    remarks: list[str]
