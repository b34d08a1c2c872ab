# SPDX-License-Identifier: MIT
"""The JSON of several runs compared, and of a rig study, key by key: see rig.core.results.run."""

from typing import Literal

from typing_extensions import TypedDict

from rig.core.records import Source
from rig.core.results.behaviour import Numbers
from rig.core.results.metrology import Summary


class ConditionCompared(TypedDict):
    """A condition of a run, measured or stated by a person."""

    value: float
    unit: str
    measured: bool


class RunCompared(TypedDict):
    """One of the runs compared."""

    run: int | None
    valve: str | None
    job: str | None
    by: str | None
    mount: int | None
    status: str
    setup_hash: str | None
    sheet_hash: str | None
    strokes: int
    missed: int
    doubtful: int
    oil_temperature_degc: float | None
    measured: dict[str, ConditionCompared]
    summary: dict[str, Summary]


class Group(TypedDict):
    """The strokes of one run; `n_effective` of them count as independent."""

    n: int
    mean: float
    sd: float
    u_mean: float
    dof: float
    n_effective: float


class Effect(TypedDict):
    """A condition that differs, and by how much that moves the time."""

    condition: str
    before: float | None
    after: float | None
    unit: str
    known: bool
    low_ms: float
    high_ms: float
    u_ms: float
    slope: str | None


class AllowedFor(TypedDict):
    """The difference corrected for conditions, mounting and the rigs' own times; null for what is
    not bounded."""

    result: str
    difference_ms: float
    u_ms: float
    dof: float | None
    p: float | None
    ci95: list[float]
    least_ms: float
    most_ms: float
    effects: list[Effect]
    own_times_ms: float | None
    u_own_times_ms: float | None
    not_known: list[str]
    mounting_sd_ms: float | None
    mounting: str | None
    mounting_to_explain_ms: float | None
    pressure_to_explain: float | None


class AtOneOil(TypedDict):
    """The difference at one oil temperature."""

    oil_temperature_degc: float
    after_factor: float
    difference_ms: float
    ci95: list[float]
    p: float | None
    u_model_ms: float
    share_known: bool
    least_ms: float
    most_ms: float
    equivalent: bool | None


class FigureCompared(TypedDict):
    """How far one time lies apart; `equivalent` is null where it was not decided,
    `equivalent_if` what it assumes where it is true; `real` is null where conditions or mounting
    may explain it."""

    difference_ms: float
    ci95: list[float]
    p: float | None
    rank_p: float | None
    ks_distance: float | None
    ks_p: float | None
    t: float | None
    dof: float
    effect_sd: float | None
    equivalent: bool | None
    equivalent_if: list[str]
    equivalence: str | None
    margin_ms: float | None
    equivalence_p: float | None
    ci90: list[float] | None
    strokes_needed: int | None
    strokes_needed_equivalence: int | None
    before: Group
    after: Group
    real: bool | None
    allowed_for: AllowedFor
    normalised: AtOneOil | None


class Share(TypedDict):
    """`n` of `of` strokes."""

    n: int
    of: int


class MissedCompared(TypedDict):
    """Missed strokes of both runs; `p` is Fisher's exact test."""

    before: Share
    after: Share
    p: float


class PairCompared(TypedDict):
    """The first run and another one."""

    before: int | None
    after: int | None
    figures: dict[str, FigureCompared | None]
    missed_compared: MissedCompared
    oil: str | None
    words: list[str]


class Ranked(TypedDict):
    """One run of a batch; `ci95` holds for all runs together."""

    rank: int
    run: int | None
    valve: str | None
    n: int
    mean: float
    sd: float
    u_mean: float
    dof: float
    n_effective: float
    ci95: list[float]
    away_ms: float
    outlier: bool
    normalised_mean_ms: float | None
    u_model_ms: float | None
    explained_ms: list[float]
    explained: str


class Batch(TypedDict):
    """Three runs or more, by one figure."""

    p_all_alike: float | None
    ranked: list[Ranked]


class Comparison(PairCompared):
    """As `rig compare --json`: the first two runs on top, all pairs, and a ranking of three or
    more."""

    source: Source
    runs: list[RunCompared]
    figure: str
    difference_ms: float | None
    ci95: list[float] | None
    p: float | None
    effect_sd: float | None
    equivalent: bool | None
    equivalent_if: list[str] | None
    strokes_needed: int | None
    comparisons: list[PairCompared]
    batch: dict[str, Batch | None] | None
    notes: list[str]


class RunStudied(TypedDict):
    """One run of a study."""

    run: int | None
    valve: str | None
    by: str | None
    mount: int | None


class Method(TypedDict):
    """One method's result: standard deviations in ms, and what they are of the total."""

    repeatability_ms: float
    reproducibility_ms: float
    grr_ms: float
    repeatability_ci95_ms: list[float] | None
    grr_ci95_ms: list[float] | None
    valves_ms: float | None
    total_ms: float | None
    grr_pct: float | None
    ndc: int | None
    precision_to_tolerance_pct: float | None
    repeatability_limit_ms: float
    interaction_p: float | None
    pooled: bool | None


class FigureStudied(TypedDict):
    """One figure of a study by both methods, and how the rig is rated by it."""

    mean_ms: float
    within_run_sd_ms: float | None
    anova: Method
    average_range: Method | None
    limits: Numbers
    rating: str | None
    rated_by: Literal["limits", "valves"] | None


class Study(TypedDict):
    """As `rig study --json`."""

    source: Source
    runs: list[RunStudied]
    valves: list[str]
    people: list[str]
    mountings: int
    figures: dict[str, FigureStudied | None]
    words: list[str]


class FigureAgreed(TypedDict):
    """Limits of agreement of `n` valves, second rig less first: they contain 95 of 100
    differences; each with its 95 % interval."""

    n: int
    bias: float
    bias_ci95: list[float]
    sd: float
    low: float
    low_ci95: Numbers
    high: float
    high_ci95: Numbers


class Agreement(TypedDict):
    """As `rig agree --json`: `pairs` are first run, second run, valve; `means` of both."""

    pairs: list[tuple[int | None, int | None, str | None]]
    sources: list[str]
    means: dict[str, list[tuple[float | None, float | None]]]
    figures: dict[str, FigureAgreed | None]
    words: list[str]
