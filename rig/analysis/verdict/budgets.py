# SPDX-License-Identifier: MIT
"""The uncertainty budget of every result of a run."""

from __future__ import annotations

import numpy as np

from rig.analysis.measure import instrument_uncertainty
from rig.analysis.measure.gauge_calibration import ITSELF, ZERO, Applied
from rig.analysis.measure.hold import OF_LINE, HoldResult
from rig.analysis.measure.instrument_uncertainty import (
    RESOLUTION,
    STAMPS,
    moving_lines,
    own_scatter_lines,
    timing_lines,
)
from rig.analysis.measure.own_timing import Applied as OwnTiming
from rig.analysis.measure.pressure_at import RANGE_SHARE
from rig.analysis.measure.ramp import RampTable
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.measure.stroke_windows import Reference
from rig.analysis.measure.time_stamps import KERNEL, Resolution
from rig.analysis.measure.trapped_oil import trapped_oil_lines
from rig.analysis.stats.dependence import repeatability
from rig.analysis.stats.uncertainty import Budget, Correlations, Line, budget
from rig.config.dated import IN_DATE
from rig.config.setup.model import Setup
from rig.core.recording import Float, Recording, SampleSeries

KERNEL_STAMPS = Resolution(KERNEL, 0.0)
CLOCK_SHARE = 1e-4
"""Half width of the clock's rate error, as a share: an undisciplined crystal (common practice, no
source)."""


def budgets(
    recording: Recording,
    setup: Setup | None,
    reference: Reference,
    table: StrokeTable,
    pressure: SampleSeries | None,
    held: HoldResult | None,
    ramps: RampTable | None,
    applied: Applied | None = None,
    resolution: Resolution = KERNEL_STAMPS,
    bounces_ms: tuple[Float, Float] | None = None,
    own: OwnTiming | None = None,
) -> dict[str, Budget]:
    """Budgets by result: `response_ms`, `release_ms` (of the mean), `single_response_ms`,
    `single_release_ms` (of one stroke, stamped as well as the average one), `actuation_kpa`,
    `reset_kpa`, `differential_kpa` (of the mean of the ramps), `single_actuation_kpa` ... (of one),
    `decay_rate_kpa_s`.

    Leaves out results that the run does not have or that cannot be worked out (relay delay not
    known, spread of one stroke). `resolution` is that of the recording's times. `bounces_ms` is how
    long the relay bounced in each stroke, on and off (stroke_windows.relay_bounce_ms): it is in
    the budget of the mean; a single stroke has its own (Measured.shorter). `own` is what is known
    of the rig's own times.
    """
    found: dict[str, Budget] = {}
    times = {
        "response": (table.response_ms, table.response_half_ms),
        "release": (table.release_ms, table.release_half_ms),
    }
    none = np.zeros(len(table))
    for (name, (values, half_ms)), bounce in zip(
        times.items(), bounces_ms or (none, none), strict=True
    ):
        finite = np.isfinite(values) & table.whole
        known = finite & table.steady
        typical = known if known.any() else finite  # no steady stroke has one: use those after rest
        half = float(half_ms[typical].mean()) if typical.any() else 0.0
        # a single stroke carries its own bounce (Measured.shorter), which the others need not have
        of = [0.0, bounce[known].mean() if known.any() else 0.0]
        one, mean = (
            timing_lines(
                recording, reference, name, half, resolution, float(ms), own, single=n == 0
            )
            for n, ms in enumerate(of)
        )
        if one is not None and mean is not None:
            _times(found, f"{name}_ms", values[typical], one, mean if known.any() else None)
    if ramps is not None and pressure is not None:
        _ramps(found, recording, setup, pressure, ramps, applied, own)
    if held is not None and pressure is not None:
        _decay(found, recording, setup, held, pressure, applied)
    return found


def _times(
    found: dict[str, Budget], name: str, values: Float, of_one: tuple[list[Line], float],
    of_mean: tuple[list[Line], float] | None,
) -> None:  # fmt: skip
    if not len(values):
        return
    mean = float(values.mean())
    found[f"single_{name}"] = budget(f"single {name}", "ms", mean, *of_one)
    if len(values) > 1 and of_mean is not None:
        lines, correction = of_mean
        both = [repeatability(values, "ms"), *lines]
        found[name] = budget(f"mean {name}", "ms", mean, both, correction)


def of_one_stroke(typical: Budget, half_ms: float) -> Budget:
    """The budget of one stroke whose stamps leave its time open by `half_ms` either way, derived
    from that of a typical stroke."""
    lines = [
        line._replace(value=max(half_ms, 1e-6)) if line.name == STAMPS else line
        for line in typical.lines
    ]
    return budget(typical.figure, typical.unit, typical.value, lines, typical.correction)


def _ramps(
    found: dict[str, Budget], recording: Recording, setup: Setup | None,
    pressure: SampleSeries, ramps: RampTable, applied: Applied | None, timing: OwnTiming | None,
) -> None:  # fmt: skip
    rates = {
        "actuation_kpa": ("response", ramps.actuation_kpa, ramps.rate_up_kpa_ms),
        "reset_kpa": ("release", ramps.reset_kpa, ramps.rate_down_kpa_ms),
    }
    fixed = instrument_uncertainty.gauge_lines(setup, pressure, applied)
    seen = instrument_uncertainty.scatter_line(pressure)
    scatter = [] if seen is None else [seen]
    for name, (way, values, rate) in rates.items():
        known = np.isfinite(values)
        if not known.any():
            continue
        typical = _typical(rate[known])
        of_edge = {way: typical}
        moves, correction = moving_lines(recording, setup, of_edge, timing)
        own = [*_gap(pressure, typical), *scatter, *own_scatter_lines(of_edge, timing)]
        _pressures(found, name, values[known], [*fixed, *moves], own, correction)
    both = ramps.differential_kpa
    known = np.isfinite(both)
    if known.any():
        rates_kpa_ms = [_typical(rate[known]) for *_, rate in rates.values()]
        # the age affects both pressures, with opposite signs of the rate
        up, down = rates_kpa_ms
        of_both = {"response": up, "release": -down}
        moves, correction = moving_lines(recording, setup, of_both, timing)
        lines, together = _twice(fixed, float(np.median(both[known])), _span_kpa(setup, applied))
        own = [
            line._replace(name=f"{line.name}, {at}")
            for at, rate in zip(AT, rates_kpa_ms, strict=True)
            for line in [*_gap(pressure, rate), *scatter]
        ] + own_scatter_lines(of_both, timing)
        _pressures(found, "differential_kpa", both[known], [*lines, *moves], own, correction,
                   together)  # fmt: skip


AT = ("at actuation", "at reset")


def _twice(
    fixed: list[Line], apart_kpa: float, span_kpa: float | None
) -> tuple[list[Line], dict[tuple[str, str], float]]:
    """Lines for a difference of two readings from the lines of one reading, with the correlations
    of those from the same gauge (JCGM 100:2008, 5.2.2 and H.2).

    A gauge's zero is the same at both pressures and cancels. What its calibration, stated accuracy
    or reference leaves open is more alike the nearer the two pressures: the correlation is 1 less
    their distance as a share of the span (common practice, no source; a gain that is off gives
    less, hysteresis more). Display steps are independent, and so is gauge scatter: hysteresis
    differs on the way up and down."""
    alike = 0.0 if not span_kpa else max(1 - abs(apart_kpa) / span_kpa, 0.0)
    lines, together = [], {}
    for line in fixed:
        names = [f"{line.name}, {at}" for at in AT]
        step = line.name in (RESOLUTION, ITSELF)
        r = 0.0 if step else 1.0 if line.name == ZERO else alike
        note = line.note if step else f"one gauge at two pressures, correlation {r:.3g}"
        lines += [
            line._replace(name=names[0], note=note),
            line._replace(name=names[1], note=note, sensitivity=-line.sensitivity),
        ]
        if r:
            together[names[0], names[1]] = r
    return lines, together


def _span_kpa(setup: Setup | None, applied: Applied | None) -> float | None:
    ends = applied.made.range_kpa if applied is not None else None
    source = setup.pressure_source if setup is not None else None
    if ends is None and source is not None:
        ends = source.measuring_range_kpa
    return None if ends is None else ends[1] - ends[0]


def _gap(pressure: SampleSeries, rate_kpa_ms: float) -> list[Line]:
    return [Line("sampling", _gap_ms(pressure) / 2, "ms", "rectangular", rate_kpa_ms,
                 note="half the time between two readings")]  # fmt: skip


def _pressures(
    found: dict[str, Budget], name: str, values: Float, lines: list[Line], own: list[Line],
    correction: float, correlations: Correlations | None = None,
) -> None:  # fmt: skip
    """`own` differs from ramp to ramp (sampling instant, scatter), so in a mean it is part of the
    repeatability."""
    mean = float(values.mean())
    one = [*lines, *own]
    if any(line.part > 0 for line in one):
        found[f"single_{name}"] = budget(f"single {name}", "kPa", mean, one, correction,
                                         correlations=correlations)  # fmt: skip
    if len(values) > 1:
        both = [repeatability(values, "kPa"), *lines]
        if any(line.part > 0 for line in both):
            found[name] = budget(f"mean {name}", "kPa", mean, both, correction,
                                 correlations=correlations)  # fmt: skip


def _decay(
    found: dict[str, Budget], recording: Recording, setup: Setup | None, held: HoldResult,
    pressure: SampleSeries, applied: Applied | None,
) -> None:  # fmt: skip
    rate, error = held.decay_rate_kpa_s, held.standard_error_kpa_s
    if rate is None or error is None or not np.isfinite(error):
        return
    straight = held.rate_is == OF_LINE
    said = "slope" if straight else f"mean rate, of a curve of {held.terms} terms"
    lines = [
        Line("scatter about the line" if straight else "scatter about the curve", error, "kPa/s",
             "t", dof=max(held.error_dof, 1.0),
             note=f"standard error of the {said}, {held.effective_n:.4g} independent readings"),
        Line("clock rate", CLOCK_SHARE, "1", "rectangular", rate),
    ]  # fmt: skip
    gauge = setup.pressure_source if setup is not None else None
    if applied is not None:
        # the reference's own gain may be off by its uncertainty over the span of the points
        span = applied.made.range_kpa[1] - applied.made.range_kpa[0]
        fit, made = applied.fit, applied.made
        lines.append(Line("gauge gain", fit.u2, "1", "t", rate, dof=fit.dof,
                          note="slope of the calibration line"))  # fmt: skip
        of_reference = made.reference_uncertainty_kpa / made.reference_coverage / span
        lines.append(Line("reference gauge", of_reference, "1", "normal", rate,
                          note="over the span of the points"))  # fmt: skip
    if gauge is not None and (applied is None or applied.state != IN_DATE):
        low, high = gauge.measuring_range_kpa
        stated = gauge.accuracy_kpa
        share = RANGE_SHARE if stated is None else stated / (high - low)
        lines.append(
            Line("gauge gain", share, "1", "rectangular", rate,
                 note="the stated accuracy as a share of the range")
        )  # fmt: skip
    correction = 0.0
    if setup is None or setup.medium == "oil":
        trapped, correction = trapped_oil_lines(recording, held, pressure)
        lines += trapped
    if any(line.part > 0 for line in lines):
        found["decay_rate_kpa_s"] = budget("decay rate", "kPa/s", rate, lines, correction)


def _typical(rate: Float) -> float:
    known = rate[np.isfinite(rate)]
    return float(np.median(known)) if len(known) else 0.0


def _gap_ms(pressure: SampleSeries) -> float:
    steps = np.diff(pressure.t_ns[pressure.good])
    return float(np.median(steps)) / 1e6 if len(steps) else 0.0
