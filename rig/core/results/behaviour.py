# SPDX-License-Identifier: MIT
"""How a run behaved beyond its mean, in its JSON. Each is worked out, and its terms explained, in
the module of rig.analysis.stats of the same subject."""

from typing_extensions import TypedDict

Numbers = list[float | None]


class Percentile(TypedDict):
    """A percentile of single strokes, and its 95 % confidence interval."""

    value: float
    ci95: Numbers


class Robust(TypedDict):
    """Median and scaled median absolute deviation."""

    median: float
    scaled_mad: float


class Spread(TypedDict):
    """The spread of single strokes; null for anything that needs more of them. `n_effective`:
    the number of independent strokes whose mean would be as certain."""

    sd_ci95: Numbers
    tolerance_95_95: Numbers
    percentiles: dict[str, Percentile]
    robust: Robust | None
    lag1: float | None
    n_effective: float | None
    tolerance_95_95_lower: float | None
    tolerance_95_95_upper: float | None


class MissedShare(TypedDict):
    """`n` of `of` whole strokes were missed; `upper95` is the one-sided bound of that share."""

    n: int
    of: int
    upper95: float | None
    ci95: Numbers
    wilson95: Numbers
    words: str


class FirstStroke(TypedDict):
    """How much longer the first stroke took than the median of the later ones."""

    excess_ms: float
    p: float | None
    stands_out: bool


class Trend(TypedDict):
    """Mann-Kendall test and Sen's slope (ms a stroke)."""

    n: int
    grouped: int
    s: float
    tau: float
    p: float
    slope: float
    slope_low: float
    slope_high: float
    change: float
    direction: str


class Change(TypedDict):
    """A change of level: `number` is the first stroke of the new one."""

    number: int
    before: float
    after: float
    p: float


class Signal(TypedDict):
    """A rule of the control charts that was broken, and by which strokes."""

    rule: str
    strokes: list[int]


class Chart(TypedDict):
    """Control limits of single values, moving ranges and the moving average."""

    n: int
    center: float
    sigma: float
    lcl: float
    ucl: float
    mr_center: float
    mr_ucl: float
    ewma_lcl: float
    ewma_ucl: float
    width: float
    ewma_width: float
    cusum_limit: float
    false_alarms: float
    signals: list[Signal]


class Grubbs(TypedDict):
    """Grubbs' test; `stroke` is null where it flags none."""

    g: float
    critical: float
    stroke: int | None


class Fences(TypedDict):
    """Tukey's fences, and the numbers of the strokes beyond them."""

    inner: list[float]
    outer: list[float]
    strokes: list[int]
    far_strokes: list[int]
    far_slow: int


class Outliers(TypedDict):
    """Both tests for outliers."""

    grubbs: Grubbs | None
    fences: Fences | None


class Capability(TypedDict):
    """Process capability against the sheet's limits of single strokes."""

    cp: float | None
    cpk: float
    cpk_lower95: float


class Behaviour(TypedDict):
    """Keys of a run, each by figure. `first_stroke_excess_ms` is of the response."""

    missed: MissedShare
    first_stroke_excess_ms: float | None
    first_stroke: dict[str, FirstStroke | None]
    trend: dict[str, Trend | None]
    change_points: dict[str, list[Change]]
    warm_up_strokes: dict[str, int]
    charts: dict[str, Chart | None]
    outliers: dict[str, Outliers]
    capability: dict[str, Capability | None]
